package media

import (
	"bytes"
	"encoding/binary"
	"io"
	"math"
	"testing"
)

func sound(t testing.TB, seconds float64, seed uint64) []byte {
	t.Helper()
	return made(t, func(w io.Writer) error { return Sound(w, seconds, seed) })
}

// The layout of WAVE is that of Multimedia Programming Interface and Data Specifications
// 1.0 (IBM and Microsoft, August 1991), chapter 3, from memory: WAVE-form of the chunks
// 'fmt ' (wFormatTag, nChannels, nSamplesPerSec, nAvgBytesPerSec, nBlockAlign, and for PCM
// wBitsPerSample) and 'data'.
func TestSoundIsAWave(t *testing.T) {
	t.Parallel()
	file := sound(t, 1.25, 3)
	wave := walkRIFF(t, file)
	if wave.form != "WAVE" || len(wave.chunks) != 2 || wave.chunks[0].id != "fmt " {
		t.Fatalf("form %q, chunks %d", wave.form, len(wave.chunks))
	}
	format := wave.chunks[0]
	if len(format.content) != 16 {
		t.Errorf("'fmt ' has %d bytes, want 16", len(format.content))
	}
	checkFields(t, format, []field{
		{"format", 0, 2, 1}, {"channels", 2, 2, 2}, {"rate", 4, 4, 48000},
		{"bytes per second", 8, 4, 48000 * 4}, {"block", 12, 2, 4}, {"bits", 14, 2, 16},
	})
	data := wave.get(t, "data").content
	if len(data) != 60000*4 || int64(len(file)) != soundSize(1.25) {
		t.Errorf("%d bytes of samples in a file of %d, foretold %d", len(data), len(file), soundSize(1.25))
	}
}

// A recording is neither silent nor clipped, and its two sides differ.
func TestSoundIsHeard(t *testing.T) {
	t.Parallel()
	data := sound(t, 8, 3)[44:]
	var loudest, power float64
	same := 0
	for i := 0; i < len(data); i += 4 {
		left := int16(binary.LittleEndian.Uint16(data[i:]))
		right := int16(binary.LittleEndian.Uint16(data[i+2:]))
		loudest = max(loudest, math.Abs(float64(left)), math.Abs(float64(right)))
		power += float64(left) * float64(left)
		if left == right {
			same++
		}
	}
	frames := float64(len(data) / 4)
	if rms := math.Sqrt(power / frames); rms < 200 || loudest > 32000 {
		t.Errorf("level %.0f, peak %.0f of 32767", rms, loudest)
	}
	if float64(same) > 0.05*frames {
		t.Errorf("left and right agree in %d of %.0f samples", same, frames)
	}
}

func TestSoundFollowsFromItsSeed(t *testing.T) {
	t.Parallel()
	first := sound(t, 0.5, 3)
	if !bytes.Equal(first, sound(t, 0.5, 3)) {
		t.Error("the same seed gave two sounds")
	}
	if bytes.Equal(first, sound(t, 0.5, 4)) {
		t.Error("two seeds gave the same sound")
	}
	for _, seconds := range []float64{-1, math.NaN(), math.Inf(1), maxSound + 1} {
		if err := Sound(io.Discard, seconds, 1); err == nil {
			t.Errorf("a sound of %v s was made", seconds)
		}
	}
}

func BenchmarkSound(b *testing.B) {
	b.SetBytes(soundSize(20))
	seed := uint64(0)
	for b.Loop() {
		seed++
		if err := Sound(io.Discard, 20, seed); err != nil {
			b.Fatal(err)
		}
	}
}
