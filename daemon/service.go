package daemon

import (
	"cmp"
	"context"
	"slices"
	"time"

	"copyhold/daemon/api"
	"copyhold/daemon/drives"
	"copyhold/replicate"
	"copyhold/state"
)

// service answers the control socket. Questions take a view from the loop and
// read the ledger outside of it; orders that touch a drive do so outside too.
type service struct{ d *Daemon }

var _ api.Service = (*service)(nil)

func (s *service) view(ctx context.Context) (v view, err error) {
	err = s.d.inLoop(ctx, func() { v = s.d.view(time.Now()) })
	return v, err
}

func (s *service) Status(ctx context.Context) (api.Status, error) {
	v, err := s.view(ctx)
	return v.status(), err
}

func (s *service) Shoots(ctx context.Context, pattern string) (api.Shoots, error) {
	v, err := s.view(ctx)
	return shootsAnswer(v, pattern), err
}

func (s *service) Drives(ctx context.Context) (api.Drives, error) {
	v, err := s.view(ctx)
	return api.Drives{Schema: api.Schema, Drives: v.driveList()}, err
}

// ask draws a view and asks it and the ledger one question.
func ask[T any](ctx context.Context, s *service, question func(view, *state.Tx, string) (T, error), about string) (answer T, err error) {
	v, err := s.view(ctx)
	if err != nil {
		return answer, err
	}
	err = s.d.ledger.View(func(tx *state.Tx) error {
		answer, err = question(v, tx, about)
		return err
	})
	return answer, err
}

func (s *service) Shoot(ctx context.Context, name string) (api.ShootDetail, error) {
	return ask(ctx, s, shootDetail, name)
}

func (s *service) Where(ctx context.Context, pattern string) (api.Where, error) {
	return ask(ctx, s, where, pattern)
}

func (s *service) Explain(ctx context.Context, path string) (api.Explanation, error) {
	return ask(ctx, s, explain, path)
}

func (s *service) Pause(ctx context.Context, p api.Pause) (api.Status, error) {
	err := s.d.inLoop(ctx, func() {
		pause := state.Pause{On: true}
		if p.Seconds > 0 {
			pause.Until = time.Now().Add(time.Duration(p.Seconds) * time.Second)
		}
		s.d.setPause(time.Now(), pause)
	})
	if err != nil {
		return api.Status{}, err
	}
	return s.Status(ctx)
}

func (s *service) Resume(ctx context.Context) (api.Status, error) {
	goOn := func() {
		s.d.world.takeBack()
		s.d.setPause(time.Now(), state.Pause{})
	}
	if err := s.d.inLoop(ctx, goOn); err != nil {
		return api.Status{}, err
	}
	return s.Status(ctx)
}

// AddDrive adopts a drive: what it writes on it is done before the ledger
// believes it (P6).
func (s *service) AddDrive(ctx context.Context, add api.AddDrive) (api.Drive, error) {
	var known []replicate.Drive
	if err := s.d.inLoop(ctx, func() { known = slices.Clone(s.d.world.fleet.Drives) }); err != nil {
		return api.Drive{}, err
	}
	if err := resolve(&add); err != nil {
		return api.Drive{}, err
	}
	var out api.Drive
	if drive, moved := movedFolder(add.Path, known); moved {
		err := s.d.inLoop(ctx, func() { out = s.d.relocate(drive.ID, add.Path, time.Now()) })
		return out, err
	}
	if err := checkAdd(&add, s.d.opt.Config, known); err != nil {
		return api.Drive{}, err
	}
	drive, place, err := adopt(add, known, time.Now())
	if err != nil {
		return api.Drive{}, err
	}
	err = s.d.inLoop(ctx, func() { out = s.d.welcomeNew(drive, place, time.Now()) })
	return out, err
}

// welcomeNew takes a drive that was just adopted into the world. One that was
// retired before gets a new number: what it held then is not believed, it is
// found again by being read (P6). What it shares a disk with stays known (P8).
func (d *Daemon) welcomeNew(drive replicate.Drive, place drives.Place, now time.Time) api.Drive {
	w := d.world
	if before := w.driveByID(drive.ID); before != nil {
		drive.Beside = slices.Clone(before.Beside)
	}
	if !d.putDrive(&drive, now) {
		return api.Drive{}
	}
	state := w.addDrive(drive, nil, now)
	arrived{drive: state, path: drive.LastPath, room: drive.Room, place: place}.apply(d, now)
	d.log.Info("drive adopted", "drive", drive.Name, "path", drive.LastPath, "place", string(drive.Place))
	return d.answerDrive(drive.ID, now)
}

// relocate looks for a drive in the folder where the person says it is now.
func (d *Daemon) relocate(id replicate.DriveID, path string, now time.Time) api.Drive {
	at := d.world.driveByID(id)
	at.LastPath = path
	d.saveDrive(at, now)
	d.log.Info("drive was moved", "drive", at.Name, "path", path)
	d.lookAgain()
	return d.answerDrive(id, now)
}

func (d *Daemon) putDrive(drive *replicate.Drive, now time.Time) bool {
	return d.update(now, func(tx *state.Tx) error { return tx.PutDrive(drive) })
}

func (d *Daemon) answerDrive(id replicate.DriveID, now time.Time) (answer api.Drive) {
	for _, out := range d.view(now).driveList() {
		if out.ID == string(id) {
			answer = out // the last one: those before it are retired
		}
	}
	return answer
}

func (s *service) ChangeDrive(ctx context.Context, c api.ChangeDrive) (out api.Drive, err error) {
	var drive replicate.Drive
	path := ""
	loopErr := s.d.inLoop(ctx, func() {
		now := time.Now()
		known := s.d.world.fleet.Drives
		if drive, err = pick(known, c.Drive); err != nil {
			return
		}
		if drive, err = changed(drive, c, known, now); err != nil {
			return
		}
		at := s.d.world.driveByID(drive.ID)
		at.Drive = drive
		s.d.saveDrive(at, now)
		if at.present {
			path = at.path
		}
		if !drive.InUse() {
			s.d.leave(at, "", now)
		}
		s.d.restandAll(now)
		out = s.d.answerDrive(drive.ID, now)
	})
	if loopErr != nil || err != nil {
		return out, cmp.Or(err, loopErr)
	}
	if path != "" {
		if err := writeChange(drive, path); err != nil {
			s.d.log.Warn("the drive's own file was not changed", "drive", drive.Name, "err", err)
		}
	}
	return out, nil
}
