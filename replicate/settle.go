package replicate

import "time"

// Settling follows the files that were touched a moment ago until they rest: no
// event for the quiet time, and two equal looks that far apart. It holds only
// files in motion; the ledger holds the others.
//
//	touched ──look──▶ moving ──equal look, quiet──▶ settled (forgotten here)
//	                    ▲  │
//	                    └──┘ event, or a look that differs
type Settling struct {
	quiet  time.Duration
	moving map[FileID]*motion
}

type motion struct {
	stat  Stat
	since time.Time // first of the equal looks
	event time.Time // last event
}

// NewSettling returns a Settling that waits for the given quiet time.
func NewSettling(quiet time.Duration) *Settling {
	return &Settling{quiet: quiet, moving: map[FileID]*motion{}}
}

// Look takes in one look at a file, caused by an event or by the alarm. It
// reports whether the file rests, and since when it has looked like this.
func (s *Settling) Look(id FileID, now Stat, at time.Time, event bool) (since time.Time, settled bool) {
	m, known := s.moving[id]
	if !known {
		s.moving[id] = &motion{stat: now, since: at, event: at}
		return at, false
	}
	if event {
		m.event = at
	}
	if !m.stat.Same(now) {
		m.stat, m.since = now, at
	}
	if at.Sub(m.since) < s.quiet || at.Sub(m.event) < s.quiet {
		return m.since, false
	}
	delete(s.moving, id)
	return m.since, true
}

// Moving reports whether the file is being followed.
func (s *Settling) Moving(id FileID) bool { _, ok := s.moving[id]; return ok }

// Forget drops a file that is gone.
func (s *Settling) Forget(id FileID) { delete(s.moving, id) }

// Len is how many files are in motion.
func (s *Settling) Len() int { return len(s.moving) }

// Due returns the files that should be looked at again now, and when the next
// ones will be (zero when none).
func (s *Settling) Due(now time.Time) (due []FileID, next time.Time) {
	for id, m := range s.moving {
		at := m.since
		if m.event.After(at) {
			at = m.event
		}
		at = at.Add(s.quiet)
		switch {
		case !at.After(now):
			due = append(due, id)
		case next.IsZero() || at.Before(next):
			next = at
		}
	}
	return due, next
}
