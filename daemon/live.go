package daemon

import (
	"sync"
	"time"

	"copyhold/daemon/api"
)

// subscribers are the clients that follow the live state. Each gets the newest
// one; a slow client misses those in between.
type subscribers struct {
	mu  sync.Mutex
	all map[chan api.Status]bool
}

func (s *subscribers) subscribe() (<-chan api.Status, func()) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.all == nil {
		s.all = map[chan api.Status]bool{}
	}
	c := make(chan api.Status, 1)
	s.all[c] = true
	return c, func() {
		s.mu.Lock()
		defer s.mu.Unlock()
		delete(s.all, c)
	}
}

func (s *subscribers) none() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return len(s.all) == 0
}

func (s *subscribers) tell(status api.Status) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for c := range s.all {
		select {
		case <-c: // an older state that was not taken
		default:
		}
		c <- status
	}
}

// publish tells the live state when something changed, a few times a second.
func (d *Daemon) publish(now time.Time) {
	w := d.world
	busy := false
	for _, s := range w.drives {
		busy = busy || s.job != nil
	}
	if d.live.none() {
		w.publishAt = time.Time{}
		return
	}
	if w.version == w.published && !busy {
		w.publishAt = time.Time{}
		return
	}
	if now.Before(w.publishAt) {
		return
	}
	w.published, w.publishAt = w.version, now.Add(publishEvery)
	d.live.tell(d.view(now).status())
}
