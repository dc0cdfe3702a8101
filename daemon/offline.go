package daemon

import (
	"context"
	"errors"
	"fmt"
	"os"
	"time"

	"copyhold/daemon/api"
	"copyhold/replicate"
	"copyhold/state"
)

// Offline answers without a running daemon, from the ledger as it was left.
// Questions open it read-only and change no byte.
type Offline struct{ opt Options }

var _ api.Service = (*Offline)(nil)

// OpenOffline returns the service for when no daemon runs.
func OpenOffline(opt Options) (*Offline, error) { return &Offline{opt: opt}, nil }

// Close implements io.Closer.
func (o *Offline) Close() error { return nil }

// view draws the view of the ledger and asks it a question. Without a ledger
// the view is empty.
func (o *Offline) view(question func(view, *state.Tx) error) error {
	now := time.Now()
	w := newWorld(o.opt.Config)
	for _, s := range w.workings {
		s.why = "Copyhold is not running"
	}
	ledger, err := state.OpenReadOnly(o.opt.StateDir)
	if errors.Is(err, state.ErrNone) {
		return question(o.draw(w, now), nil)
	}
	if err != nil {
		return ledgerFault(err)
	}
	defer ledger.Close()
	return ledger.View(func(tx *state.Tx) error {
		if err := w.load(tx, now); err != nil {
			return err
		}
		return question(o.draw(w, now), tx)
	})
}

// draw leaves out the notices about the moment: nobody looked.
func (o *Offline) draw(w *world, now time.Time) view {
	v := viewOf(w, now)
	v.daemon = api.Daemon{Version: o.opt.Version, Paused: w.isPaused(now)}
	kept := v.notices[:0]
	for _, n := range v.notices {
		if n.Code != replicate.NoticeWorkingAway {
			kept = append(kept, n)
		}
	}
	v.notices = kept
	return v
}

// Status implements api.Service.
func (o *Offline) Status(context.Context) (out api.Status, err error) {
	err = o.view(func(v view, _ *state.Tx) error { out = v.status(); return nil })
	return out, err
}

// Shoots implements api.Service.
func (o *Offline) Shoots(_ context.Context, pattern string) (out api.Shoots, err error) {
	err = o.view(func(v view, _ *state.Tx) error { out = shootsAnswer(v, pattern); return nil })
	return out, err
}

// Drives implements api.Service.
func (o *Offline) Drives(context.Context) (out api.Drives, err error) {
	err = o.view(func(v view, _ *state.Tx) error {
		out = api.Drives{Schema: api.Schema, Drives: v.driveList()}
		return nil
	})
	return out, err
}

// noLedger: the question is about something that nobody has seen yet.
func noLedger() error {
	return &api.Fault{What: "nothing is known yet: Copyhold has not run with this state folder", Do: "start it: copyhold run"}
}

func offlineAsk[T any](o *Offline, question func(view, *state.Tx, string) (T, error), about string) (out T, err error) {
	err = o.view(func(v view, tx *state.Tx) error {
		if tx == nil {
			return noLedger()
		}
		out, err = question(v, tx, about)
		return err
	})
	return out, err
}

// Shoot implements api.Service.
func (o *Offline) Shoot(_ context.Context, name string) (api.ShootDetail, error) {
	return offlineAsk(o, shootDetail, name)
}

// Where implements api.Service.
func (o *Offline) Where(_ context.Context, pattern string) (api.Where, error) {
	return offlineAsk(o, where, pattern)
}

// Explain implements api.Service.
func (o *Offline) Explain(_ context.Context, path string) (api.Explanation, error) {
	return offlineAsk(o, explain, path)
}

// change opens the ledger for writing, which no daemon has open now.
func (o *Offline) change(fn func(tx *state.Tx, known []replicate.Drive) error) error {
	if err := os.MkdirAll(o.opt.StateDir, 0o700); err != nil {
		return fmt.Errorf("make the state folder: %w", err)
	}
	ledger, err := state.Open(o.opt.StateDir)
	if err != nil {
		return ledgerFault(err)
	}
	defer ledger.Close()
	return ledger.Update(func(tx *state.Tx) error {
		known, err := tx.Drives()
		if err != nil {
			return err
		}
		return fn(tx, known)
	})
}

// AddDrive implements api.Service.
func (o *Offline) AddDrive(ctx context.Context, add api.AddDrive) (api.Drive, error) {
	var id replicate.DriveID
	err := o.change(func(tx *state.Tx, known []replicate.Drive) error {
		if err := resolve(&add); err != nil {
			return err
		}
		if drive, moved := movedFolder(add.Path, known); moved {
			id, drive.LastPath = drive.ID, add.Path
			return tx.PutDrive(&drive)
		}
		if err := checkAdd(&add, o.opt.Config, known); err != nil {
			return err
		}
		drive, _, err := adopt(add, known, time.Now())
		if err != nil {
			return err
		}
		for _, k := range known {
			if k.ID == drive.ID {
				drive.Beside = k.Beside // see Daemon.welcomeNew
			}
		}
		id = drive.ID
		return tx.PutDrive(&drive)
	})
	if err != nil {
		return api.Drive{}, err
	}
	return o.drive(ctx, id)
}

// ChangeDrive implements api.Service. The drive's own file follows when the
// daemon meets the drive.
func (o *Offline) ChangeDrive(ctx context.Context, c api.ChangeDrive) (api.Drive, error) {
	var drive replicate.Drive
	err := o.change(func(tx *state.Tx, known []replicate.Drive) (err error) {
		if drive, err = pick(known, c.Drive); err != nil {
			return err
		}
		if drive, err = changed(drive, c, known, time.Now()); err != nil {
			return err
		}
		return tx.PutDrive(&drive)
	})
	if err != nil {
		return api.Drive{}, err
	}
	return o.drive(ctx, drive.ID)
}

func (o *Offline) drive(ctx context.Context, id replicate.DriveID) (api.Drive, error) {
	all, err := o.Drives(ctx)
	var found api.Drive
	for _, d := range all.Drives {
		if d.ID == string(id) {
			found = d // the last one: those before it are retired
		}
	}
	return found, err
}

// ReleaseDrive implements api.Service.
func (o *Offline) ReleaseDrive(context.Context, api.ReleaseDrive) (api.Drive, error) {
	return api.Drive{}, &api.Fault{
		What: "Copyhold is not running, so it holds no drive", Safe: "nothing is being written by it",
		Do: "unmount the drive with the file manager before you unplug it",
	}
}

func notRunning() error {
	return &api.Fault{What: "Copyhold is not running, so there is nothing to pause or resume", Safe: "nothing is being copied", Do: "start it: copyhold run"}
}

// Pause implements api.Service.
func (o *Offline) Pause(context.Context, api.Pause) (api.Status, error) {
	return api.Status{}, notRunning()
}

// Resume implements api.Service.
func (o *Offline) Resume(context.Context) (api.Status, error) { return api.Status{}, notRunning() }
