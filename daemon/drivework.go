package daemon

import (
	"cmp"
	"context"
	"errors"
	"io/fs"
	"path/filepath"
	"slices"
	"time"

	"copyhold/daemon/drives"
	"copyhold/replicate"
	"copyhold/replicate/transfer"
	"copyhold/replicate/volume"
	"copyhold/state"
)

// find looks for drives: at start, when something was plugged in or pulled,
// when asked, and in the rhythm of the poll, for what announces itself nowhere:
// plain folders, and drives that fail while they stay mounted.
func (d *Daemon) find(ctx context.Context) {
	hints := drives.Watch(ctx, cmp.Or(d.opt.Poll, time.Second))
	for {
		var known []replicate.Drive
		if d.inLoop(ctx, func() { known = d.world.fleet.Drives }) != nil {
			return
		}
		evidence := d.finder.Look(ctx, whereabouts(known))
		if ctx.Err() != nil || !d.send(ctx, sighting{evidence, known}) {
			return
		}
		select {
		case _, open := <-hints:
			if !open {
				return
			}
		case <-d.look:
		}
	}
}

func whereabouts(known []replicate.Drive) []drives.Where {
	var all []drives.Where
	for _, k := range known {
		if k.InUse() {
			all = append(all, drives.Where{ID: k.ID, LastPath: k.LastPath, Sub: k.Sub})
		}
	}
	return all
}

// sighting is what a look for drives found.
type sighting struct {
	evidence []replicate.Evidence
	known    []replicate.Drive // when the look began; what was adopted since may have been met half made
}

// apply implements event: it asks which drive is which, and lets those in that
// came.
func (e sighting) apply(d *Daemon, now time.Time) {
	var known []replicate.KnownDrive
	for _, s := range d.world.drives {
		met := slices.ContainsFunc(e.known, func(k replicate.Drive) bool { return k.ID == s.ID })
		if met && s.InUse() {
			known = append(known, replicate.KnownDrive{ID: s.ID, Name: s.Name, LastPath: s.LastPath, Volume: s.Volume})
		}
	}
	for _, v := range replicate.Identify(known, e.evidence) {
		s := d.world.driveByID(v.ID)
		if s == nil || !s.InUse() {
			continue
		}
		switch {
		case v.Usable():
			d.see(s, v, now)
		case v.Kind == replicate.Away:
			d.leave(s, "", now)
		default:
			d.leave(s, v.Why, now)
			s.unreadable = v.Evidence.Err != ""
		}
	}
}

// see takes in that a drive is there.
func (d *Daemon) see(s *driveState, v replicate.Verdict, now time.Time) {
	path := v.Evidence.Path
	same := s.present && s.path == path && s.doubt == "" && s.place.Mount == v.Evidence.Mount
	s.elsewhere = !same && s.job != nil
	if same || s.arriving || s.job != nil || now.Before(s.retryAt) {
		if !same && now.Before(s.retryAt) {
			d.world.wakeAt(s.retryAt)
			d.lookAt(s.retryAt)
		}
		return
	}
	s.arriving = true
	drive := s.Drive
	d.workers.Go(func() { d.events <- welcome(s, drive, path) })
}

// arrived is a drive that was opened and made ready, or was not.
type arrived struct {
	drive *driveState
	path  string
	room  replicate.Room
	place drives.Place
	err   error

	unnamed error // why its identity file did not get its new name or place
}

// welcome opens a drive that came, clears its partials and asks its room.
func welcome(s *driveState, drive replicate.Drive, path string) arrived {
	a := arrived{drive: s, path: path}
	at := seat{drive: drive, path: path}
	if a.err = at.open(); a.err != nil {
		return a
	}
	defer at.volume.Close()
	if a.place, a.err = drives.Describe(path); a.err != nil {
		return a
	}
	if a.room, a.err = at.volume.Room(); a.err != nil {
		return a
	}
	if a.err = transfer.Prepare(at.volume); a.err == nil {
		a.unnamed = at.rename()
	}
	return a
}

// apply implements event.
func (e arrived) apply(d *Daemon, now time.Time) {
	s := e.drive
	s.arriving = false
	if !s.InUse() {
		return // it was retired meanwhile
	}
	if e.unnamed != nil {
		d.log.Warn("the drive's own file was not changed", "drive", s.Name, "err", e.unnamed)
	}
	cause := causeOfDrive(e.err)
	if e.err != nil && cause != replicate.DriveReadOnly {
		d.trouble(s, cause, e.err, now)
		return
	}
	if s.trouble != replicate.DriveLost || s.path != e.path {
		s.trouble, s.fails, s.since = replicate.NoCause, 0, now
	} // else it never went: that it can be opened does not mean that it works again
	s.present, s.doubt, s.path, s.retryAt = true, "", e.path, time.Time{}
	s.released = s.released && s.place.Mount == e.place.Mount
	s.rests, s.cursors = map[replicate.ShootID]time.Time{}, map[replicate.ShootID]*cursor{}
	s.LastPath, s.LastSeen, s.Room = e.path, now, e.room
	s.Sub = subOf(e.place)
	if s.Volume == "" {
		s.Volume = e.place.Volume
	}
	d.log.Info("drive is here", "drive", s.Name, "path", e.path, "free", replicate.Size(e.room.Free))
	d.compareDisks(s, e.place)
	d.saveDrive(s, now)
	if e.err != nil {
		d.trouble(s, cause, e.err, now)
	}
	d.restandAll(now)
}

