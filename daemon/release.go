package daemon

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"time"

	"copyhold/daemon/api"
	"copyhold/replicate"
	"copyhold/replicate/volume"
)

// Releasing a drive: the file in hand is finished, or dropped when it takes too
// long; the lists are written; everything is flushed and closed. The drive then
// takes nothing until it is plugged in again, or until copying is resumed.
//
//	here ──release──▶ releasing (halt, lists) ──idle──▶ flush ──▶ released
//	  ▲                                                   │fails      │
//	  │                                                   ▼           │
//	  └────────────── plugged in again, or resume ◀── "not safe" ◀────┘

const (
	finishWithin  = 10 * time.Second // for the file in hand; then it is dropped and made again later
	releaseWithin = 60 * time.Second // for all of it
	releasePoll   = 20 * time.Millisecond
)

// ReleaseDrive implements api.Service.
func (s *service) ReleaseDrive(ctx context.Context, r api.ReleaseDrive) (out api.Drive, err error) {
	at, path, err := s.beginRelease(ctx, r.Drive)
	if err != nil {
		return out, err
	}
	if err := s.awaitIdle(ctx, at); err != nil {
		return out, err
	}
	if err := flush(path); err != nil {
		return out, &api.Fault{
			What: fmt.Sprintf("the drive %q could not be flushed: %v", at.Name, err),
			Safe: "copies that were verified before are kept; what was not is made again",
			Do:   "it is not known to be safe: unplug it only if you must",
		}
	}
	if r.Unmount {
		if err := unmount(path); err != nil {
			return out, &api.Fault{
				What: fmt.Sprintf("the drive %q could not be unmounted: %v", at.Name, err),
				Safe: "it is flushed and closed, and Copyhold does not touch it any more",
				Do:   "close what else uses it and unmount it with the file manager",
			}
		}
	}
	err = s.d.inLoop(ctx, func() {
		at.flushed = true
		s.d.world.version++
		s.d.log.Info("drive released", "drive", at.Name, "path", path)
		out = s.d.answerDrive(at.ID, time.Now())
	})
	return out, err
}

// beginRelease stops giving work to the drive.
func (s *service) beginRelease(ctx context.Context, name string) (at *driveState, path string, err error) {
	loopErr := s.d.inLoop(ctx, func() {
		var drive replicate.Drive
		if drive, err = pick(s.d.world.fleet.Drives, name); err != nil {
			return
		}
		at = s.d.world.driveByID(drive.ID)
		if !at.present {
			err = &api.Fault{
				What: fmt.Sprintf("the drive %q is not here", drive.Name), Safe: "there is nothing to release", Misuse: true,
			}
			return
		}
		at.released, at.flushed, path = true, false, at.path
		s.d.world.version++
		if at.job != nil {
			at.job.halt.Store(true)
		}
	})
	return at, path, cmp.Or(err, loopErr)
}

// awaitIdle waits until no job holds the drive and its lists are written.
func (s *service) awaitIdle(ctx context.Context, at *driveState) error {
	began := time.Now()
	for {
		idle, lost := false, false
		err := s.d.inLoop(ctx, func() {
			idle = at.job == nil && len(at.unlisted) == 0
			lost = !at.present
			if at.job != nil && time.Since(began) > finishWithin {
				at.job.drop()
			}
		})
		switch {
		case err != nil:
			return err
		case lost:
			return &api.Fault{What: fmt.Sprintf("the drive %q went away before it was released", at.Name), Safe: "finished copies are kept; the one in hand is made again", Do: "plug it in again when you can"}
		case idle:
			return nil
		case time.Since(began) > releaseWithin:
			return &api.Fault{What: fmt.Sprintf("the drive %q does not answer", at.Name), Safe: "finished copies are kept", Do: "it is not known to be safe: wait, or unplug it if you must; the copy in hand is made again"}
		}
		select {
		case <-time.After(releasePoll):
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// flush makes everything on the drive last, for a person about to pull it.
func flush(path string) error {
	done := make(chan error, 1)
	go func() { // a hung drive must not hang the answer
		v, err := volume.OpenDrive(path)
		if err == nil {
			err = errors.Join(v.Flush(), v.Close())
		}
		done <- err
	}()
	select {
	case err := <-done:
		return err
	case <-time.After(releaseWithin):
		return errors.New("it does not answer")
	}
}

// takeBack ends every release: the person said to go on.
func (w *world) takeBack() {
	for _, s := range w.drives {
		s.released, s.flushed = false, false
	}
	w.version++
}
