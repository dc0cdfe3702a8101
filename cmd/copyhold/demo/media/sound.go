package media

import (
	"fmt"
	"io"
	"math"
	"math/rand/v2"
)

const (
	soundRate     = 48_000 // sample frames per second
	soundChannels = 2
	soundBits     = 16
	soundFrame    = soundChannels * soundBits / 8 // bytes

	// maxSound keeps the length of a RIFF, 32 bits, from running over.
	maxSound = 6 * 60 * 60
)

// Sound writes a recording of wind and terns: WAVE, 16 bit, 48 kHz, stereo.
//
// WAVE: RIFF form 'WAVE' with the chunks 'fmt ' and 'data', as Multimedia Programming
// Interface and Data Specifications 1.0 (IBM and Microsoft, August 1991), chapter 3
// (cited from memory).
func Sound(w io.Writer, seconds float64, seed uint64) error {
	if !(seconds >= 0 && seconds <= maxSound) { // also refuses NaN
		return fmt.Errorf("sound of %v s: lengths go from 0 to %d s", seconds, maxSound)
	}
	frames := soundFrames(seconds)
	if _, err := w.Write(soundHead(frames * soundFrame)); err != nil {
		return err
	}
	r := newRecorder(seconds, seed)
	const block = soundRate / 10
	for frames > 0 {
		n := min(frames, block)
		if _, err := w.Write(r.record(n)); err != nil {
			return err
		}
		frames -= n
	}
	return nil
}

func soundFrames(seconds float64) int { return int(seconds * soundRate) }

// soundSize is how many bytes Sound writes.
func soundSize(seconds float64) int64 {
	return int64(len(soundHead(0)) + soundFrames(seconds)*soundFrame)
}

// waveFormat is the chunk 'fmt ' of plain samples.
type waveFormat struct {
	Format, Channels                uint16
	FramesPerSecond, BytesPerSecond uint32
	FrameBytes, Bits                uint16
}

const wavePCM = 1

func soundHead(bytes int) []byte {
	format := chunk("fmt ", packed(waveFormat{
		Format: wavePCM, Channels: soundChannels,
		FramesPerSecond: soundRate, BytesPerSecond: soundRate * soundFrame,
		FrameBytes: soundFrame, Bits: soundBits,
	}))
	head := append(chunkHead("RIFF", len("WAVE")+len(format)+chunkHeadSize+bytes), "WAVE"...)
	return append(append(head, format...), chunkHead("data", bytes)...)
}

// recorder makes one sound, block by block.
type recorder struct {
	noise *rand.PCG
	calls []call // in order of time
	at    int    // the next sample frame
	low   [soundChannels]float64
	soft  [soundChannels]float64
	gusts [2]float64 // phases
	buf   []byte
}

// call is one cry of a tern: a tone that falls, rich in overtones.
type call struct {
	start, frames int
	high, deep    float64 // Hz at its start and end
	loud, right   float64
}

func newRecorder(seconds float64, seed uint64) *recorder {
	draw := rand.New(draws(seed, 0x50))
	r := &recorder{noise: draws(seed, 0x51), gusts: [2]float64{7 * draw.Float64(), 7 * draw.Float64()}}
	for t := 0.4 + draw.Float64(); t < seconds; t += 0.9 + 2.4*draw.Float64() {
		pitch, loud, right := 3000+900*draw.Float64(), 0.04+0.16*draw.Float64(), draw.Float64()
		for range 1 + draw.IntN(4) { // a bird calls a few times over
			r.calls = append(r.calls, call{
				start: int(t * soundRate), frames: int((0.10 + 0.12*draw.Float64()) * soundRate),
				high: pitch, deep: pitch * 0.66, loud: loud, right: right,
			})
			t += 0.24 + 0.05*draw.Float64()
		}
	}
	return r
}

// record returns the next n sample frames; the slice is good until the next call.
func (r *recorder) record(n int) []byte {
	r.buf = r.buf[:0]
	gust := r.gust()
	for range n {
		cry := r.cry()
		bits := r.noise.Uint64()
		for ch := range soundChannels {
			white := float64(int32(bits>>(32*ch))) / (1 << 31)
			r.low[ch] += 0.02 * (white - r.low[ch]) // rumble: a low pass at some 150 Hz
			r.soft[ch] += 0.3 * (white - r.soft[ch])
			v := gust*(1.6*r.low[ch]+0.03*r.soft[ch]) + cry[ch]
			r.buf = little.AppendUint16(r.buf, uint16(int16(32767*max(-1, min(1, v)))))
		}
		r.at++
	}
	return r.buf
}

// gust is how hard the wind blows in this block.
func (r *recorder) gust() float64 {
	t := float64(r.at) / soundRate
	return 0.6 + 0.25*math.Sin(0.8*t+r.gusts[0]) + 0.15*math.Sin(2.1*t+r.gusts[1])
}

// cry is what the birds add to the next sample frame, left and right.
func (r *recorder) cry() (out [soundChannels]float64) {
	for len(r.calls) > 0 && r.at >= r.calls[0].start+r.calls[0].frames {
		r.calls = r.calls[1:]
	}
	if len(r.calls) == 0 || r.at < r.calls[0].start {
		return out
	}
	c := r.calls[0]
	part := float64(r.at-c.start) / float64(c.frames)
	t := float64(r.at-c.start) / soundRate
	phase := 2 * math.Pi * t * (c.high + (c.deep-c.high)*part/2) // the integral of a falling pitch
	v := c.loud * math.Sin(math.Pi*part) * (math.Sin(phase) + 0.4*math.Sin(2*phase) + 0.2*math.Sin(3*phase))
	return [soundChannels]float64{v * (1 - c.right), v * c.right}
}
