package drives

import (
	"context"
	"testing"
	"testing/synctest"
	"time"
)

// TestTicks is the watching of systems that report nothing.
func TestTicks(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		wait, done := ticks(ctx, 3*time.Second)
		defer done()
		for range 3 {
			began := time.Now()
			if !wait() || time.Since(began) != 3*time.Second {
				t.Errorf("waited %v", time.Since(began))
			}
		}
		time.AfterFunc(time.Second, cancel)
		began := time.Now()
		if wait() || time.Since(began) != time.Second {
			t.Errorf("ended after %v", time.Since(began))
		}
	})
}

// TestNeverTicks: without a poll only the end of the context ends the waiting.
func TestNeverTicks(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithTimeout(t.Context(), time.Hour)
		defer cancel()
		wait, done := ticks(ctx, 0)
		defer done()
		began := time.Now()
		if wait() || time.Since(began) != time.Hour {
			t.Errorf("ended after %v", time.Since(began))
		}
	})
}

// TestWatchPollsAndEnds runs on the real clock: the kernel does the waiting.
func TestWatchPollsAndEnds(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	hints := Watch(ctx, 20*time.Millisecond)
	for range 3 {
		awaitHint(t, hints, true)
	}
	cancel()
	for range 2 { // one may be left in the channel
		select {
		case _, open := <-hints:
			if !open {
				return
			}
		case <-time.After(5 * time.Second):
			t.Fatal("the watching did not end")
		}
	}
	t.Error("hints after the end")
}

// awaitHint waits for a hint, bounded.
func awaitHint(t *testing.T, hints <-chan struct{}, want bool) {
	t.Helper()
	select {
	case _, open := <-hints:
		if open != want {
			t.Fatalf("open %v, want %v", open, want)
		}
	case <-time.After(5 * time.Second):
		t.Fatal("no hint within 5s")
	}
}
