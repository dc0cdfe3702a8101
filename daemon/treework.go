package daemon

import (
	"time"

	"copyhold/daemon/drives"
	"copyhold/replicate"
	"copyhold/state"
)

// workingHere: the folder is there and believed.
type workingHere struct {
	name     string
	place    drives.Place
	scanning bool
}

func (e workingHere) apply(d *Daemon, now time.Time) {
	w := d.world.working(e.name)
	w.scanning = e.scanning
	d.world.version++
	if w.online && w.place.Mount == e.place.Mount && w.place.Folder == e.place.Folder {
		w.place = e.place
		return
	}
	w.online, w.why, w.since, w.place = true, "", now, e.place
	d.log.Info("working folder is here", "working", w.name, "path", w.path)
	for _, s := range d.world.drives {
		s.rests = map[replicate.ShootID]time.Time{}
	}
	d.update(now, func(tx *state.Tx) error {
		return tx.PutWorkingFolder(w.name, state.WorkingFolder{Path: w.path, Volume: e.place.Volume, Folder: e.place.Folder})
	})
	for _, s := range d.world.drives {
		if s.present {
			d.compareDisks(s, s.place)
			d.saveDrive(s, now)
		}
	}
	d.restandAll(now)
}

// workingAway: the folder is not there, or something else is.
type workingAway struct{ name, why string }

func (e workingAway) apply(d *Daemon, now time.Time) {
	w := d.world.working(e.name)
	w.scanning = false
	if !w.online && w.why == e.why {
		return
	}
	w.online, w.why, w.since = false, e.why, now
	d.world.version++
	d.log.Info("working folder is away", "working", w.name, "why", e.why)
}

// limitMet: the system grants no more watches (or does again, with 0).
type limitMet struct {
	name    string
	watched int
}

func (e limitMet) apply(d *Daemon, _ time.Time) {
	d.world.working(e.name).limited = e.watched
	d.world.version++
}

// scanned: a scan ended well.
type scanned struct {
	working string
	all     bool
	closed  map[string]bool
	files   int
	took    time.Duration
}

func (e scanned) apply(d *Daemon, _ time.Time) {
	w := d.world.working(e.working)
	w.scanning = false
	d.world.version++
	if e.all {
		w.closed = e.closed
		d.log.Info("scanned", "working", e.working, "files", e.files, "took", e.took.Round(time.Millisecond))
	}
}

// apply implements event: it takes in what a scan found in one shoot.
func (c changes) apply(d *Daemon, now time.Time) {
	d.update(now, func(tx *state.Tx) error {
		for _, change := range c.found {
			if err := d.takeIn(tx, c, change, now); err != nil {
				return err
			}
		}
		return nil
	})
}

func (d *Daemon) takeIn(tx *state.Tx, c changes, change replicate.Change, now time.Time) error {
	if change.Kind == replicate.Gone {
		return d.takeOut(tx, change.File.FileID, c.archive, now)
	}
	id := replicate.FileID{Working: c.shoot.Working, Path: change.Seen.Path}
	if d.world.settling.Moving(id) {
		since, settled := d.lookAtFile(id, change.Seen, c.at, false)
		if !settled {
			return nil
		}
		c.at = since
	}
	return d.putSeen(tx, id, change.Seen, c.at, now)
}

// putSeen records what a file is now. A file that is as it was known stays as
// it was, copies and all.
func (d *Daemon) putSeen(tx *state.Tx, id replicate.FileID, seen replicate.Seen, since, now time.Time) error {
	f, err := tx.File(id)
	if err != nil {
		return err
	}
	if f == nil {
		f = &replicate.File{FileID: id}
	}
	life := replicate.Here
	if seen.What == replicate.Special {
		life = replicate.Skipped
	}
	if f.SeenAt.IsZero() || !f.Stat.Same(seen.Stat) {
		f.Digest, f.XXH128 = replicate.Digest{}, replicate.XXH128{}
		f.Stat, f.SeenAt, f.Attempt = seen.Stat, since, replicate.Attempt{}
	}
	f.Life, f.GoneAt = life, time.Time{}
	d.world.settleUntil(f.SeenAt.Add(d.world.settle))
	return tx.PutFile(f, now)
}

