package drives

import (
	"context"
	"time"
)

// Watch hints that drives may have come or gone: the receiver looks again and compares. Hints are coalesced, and one
// comes every poll in any case (0 = never), for what no system reports. A mount made after Watch returned is hinted
// at; so watch first, then look. The channel is closed when the watching has ended, soon after ctx.
func Watch(ctx context.Context, poll time.Duration) <-chan struct{} {
	hints := make(chan struct{}, 1)
	wait, done := arrivals(ctx, poll)
	go func() {
		defer close(hints)
		defer done()
		for wait() {
			select {
			case hints <- struct{}{}:
			default: // the last one was not taken yet and means the same
			}
		}
	}()
	return hints
}

// ticks is arrivals for systems that report nothing: wait returns true at each tick and false when ctx has ended.
func ticks(ctx context.Context, poll time.Duration) (wait func() bool, done func()) {
	if poll <= 0 {
		return func() bool { <-ctx.Done(); return false }, func() {}
	}
	t := time.NewTicker(poll)
	wait = func() bool {
		select {
		case <-t.C:
			return ctx.Err() == nil
		case <-ctx.Done():
			return false
		}
	}
	return wait, t.Stop
}