// leave takes in that a drive is away, or there but not to be used.
func (d *Daemon) leave(s *driveState, doubt string, now time.Time) {
	if !s.present && s.doubt == doubt && s.trouble == replicate.NoCause {
		return
	}
	if s.present {
		d.log.Info("drive is away", "drive", s.Name, "why", doubt)
		d.saveDrive(s, now)
	} else if doubt != "" {
		d.log.Warn("drive is not used", "drive", s.Name, "why", doubt)
	}
	s.present, s.released, s.flushed, s.doubt, s.since = false, false, false, doubt, now
	s.trouble, s.fails, s.retryAt = replicate.NoCause, 0, time.Time{}
	d.world.version++
}

// works takes in that a drive does again what is asked of it.
func (d *Daemon) works(s *driveState, now time.Time) {
	if s.trouble == replicate.DriveReadOnly || s.trouble == replicate.DriveLost {
		s.trouble, s.fails, s.since = replicate.NoCause, 0, now
		d.world.version++
	}
}

// trouble takes in that a whole drive fails. One that is lost must arrive anew;
// one that takes no writes is asked again after a while.
func (d *Daemon) trouble(s *driveState, cause replicate.Cause, err error, now time.Time) {
	if s.trouble != cause {
		s.since = now
		d.log.Warn("drive in trouble", "drive", s.Name, "why", cause.String(), "err", err)
	}
	s.trouble = cause
	s.fails++
	s.retryAt = now.Add(min(retryDrive<<min(s.fails-1, 6), 10*time.Minute))
	if cause == replicate.DriveLost {
		s.present = false
		s.retryAt = now.Add(min(time.Second<<min(s.fails-1, 8), 5*time.Minute))
		d.lookAgain()
		d.lookAt(s.retryAt)
	}
	d.world.wakeAt(s.retryAt)
	d.world.version++
}

// lookAgain asks for a look for drives.
func (d *Daemon) lookAgain() {
	select {
	case d.look <- struct{}{}:
	default:
	}
}

// lookAt asks for one later.
func (d *Daemon) lookAt(t time.Time) {
	time.AfterFunc(time.Until(t)+10*time.Millisecond, d.lookAgain)
}

// saveDrive records what changed about a drive.
func (d *Daemon) saveDrive(s *driveState, now time.Time) {
	d.putDrive(&s.Drive, now)
	d.world.refleet()
}

// rememberSeen records when the present drives were seen last.
func (d *Daemon) rememberSeen(now time.Time) {
	d.update(now, func(tx *state.Tx) error {
		for _, s := range d.world.drives {
			if !s.present {
				continue
			}
			s.LastSeen = now
			if err := tx.PutDrive(&s.Drive); err != nil {
				return err
			}
		}
		return nil
	})
}

// subOf is the drive's folder below its mount point, "" for the mount itself.
func subOf(p drives.Place) string {
	sub, err := filepath.Rel(p.MountPoint, p.Path)
	if err != nil || p.MountPoint == "" || sub == "." {
		return ""
	}
	return filepath.ToSlash(sub)
}

// compareDisks learns what shares a disk: what is there at the same time can be
// compared, and what was learned stays true while a drive is away (P8).
func (d *Daemon) compareDisks(s *driveState, at drives.Place) {
	s.place = at
	for _, other := range d.world.drives {
		if other == s || !other.present {
			continue
		}
		if joinDisks(&s.Drive, string(other.ID), drives.SharesDisk(at, other.place)) && !s.Separate {
			d.log.Info("two drives on one device", "drive", s.Name, "other", other.Name)
		}
		joinDisks(&other.Drive, string(s.ID), false) // one side is enough
	}
	for _, w := range d.world.workings {
		if w.online && joinDisks(&s.Drive, replicate.WorkingDisk(w.name), drives.SharesDisk(at, w.place)) && !s.Separate {
			d.log.Info("drive on the working drive's device", "drive", s.Name, "working", w.name)
		}
	}
}

// joinDisks notes that a drive is (not) beside another; it reports news.
func joinDisks(s *replicate.Drive, other string, joined bool) bool {
	i := slices.Index(s.Beside, other)
	switch {
	case joined && i < 0:
		s.Beside = append(s.Beside, other)
		return true
	case !joined && i >= 0:
		s.Beside = slices.Delete(s.Beside, i, i+1)
	}
	return false
}

// causeOfDrive tells what an error means for a whole drive.
func causeOfDrive(err error) replicate.Cause {
	switch {
	case err == nil:
		return replicate.NoCause
	case errors.Is(err, volume.ErrReadOnly), errors.Is(err, fs.ErrPermission):
		return replicate.DriveReadOnly
	case errors.Is(err, volume.ErrFull):
		return replicate.DriveFull
	default:
		return replicate.DriveLost
	}
}
