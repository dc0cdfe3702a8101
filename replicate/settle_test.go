package replicate

import (
	"slices"
	"strings"
	"testing"
	"time"
)

// TestSettling plays looks at one file with a fake clock. A step looks at a
// second, with an event or without, and sees a size.
func TestSettling(t *testing.T) {
	type step struct {
		at      int // seconds after noon
		event   bool
		size    int64
		settled bool
		since   int // seconds after noon
	}
	for _, c := range []struct {
		name  string
		steps []step
	}{
		{"touched once", []step{{0, true, 1, false, 0}, {4, false, 1, false, 0}, {5, false, 1, true, 0}}},
		{"found by a scan", []step{{0, false, 1, false, 0}, {5, false, 1, true, 0}}},
		{"growing", []step{
			{0, true, 1, false, 0}, {5, false, 2, false, 5}, {10, false, 3, false, 10}, {14, false, 3, false, 10}, {15, false, 3, true, 10},
		}},
		{"growing back to an earlier size", []step{{0, true, 1, false, 0}, {2, false, 2, false, 2}, {4, false, 1, false, 4}, {8, false, 1, false, 4}, {9, false, 1, true, 4}}},
		{"events without growth", []step{{0, true, 1, false, 0}, {3, true, 1, false, 0}, {6, true, 1, false, 0}, {10, false, 1, false, 0}, {11, false, 1, true, 0}}},
		{"an event at the last moment", []step{{0, true, 1, false, 0}, {5, true, 1, false, 0}, {10, false, 1, true, 0}}},
		{"looked at late", []step{{0, true, 1, false, 0}, {3600, false, 1, true, 0}}},
		{"grown while nobody looked", []step{{0, true, 1, false, 0}, {3600, false, 2, false, 3600}, {3605, false, 2, true, 3600}}},
		{"touched again after it settled", []step{{0, true, 1, false, 0}, {5, false, 1, true, 0}, {6, true, 1, false, 6}, {11, false, 1, true, 6}}},
	} {
		s := NewSettling(5 * time.Second)
		id := still("A001.raw").FileID
		for i, p := range c.steps {
			at := noon.Add(time.Duration(p.at) * time.Second)
			since, settled := s.Look(id, Stat{Size: p.size, MTime: noon}, at, p.event)
			if settled != p.settled || !since.Equal(noon.Add(time.Duration(p.since)*time.Second)) {
				t.Errorf("%s, step %d: settled %v since %v", c.name, i, settled, since)
			}
			if s.Moving(id) == settled || (s.Len() == 0) != settled {
				t.Errorf("%s, step %d: settled files are forgotten, others followed", c.name, i)
			}
		}
	}
}

func TestSettlingForgets(t *testing.T) {
	s := NewSettling(5 * time.Second)
	id := still("A001.raw").FileID
	s.Look(id, Stat{}, noon, true)
	s.Forget(id)
	if s.Moving(id) || s.Len() != 0 {
		t.Error("a forgotten file is still followed")
	}
	if _, settled := s.Look(id, Stat{}, noon.Add(time.Hour), false); settled {
		t.Error("one look after it was forgotten is not two equal looks")
	}
}

func TestSettlingDue(t *testing.T) {
	s := NewSettling(5 * time.Second)
	look := func(name string, second int, event bool) {
		s.Look(still(name).FileID, Stat{}, noon.Add(time.Duration(second)*time.Second), event)
	}
	look("A001.raw", 0, true)
	look("A002.raw", 1, true)
	look("A003.raw", 2, false)
	look("A002.raw", 4, true) // due at 9
	for _, c := range []struct {
		second int
		due    string
		next   int // 0 = none
	}{
		{0, "", 5},
		{4, "", 5},
		{5, "A001.raw", 7},
		{6, "A001.raw", 7},
		{7, "A001.raw A003.raw", 9},
		{9, "A001.raw A002.raw A003.raw", 0},
		{900, "A001.raw A002.raw A003.raw", 0},
	} {
		due, next := s.Due(noon.Add(time.Duration(c.second) * time.Second))
		var names []string
		for _, id := range due {
			names = append(names, id.Path[strings.LastIndex(id.Path, "/")+1:])
		}
		slices.Sort(names)
		if got := strings.Join(names, " "); got != c.due {
			t.Errorf("at %d: due %q, want %q", c.second, got, c.due)
		}
		if want := noon.Add(time.Duration(c.next) * time.Second); c.next != 0 && !next.Equal(want) || c.next == 0 && !next.IsZero() {
			t.Errorf("at %d: next %v, want second %d", c.second, next, c.next)
		}
	}
}

// TestSettlingNeverTooEarly plays random days: a file that is said to rest had
// no event and no other size for the quiet time; and one that is left alone is
// said to rest, if only it is looked at when it is due.
func TestSettlingNeverTooEarly(t *testing.T) {
	r := seeded(t)
	const quiet = 5 * time.Second
	id := still("A001.raw").FileID
	for range 500 {
		s := NewSettling(quiet)
		now, size := noon, int64(1)
		var restless time.Time // last event told or other size seen
		seen, followed := int64(0), false
		for range 60 {
			now = now.Add(time.Duration(r.IntN(4000)) * time.Millisecond)
			if r.IntN(6) == 0 {
				size++
			}
			event := r.IntN(6) == 0
			if event || size != seen || !followed {
				restless = now
			}
			seen = size
			_, settled := s.Look(id, Stat{Size: size, MTime: noon}, now, event)
			followed = !settled
			if settled && now.Sub(restless) < quiet {
				t.Fatalf("settled at %v, restless at %v", now, restless)
			}
			if !settled && now.Sub(restless) >= quiet {
				t.Fatalf("not settled at %v, at rest since %v", now, restless)
			}
		}
		s.Look(id, Stat{Size: -1}, now, true)
		_, next := s.Due(now)
		if due, _ := s.Due(next); !slices.Equal(due, []FileID{id}) || next.Sub(now) != quiet {
			t.Fatalf("left alone at %v, due %v at %v", now, due, next)
		}
		if _, settled := s.Look(id, Stat{Size: -1}, next, false); !settled {
			t.Fatal("left alone, looked at when due, and not at rest")
		}
	}
}
