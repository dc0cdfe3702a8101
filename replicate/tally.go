package replicate

import (
	"encoding/binary"
	"errors"
	"iter"
	"maps"
	"math"
	"slices"
	"time"
)

// Tally is a shoot in brief: its files, grouped by who holds them. A shoot of
// ten thousand files falls into a handful of groups, so that standing, wanted
// copies and notices never need to read the files themselves. Adding and taking
// away a file undo each other exactly; the ledger's check proves that the
// tallies equal the files.
type Tally map[GroupKey]Sum

// Sum counts files and their bytes.
type Sum struct{ Files, Bytes int64 }

// Add returns the sum of both.
func (s Sum) Add(o Sum) Sum { return Sum{s.Files + o.Files, s.Bytes + o.Bytes} }

// GroupKey is the compact form of a Group.
type GroupKey string

// Group is what the files of one group have in common.
type Group struct {
	Life     Life
	Source   Cause     // why the source could not be read, if so
	Holdings []Holding // by drive number; drives without one never had the file
}

// Holding is what one drive has of the files of a group.
type Holding struct {
	Drive DriveNo
	State CopyState
	Cause Cause // with Missing: why
	Day   int32 // with Verified: the day of the last verification, since 1970
}

// VerifiedOn is the beginning of the day on which the holding was last
// verified: never later than the verification itself (P8).
func (h Holding) VerifiedOn() time.Time { return time.Unix(int64(h.Day)*86400, 0).UTC() }

// passing is how often a source may be found gone or changing before that is
// told: once or twice is the person at work.
const passing = 2

// GroupOf is the group that f belongs to. A copy of earlier content is no
// holding: the drive wants the file.
func GroupOf(f *File) Group {
	g := Group{Life: f.Life}
	if f.Attempt.Cause == SourceUnreadable || f.Attempt.Count > passing {
		g.Source = f.Attempt.Cause
	}
	for _, c := range f.Copies {
		switch {
		case f.Holds(c):
			g.Holdings = append(g.Holdings, Holding{Drive: c.Drive, State: Verified, Day: dayOf(c.VerifiedAt)})
		case c.State == Damaged:
			g.Holdings = append(g.Holdings, Holding{Drive: c.Drive, State: Damaged, Cause: c.Attempt.Cause})
		case c.Attempt.Cause != NoCause:
			g.Holdings = append(g.Holdings, Holding{Drive: c.Drive, Cause: c.Attempt.Cause})
		}
	}
	return g
}

// dayOf keeps to the days that a key can hold: a copy taken over from a drive's
// list may have no date, and a computer's clock may tell any.
func dayOf(t time.Time) int32 { return int32(min(max(t.Unix()/86400, 0), math.MaxInt32)) }

// Key is the compact form of g.
func (g Group) Key() GroupKey {
	b := []byte{byte(g.Life), byte(g.Source)}
	for _, h := range g.Holdings {
		b = binary.AppendUvarint(b, uint64(h.Drive))
		b = append(b, byte(h.State), byte(h.Cause))
		b = binary.AppendUvarint(b, uint64(h.Day))
	}
	return GroupKey(b)
}

var errGroupKey = errors.New("not the key of a group")

// Group reads what Key wrote.
func (k GroupKey) Group() (Group, error) {
	if len(k) < 2 || k[0] > byte(Skipped) || !Cause(k[1]).Known() {
		return Group{}, errGroupKey
	}
	g := Group{Life: Life(k[0]), Source: Cause(k[1])}
	for b := []byte(k[2:]); len(b) > 0; {
		no, n := binary.Uvarint(b)
		if n <= 0 || len(b) < n+3 || no > 1<<16-1 || b[n] > byte(Damaged) || !Cause(b[n+1]).Known() {
			return Group{}, errGroupKey
		}
		day, m := binary.Uvarint(b[n+2:])
		if m <= 0 || day > 1<<31-1 {
			return Group{}, errGroupKey
		}
		g.Holdings = append(g.Holdings, Holding{DriveNo(no), CopyState(b[n]), Cause(b[n+1]), int32(day)})
		b = b[n+2+m:]
	}
	return g, nil
}

// Add puts f into the tally.
func (t Tally) Add(f *File) { t.change(f, 1) }

// Remove takes f, as it was when it was added, out of the tally.
func (t Tally) Remove(f *File) { t.change(f, -1) }

func (t Tally) change(f *File, sign int64) {
	key := GroupOf(f).Key()
	sum := t[key].Add(Sum{Files: sign, Bytes: sign * f.Size})
	if sum == (Sum{}) {
		delete(t, key)
		return
	}
	t[key] = sum
}

// Groups yields the groups in a fixed order. A key that is none is left out:
// the ledger refuses it when it reads.
func (t Tally) Groups() iter.Seq2[Group, Sum] {
	return func(yield func(Group, Sum) bool) {
		for _, key := range slices.Sorted(maps.Keys(t)) {
			if g, err := key.Group(); err == nil && !yield(g, t[key]) {
				return
			}
		}
	}
}

// Clone returns a copy that can be changed on its own.
func (t Tally) Clone() Tally { return maps.Clone(t) }
