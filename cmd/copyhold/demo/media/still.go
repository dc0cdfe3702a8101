package media

import (
	"fmt"
	"io"
	"time"
)

const (
	stillWidth   = 1600
	stillHeight  = 1067
	stillQuality = 92
	stillSize    = 470_000 // about

	// burst is how many stills follow each other within seconds and share a picture.
	burst = 5
)

// maxStills is as far as a four-digit file number goes.
const maxStills = 9999

// Still writes the n-th still, from 1, of a morning on Tern Island: a JPEG with Exif.
// The stills of one burst show the same birds with other grain.
func Still(w io.Writer, n int, seed uint64) error {
	return shot{n: n, seed: seed, taken: shotAt(ternMorning, n)}.write(w)
}

// shot is one press of the shutter.
type shot struct {
	n     int
	seed  uint64
	taken time.Time
}

func (s shot) write(w io.Writer) error {
	if s.n < 1 || s.n > maxStills {
		return fmt.Errorf("still %d: numbers go from 1 to %d", s.n, maxStills)
	}
	p, err := s.view().develop()
	if err != nil {
		return fmt.Errorf("still %d: %w", s.n, err)
	}
	sheet := p.print(make([]byte, 0, len(p.jpeg)), draws(s.seed, uint64(s.n)))
	for _, part := range [][]byte{sheet[:2], exifSegment(s.taken), sheet[2:]} { // Exif comes first after the start of image
		if _, err := w.Write(part); err != nil {
			return err
		}
	}
	return nil
}

// view is what the camera saw: the sun climbs from one burst to the next.
func (s shot) view() view {
	round := (s.n - 1) / burst
	return view{
		w: stillWidth, h: stillHeight, quality: stillQuality,
		place: s.seed,
		flock: mix(s.seed, uint64(round)),
		sun:   clamp01(float64(round) / 7),
	}
}

// shotAt is when still n was taken: a burst every 23 minutes or so, three shots a second.
func shotAt(morning time.Time, n int) time.Time {
	round, press := (n-1)/burst, (n-1)%burst
	wait := time.Duration(round) * (23*time.Minute + 17*time.Second + 130*time.Millisecond)
	return morning.Add(wait + time.Duration(press)*330*time.Millisecond)
}
