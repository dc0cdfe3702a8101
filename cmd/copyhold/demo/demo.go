// Package demo plays a photographer's whole day in seconds: the real daemon, files
// that any viewer opens and nobody ever shot, and folders that stand for drives.
//
// Its rules:
//   - Every figure that it prints was measured, counted or asked for in this run.
//   - Every step proves what it says; one that cannot ends the demo with an error.
//   - The daemon is asked through its control socket, as any client would ask it.
//   - Nothing outside the demo's own folder is touched, and the folder is removed
//     however the day ends, unless it is to be kept.
package demo

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os/signal"
	"syscall"
	"time"

	"copyhold/cmd/copyhold/demo/media"
	"copyhold/daemon/api"
)

// Options is how the demo is played.
type Options struct {
	Keep    bool   // leave the folder for the person to look at
	Dir     string // play here, in a new or empty folder; "" = in a new temporary one
	Version string // of Copyhold

	scale    media.Scale                  // of the media; 0 = 1
	patience time.Duration                // for anything that is waited for; 0 = 30 s
	before   func(step string, at *stage) // called before each step; may be nil
}

const patience = 30 * time.Second

// Run plays the day and writes what happens to out. The error is about the first
// step that did not do what it should, or about what could not be cleaned up.
func Run(ctx context.Context, out io.Writer, opt Options) error {
	if opt.scale == 0 {
		opt.scale = 1
	}
	if opt.patience == 0 {
		opt.patience = patience
	}
	// Without this a reader that has seen enough, "| head" say, ends the process before it can clean up.
	signal.Ignore(syscall.SIGPIPE)
	defer signal.Reset(syscall.SIGPIPE)
	began := time.Now()
	at, err := build(opt)
	if err != nil {
		return err
	}
	page := &sheet{out: out}
	d := &day{stage: at, sheet: page, eyes: openEyes()}
	err = errors.Join(d.play(ctx, opt), at.close())
	if err == nil && opt.Keep {
		d.whereToLook()
	}
	if !opt.Keep {
		err = errors.Join(err, at.remove())
	}
	if err == nil {
		d.goodbye(opt.Keep, time.Since(began))
	}
	return errors.Join(err, page.err)
}

// play starts the daemon and goes through the steps.
func (d *day) play(ctx context.Context, opt Options) error {
	if err := d.plan(opt.scale); err != nil {
		return err
	}
	if err := d.open(opt.Version); err != nil {
		return fmt.Errorf("start the daemon: %w", err)
	}
	d.hello(opt)
	for i, s := range steps {
		if opt.before != nil {
			opt.before(s.title, d.stage)
		}
		d.heading(i+1, s)
		if err := s.play(d, ctx); err != nil {
			return failure(ctx, fmt.Sprintf("%d, %q", i+1, s.title), err, opt.Keep, d.dir)
		}
		if d.err != nil {
			return nil // nobody reads on; Run returns why
		}
	}
	return nil
}

// failure says which step did not hold.
func failure(ctx context.Context, step string, err error, kept bool, dir string) error {
	if ctx.Err() != nil {
		return fmt.Errorf("broken off in step %s: %w", step, ctx.Err())
	}
	f := &api.Fault{
		What: fmt.Sprintf("the demo failed in step %s: %v", step, err),
		Safe: "nothing outside the demo's own folder was touched, and that is removed",
		Do:   "run it again with --keep and read the log that it leaves",
	}
	if kept {
		f.Safe = "nothing outside the demo's own folder was touched"
		f.Do = fmt.Sprintf("look at %s; the daemon's log is %s in it", dir, logName)
	}
	return f
}
