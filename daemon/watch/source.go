package watch

import (
	"errors"

	"github.com/fsnotify/fsnotify"
)

// maxBatch is how many events are kept while the owner walks a tree; more are an
// overflow of our own.
const maxBatch = 65_536

// adder is the part of the system's notifications that runs into limits.
type adder interface {
	Add(name string) error
	Remove(name string) error
	WatchList() []string
}

// source is one connection to the system's notifications.
//
// A goroutine of its own receives what the system says and gives it on in batches,
// because the owner must never be waited for: on Windows Add is answered by the
// very goroutine that sends the events, and on Linux a failing removal reports
// itself under the lock that Add wants. An owner that received and added in turn
// would lock up.
type source struct {
	adder
	batches chan batch
	close   func() error
	done    chan struct{}
}

// batch is what the system said since the owner last asked.
type batch struct {
	events []fsnotify.Event
	errs   []error
	lost   bool // events were dropped, here or in the system
}

// openSource connects to the system.
func openSource() (*source, error) {
	sys, err := fsnotify.NewWatcher()
	if err != nil {
		return nil, err
	}
	return newSource(sys, sys.Events, sys.Errors, sys.Close), nil
}

// newSource starts to receive. It ends when events is closed, which stop is for.
func newSource(a adder, events <-chan fsnotify.Event, errs <-chan error, stop func() error) *source {
	s := &source{adder: a, batches: make(chan batch), close: stop, done: make(chan struct{})}
	go s.receive(events, errs)
	return s
}

// stop disconnects and waits for the goroutine.
func (s *source) stop() error {
	err := s.close()
	<-s.done
	return err
}

func (s *source) receive(events <-chan fsnotify.Event, errs <-chan error) {
	defer close(s.done)
	var b batch
	for {
		var out chan<- batch
		if !b.empty() {
			out = s.batches
		}
		select {
		case ev, ok := <-events:
			if !ok {
				return
			}
			b.add(ev)
		case err, ok := <-errs:
			if !ok {
				errs = nil
				continue
			}
			b.fail(err)
		case out <- b:
			b = batch{}
		}
	}
}

func (b *batch) empty() bool { return len(b.events) == 0 && len(b.errs) == 0 && !b.lost }

// add keeps ev unless it says what the one before it said: a long clip being
// written is the same event thousands of times.
func (b *batch) add(ev fsnotify.Event) {
	n := len(b.events)
	switch {
	case ev.Op&^fsnotify.Chmod == 0:
	case n > 0 && b.events[n-1].Name == ev.Name && b.events[n-1].Op == ev.Op:
	case n >= maxBatch:
		b.lost = true
	default:
		b.events = append(b.events, ev)
	}
}

func (b *batch) fail(err error) {
	switch {
	case errors.Is(err, fsnotify.ErrEventOverflow):
		b.lost = true
	case len(b.errs) < 10: // a source that fails in a loop says the same again
		b.errs = append(b.errs, err)
	}
}