// takeOut records that a file is gone. One that no drive ever held is forgotten.
func (d *Daemon) takeOut(tx *state.Tx, id replicate.FileID, archive bool, now time.Time) error {
	d.world.settling.Forget(id)
	f, err := tx.File(id)
	if err != nil || f == nil {
		return err
	}
	held := false
	for _, c := range f.Copies {
		held = held || c.State != replicate.Missing
	}
	if !held {
		return tx.DeleteFile(id, now)
	}
	f.Life, f.GoneAt = replicate.LetGo, now
	if archive {
		f.Life = replicate.Archived
	}
	return tx.PutFile(f, now)
}

// apply implements event: it takes in looks at single paths.
func (l looked) apply(d *Daemon, now time.Time) {
	d.update(now, func(tx *state.Tx) error {
		for _, seen := range l.seen {
			id := replicate.FileID{Working: l.working, Path: seen.Path}
			if err := d.takeLook(tx, id, seen, l, now); err != nil {
				return err
			}
		}
		return nil
	})
	for _, path := range l.gone {
		id := replicate.FileID{Working: l.working, Path: path}
		d.world.settling.Forget(id)
		d.rescanSoon(d.shootOfGone(id), now)
	}
	d.world.version++
}

// shootOfGone: the path that is gone may have been a shoot's folder.
func (d *Daemon) shootOfGone(id replicate.FileID) replicate.ShootID {
	if whole := (replicate.ShootID{Working: id.Working, Name: id.Path}); d.world.shoots[whole] != nil {
		return whole
	}
	return id.Shoot()
}

func (d *Daemon) takeLook(tx *state.Tx, id replicate.FileID, seen replicate.Seen, l looked, now time.Time) error {
	f, err := tx.File(id)
	if err != nil {
		return err
	}
	known := f != nil && f.Life == replicate.Here && f.Stat.Same(seen.Stat)
	switch {
	case known && !d.world.settling.Moving(id):
		return nil
	case seen.What == replicate.Special:
		if f != nil && f.Life == replicate.Skipped {
			return nil
		}
		return d.putSeen(tx, id, seen, l.at, now)
	}
	if since, settled := d.lookAtFile(id, seen, l.at, l.event); settled {
		return d.putSeen(tx, id, seen, since, now)
	}
	return nil
}

// lookAtFile follows a file in motion and reports when it rests.
func (d *Daemon) lookAtFile(id replicate.FileID, seen replicate.Seen, at time.Time, event bool) (time.Time, bool) {
	since, settled := d.world.settling.Look(id, seen.Stat, at, event)
	if !settled {
		d.world.settleUntil(at.Add(d.world.settle))
	}
	return since, settled
}

// settleUntil asks the loop to look at what settles at t.
func (w *world) settleUntil(t time.Time) {
	if w.settleAt.IsZero() || t.Before(w.settleAt) {
		w.settleAt = t
	}
}

// settleGrain joins files that rest at about the same time, so that a hundred
// thousand of them are not gone through for each one.
const settleGrain = 100 * time.Millisecond

// settle asks the trees to look at the files that may rest by now, and to scan
// the shoots that something left.
func (d *Daemon) settle(now time.Time) {
	w := d.world
	if w.settleAt.IsZero() || now.Before(w.settleAt) {
		return
	}
	due, next := w.settling.Due(now)
	w.settleAt = next
	if soonest := now.Add(settleGrain); !next.IsZero() && next.Before(soonest) {
		w.settleAt = soonest
	}
	for _, id := range due {
		d.trees[id.Working].ask(func(r *request) { r.files[id] = true })
	}
	if len(due) > 0 {
		w.settleUntil(now.Add(w.settle)) // should the look not come back
	}
	for _, s := range w.workings {
		for id, at := range s.rescan {
			if at.After(now) {
				w.settleUntil(at)
				continue
			}
			delete(s.rescan, id)
			d.trees[id.Working].ask(func(r *request) { r.shoots[id.Name] = true })
		}
	}
}

// rescanSoon scans a shoot once it has been quiet for a while.
func (d *Daemon) rescanSoon(id replicate.ShootID, now time.Time) {
	w := d.world.working(id.Working)
	if w == nil {
		return
	}
	at := now.Add(d.world.settle)
	w.rescan[id] = at
	d.world.settleUntil(at)
}
