package desktop

import (
	"context"
	"errors"
	"log/slog"
	"testing"
	"testing/synctest"
	"time"
)

// oneCopy is what the tests say.
var oneCopy = Message{
	Key:      "one-copy",
	Summary:  `"2026-03-02 Tern Island" exists only once`,
	Body:     "212 files are on the working drive alone.\nPlug in a backup drive.",
	Urgency:  Critical,
	Category: "device",
}

func newSpeaker(t *testing.T) *Speaker {
	s := NewSpeaker(slog.New(slog.NewTextHandler(t.Output(), &slog.HandlerOptions{Level: slog.LevelDebug})))
	t.Cleanup(s.Close)
	return s
}

func TestClosed(t *testing.T) {
	s := newSpeaker(t)
	s.Close()
	if err := s.Say(t.Context(), oneCopy); !errors.Is(err, ErrClosed) {
		t.Errorf("Say after Close: %v", err)
	}
	if err := s.Withdraw(t.Context(), oneCopy.Key); !errors.Is(err, ErrClosed) {
		t.Errorf("Withdraw after Close: %v", err)
	}
	s.Close()
}

// TestTurns has one call hang while others wait for their turn.
func TestTurns(t *testing.T) {
	hang := func(ctx context.Context) error { <-ctx.Done(); return ctx.Err() }
	quick := func(context.Context) error { return nil }
	for _, c := range []struct {
		name    string
		act     func(*Speaker, context.CancelFunc) // what happens one second later
		holding error                              // how the hanging call ends
		waiting error                              // and one that waits for it, unable to be cancelled
	}{
		{"nothing", func(*Speaker, context.CancelFunc) {}, ErrNoAnswer, ErrNoAnswer},
		{"cancelled", func(_ *Speaker, cancel context.CancelFunc) { cancel() }, context.Canceled, nil},
		{"closed", func(s *Speaker, _ context.CancelFunc) { s.Close() }, ErrClosed, ErrClosed},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				s := newSpeaker(t)
				ctx, cancel := context.WithCancel(t.Context())
				defer cancel()
				holding, waiting := make(chan error, 1), make(chan error, 1)
				go func() { holding <- s.inTurn(ctx, "hang", hang) }()
				synctest.Wait()
				go func() { waiting <- s.inTurn(context.Background(), "wait", quick) }()
				time.Sleep(time.Second)
				c.act(s, cancel)
				if err := <-holding; !errors.Is(err, c.holding) {
					t.Errorf("hanging call: %v, want %v", err, c.holding)
				}
				err := <-waiting
				// Both run out of patience at the same instant: then the waiting one may get the turn or not.
				if !errors.Is(err, c.waiting) && !(c.holding == ErrNoAnswer && err == nil) {
					t.Errorf("waiting call: %v, want %v", err, c.waiting)
				}
			})
		})
	}
}

func TestCancelledBefore(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	s := newSpeaker(t)
	if err := s.Say(ctx, oneCopy); !errors.Is(err, context.Canceled) {
		t.Errorf("%v", err)
	}
}
