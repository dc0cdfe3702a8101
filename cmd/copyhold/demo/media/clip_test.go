package media

import (
	"bytes"
	"encoding/binary"
	"image"
	"io"
	"testing"
)

func clip(t testing.TB, size int64, seed uint64) []byte {
	t.Helper()
	return made(t, func(w io.Writer) error { return Clip(w, size, seed) })
}

// Offsets are those of the structures AVIMAINHEADER, AVISTREAMHEADER, BITMAPINFOHEADER and
// AVIOLDINDEX in "AVI RIFF File Reference", learn.microsoft.com (without the id and length
// that its structures begin with).
func TestClipIsAnAVI(t *testing.T) {
	t.Parallel()
	const size = 5e6
	file := clip(t, size, 5)
	if len(file) > size || len(file) < size-300e3 {
		t.Errorf("the clip has %d bytes, want %d or a frame less", len(file), int(size))
	}
	avi := walkRIFF(t, file)
	if avi.form != "AVI " || len(avi.chunks) != 3 {
		t.Fatalf("form %q with %d chunks", avi.form, len(avi.chunks))
	}
	movi, stream := avi.get(t, "movi"), avi.get(t, "hdrl").get(t, "strl")
	n := len(movi.chunks)
	if n < 20 {
		t.Errorf("only %d frames", n)
	}
	main := avi.get(t, "hdrl").get(t, "avih")
	checkFields(t, main, []field{
		{"microseconds per frame", 0, 4, 40000}, {"flags", 12, 4, 0x10}, {"frames", 16, 4, n},
		{"streams", 24, 4, 1}, {"width", 32, 4, 1280}, {"height", 36, 4, 720}, {"length", 52, 4, 0},
	})
	head := stream.get(t, "strh")
	if got := string(head.content[:8]); got != "vidsMJPG" || len(head.content) != 56 || len(main.content) != 56 {
		t.Errorf("stream %q, %d bytes; main header %d bytes", got, len(head.content), len(main.content))
	}
	checkFields(t, head, []field{
		{"scale", 20, 4, 1}, {"rate", 24, 4, 25}, {"length", 32, 4, n}, {"right", 52, 2, 1280}, {"bottom", 54, 2, 720},
	})
	format := stream.get(t, "strf")
	if got := string(format.content[16:20]); got != "MJPG" || len(format.content) != 40 {
		t.Errorf("format %q, %d bytes", got, len(format.content))
	}
	checkFields(t, format, []field{
		{"size", 0, 4, 40}, {"width", 4, 4, 1280}, {"height", 8, 4, 720}, {"planes", 12, 2, 1}, {"bits", 14, 2, 24},
	})
	checkFrames(t, file, movi, avi.get(t, "idx1").content)
}

// checkFrames decodes every frame and finds it in the index.
func checkFrames(t *testing.T, file []byte, movi riffChunk, index []byte) {
	t.Helper()
	if len(index) != 16*len(movi.chunks) {
		t.Fatalf("the index has %d bytes for %d frames", len(index), len(movi.chunks))
	}
	letters := movi.at + 8
	for i, frame := range movi.chunks {
		if got, want := decode(t, frame.content).Bounds(), image.Rect(0, 0, 1280, 720); got != want {
			t.Errorf("frame %d is %v, want %v", i, got, want)
		}
		e := index[16*i:]
		at, size := letters+int(binary.LittleEndian.Uint32(e[8:])), int(binary.LittleEndian.Uint32(e[12:]))
		if string(e[:4]) != frame.id || frame.id != "00dc" || binary.LittleEndian.Uint32(e[4:]) != 0x10 ||
			at != frame.at || !bytes.Equal(file[at+8:at+8+size], frame.content) {
			t.Errorf("frame %d at %d (%q): the index says %d, %d bytes", i, frame.at, frame.id, at, size)
		}
	}
}

func TestClipFollowsFromItsSeed(t *testing.T) {
	t.Parallel()
	first := clip(t, 2e6, 4)
	if !bytes.Equal(first, clip(t, 2e6, 4)) {
		t.Error("the same seed gave two clips")
	}
	for _, seed := range []uint64{5, 6, 4 + 2*clipPoses} { // another view, another start, the same of both
		if bytes.Equal(first, clip(t, 2e6, seed)) {
			t.Errorf("seeds 4 and %d gave the same clip", seed)
		}
	}
}

func TestClipSizes(t *testing.T) {
	t.Parallel()
	if n := len(walkRIFF(t, clip(t, 0, 1)).get(t, "movi").chunks); n != 1 {
		t.Errorf("a clip of no size has %d frames, want 1", n)
	}
	for _, size := range []int64{-1, maxClip + 1} {
		if err := Clip(io.Discard, size, 1); err == nil {
			t.Errorf("a clip of %d bytes was made", size)
		}
	}
}

// BenchmarkClip writes clips of one size with ever new seeds; the plates of both views are made before.
func BenchmarkClip(b *testing.B) {
	const size = 40e6
	seed := uint64(0)
	for range clipPlaces {
		clip(b, 0, seed)
		seed++
	}
	b.SetBytes(size)
	for b.Loop() {
		seed++
		if err := Clip(io.Discard, size, seed); err != nil {
			b.Fatal(err)
		}
	}
}
