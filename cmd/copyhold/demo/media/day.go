// Package media makes the throw-away media of the demo: real pictures, clips,
// sounds and sidecars that any viewer opens, and that nobody ever shot.
//
// Its rules:
//   - Everything follows from a seed: the same seed gives the same bytes on the
//     same build, another seed gives others. (Compilers of other processors may
//     round differently, and a newer image/jpeg may encode differently.)
//   - No two blocks of 4 KiB in a day are alike, so that a copy that lands in the wrong
//     place cannot pass for the right one.
//   - It writes to an io.Writer and knows no path: where files go, and in which
//     order, is the demo's business. Only the demo imports it.
package media

import (
	"fmt"
	"io"
	"time"
)

// Kind says what a file is.
type Kind string

const (
	KindStill   Kind = "still"
	KindClip    Kind = "clip"
	KindSound   Kind = "sound"
	KindSidecar Kind = "sidecar"
)

// Original tells whether a camera or recorder made it: expected never to change.
func (k Kind) Original() bool { return k != KindSidecar }

// File is one file of a day, not yet written.
type File struct {
	Rel   string // slash path below the working folder: shoot, folder, name
	Kind  Kind
	Size  int64     // about: exact for sounds and sidecars, within a frame for clips, a guess for stills
	Taken time.Time // when it was made: fit to be the modification time

	// Write writes the whole file. It may run several times, and beside others.
	Write func(io.Writer) error
}

// Scale is how much media a day holds: 1 is about 300 MB. It stretches the
// clips and sounds and multiplies the stills, so that every folder is there at any scale.
type Scale float64

// maxScale keeps the longest clip under what a plain AVI holds.
const maxScale = 16

// The two shoots that Day lists.
const (
	TernIsland    = "2026-03-02 Tern Island"
	FerryCrossing = "2026-02-27 Ferry Crossing"
)

// islandTime is the clock of the crew's cameras: Tern Island lies in mid-ocean.
var islandTime = time.FixedZone("", -2*60*60)

var (
	ternMorning  = time.Date(2026, 3, 2, 6, 41, 7, 0, islandTime)
	ferryMorning = time.Date(2026, 2, 27, 9, 12, 30, 0, islandTime)
)

// ternRatings are the stars given so far, to every fourth still.
var ternRatings = []int{3, 0, 5, 1, 4, 2, 3, 4, 0, 5}

// Day lists the files of two shoots, writing none. Files come in shoot order, the older
// shoot first, and a sidecar after its still.
func Day(scale Scale, seed uint64) ([]File, error) {
	if !(scale > 0 && scale <= maxScale) { // also refuses NaN
		return nil, fmt.Errorf("scale %v of a demo day is not above 0 and at most %d", float64(scale), maxScale)
	}
	ferry := shoot{name: FerryCrossing, scale: scale, seed: mix(seed, 1), morning: ferryMorning}
	ferry.stills("FERR", 6, nil)
	ferry.clips("Seabird I", "SB1_%04d.AVI", 12)

	tern := shoot{name: TernIsland, scale: scale, seed: mix(seed, 2), morning: ternMorning}
	tern.stills("TERN", 40, ternRatings)
	tern.clips("Seabird I", "SB1_%04d.AVI", 20, 44, 60)
	tern.clips("Seabird II", "SB2_%04d.AVI", 36, 28, 52)
	tern.sounds(18, 24, 12, 30)
	return append(ferry.files, tern.files...), nil
}

// shoot gathers the files of one shoot.
type shoot struct {
	name    string
	scale   Scale
	seed    uint64
	morning time.Time
	files   []File
}

func (s *shoot) add(folder, name string, f File) {
	f.Rel = s.name + "/" + folder + "/" + name
	s.files = append(s.files, f)
}

// stills adds count stills at scale 1, every fourth with a sidecar while ratings last.
func (s *shoot) stills(prefix string, count int, ratings []int) {
	count = max(1, int(float64(count)*float64(s.scale)+0.5))
	for n := 1; n <= count; n++ {
		stem := fmt.Sprintf("%s%04d", prefix, n)
		p := shot{n: n, seed: s.seed, taken: shotAt(s.morning, n)}
		s.add("Stills", stem+".JPG", File{Kind: KindStill, Size: stillSize, Taken: p.taken, Write: p.write})
		if n%4 == 1 && n/4 < len(ratings) {
			s.sidecar(stem, ratings[n/4], p.taken)
		}
	}
}

func (s *shoot) sidecar(stem string, rating int, taken time.Time) {
	still := stem + ".JPG"
	s.add("Stills", stem+".xmp", File{
		Kind:  KindSidecar,
		Size:  int64(len(sidecar(still, rating))),
		Taken: taken.Add(11 * time.Hour).Truncate(time.Second), // rated in the evening
		Write: func(w io.Writer) error { return Sidecar(w, still, rating) },
	})
}

// clips adds one clip per given size in MB.
func (s *shoot) clips(folder, pattern string, megabytes ...float64) {
	for i, mb := range megabytes {
		size := int64(mb * 1e6 * float64(s.scale))
		seed := s.seedOf(folder, i)
		s.add(folder, fmt.Sprintf(pattern, i+1), File{
			Kind:  KindClip,
			Size:  size,
			Taken: s.morning.Add(time.Duration(20+35*i) * time.Minute),
			Write: func(w io.Writer) error { return Clip(w, size, seed) },
		})
	}
}

// sounds adds one sound per given length in seconds.
func (s *shoot) sounds(seconds ...float64) {
	for i, long := range seconds {
		long *= float64(s.scale)
		seed := s.seedOf("Sound", i)
		s.add("Sound", fmt.Sprintf("SOUND%03d.WAV", i+1), File{
			Kind:  KindSound,
			Size:  soundSize(long),
			Taken: s.morning.Add(time.Duration(15+40*i) * time.Minute),
			Write: func(w io.Writer) error { return Sound(w, long, seed) },
		})
	}
}

// seedOf gives each file its own seed; the folder's letters are part of it.
func (s *shoot) seedOf(folder string, i int) uint64 {
	seed := mix(s.seed, uint64(i))
	for _, letter := range folder {
		seed = mix(seed, uint64(letter))
	}
	return seed
}
