package desktop

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"time"
)

var (
	// ErrNoDesktop says that there is no desktop session to speak to: nobody is logged in there, or this system is
	// not one that we can speak on yet. It is a normal state; the next call looks again.
	ErrNoDesktop = errors.New("no desktop session to show notifications on")
	// ErrNoServer says that there is a desktop session, but no program in it that shows notifications.
	ErrNoServer = errors.New("no program on this desktop shows notifications")
	// ErrNoAnswer says that the desktop did not answer in time. The message may yet be shown.
	ErrNoAnswer = errors.New("the desktop did not answer in time")
	// ErrClosed is returned by every call after Close.
	ErrClosed = errors.New("notifications are closed")
)

// patience bounds each call, waiting for earlier calls included.
const patience = 5 * time.Second

// Speaker says messages on the desktop. It connects with the first message and again whenever the desktop went away.
// Its methods may be called from any goroutine; they take turns.
type Speaker struct {
	life  context.Context // ends when Close is called, and with it the call that has the turn
	end   context.CancelFunc
	turn  chan struct{} // has room for one; whoever fills it owns voice
	voice voice
}

// NewSpeaker returns a Speaker that is not connected yet.
func NewSpeaker(log *slog.Logger) *Speaker {
	life, end := context.WithCancel(context.Background())
	return &Speaker{life: life, end: end, turn: make(chan struct{}, 1), voice: voice{log: log}}
}

// Say shows m, in place of the earlier message of the same key if that is still there.
func (s *Speaker) Say(ctx context.Context, m Message) error {
	return s.inTurn(ctx, "show a notification", func(ctx context.Context) error { return s.voice.say(ctx, m) })
}

// Withdraw takes the message of that key off the desktop. One that is gone already, or never was there, is no error.
func (s *Speaker) Withdraw(ctx context.Context, key string) error {
	return s.inTurn(ctx, "withdraw a notification", func(ctx context.Context) error { return s.voice.withdraw(ctx, key) })
}

// Close ends the call in progress and disconnects. Messages on the desktop stay there.
func (s *Speaker) Close() {
	s.end()
	s.turn <- struct{}{}
	s.voice.hangUp()
	<-s.turn
}

// inTurn calls speak with the turn held, for as long as ctx, patience and the Speaker last.
func (s *Speaker) inTurn(ctx context.Context, doing string, speak func(context.Context) error) error {
	ctx, cancel := context.WithTimeoutCause(ctx, patience, ErrNoAnswer)
	defer cancel()
	defer context.AfterFunc(s.life, cancel)()

	err := s.takeTurn(ctx)
	if err == nil {
		err = speak(ctx)
		<-s.turn
	}
	switch {
	case err == nil:
		return nil
	case s.life.Err() != nil:
		return ErrClosed
	case ctx.Err() != nil:
		err = context.Cause(ctx) // what the bus library makes of it says less
	}
	return fmt.Errorf("%s: %w", doing, err)
}

// takeTurn waits until s.turn is ours. Without an error it is, and neither ctx nor the Speaker had ended.
func (s *Speaker) takeTurn(ctx context.Context) error {
	select {
	case s.turn <- struct{}{}:
	case <-ctx.Done():
		return ctx.Err()
	}
	err := ctx.Err()
	if s.life.Err() != nil {
		err = ErrClosed
	}
	if err != nil {
		<-s.turn
	}
	return err
}
