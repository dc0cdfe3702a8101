package daemon

import (
	"context"
	"fmt"
	"slices"
	"sync/atomic"
	"time"

	"golang.org/x/time/rate"

	"copyhold/replicate"
	"copyhold/replicate/transfer"
	"copyhold/replicate/volume"
	"copyhold/state"
)

const (
	jobFiles   = 256
	jobBytes   = 4 << 30
	lookFiles  = 20_000           // files looked at for one job, so that the loop stays quick
	listPause  = 30 * time.Second // at most so long do a drive's lists wait for its copies to end
	retryDrive = 10 * time.Second
)

// job is work for one or several drives: files of one working folder to copy,
// or lists to write.
type job struct {
	tasks  []transfer.Task
	lists  []replicate.ShootID
	drives []*driveState
	halt   atomic.Bool        // stop after the file in hand
	drop   context.CancelFunc // give up the file in hand
}

// dispatch gives work to every drive that is idle.
func (d *Daemon) dispatch(ctx context.Context, now time.Time) {
	w := d.world
	if !w.wake.IsZero() && !w.wake.After(now) {
		w.wake = time.Time{}
	}
	if w.paused && !w.isPaused(now) {
		d.setPause(now, state.Pause{})
	}
	w.wakeAt(w.pausedUntil)
	for _, s := range w.drives {
		if !s.usable(now) {
			if s.trouble != replicate.NoCause && s.present {
				w.wakeAt(s.retryAt)
			}
			continue
		}
		switch j := d.nextJob(s, now); {
		case j != nil:
			d.start(ctx, j, now)
		case s.trouble == replicate.DriveLost && !d.wants(s):
			d.works(s, now) // nothing is left that it could fail at
		}
	}
}

// wants reports whether a drive lacks anything.
func (d *Daemon) wants(s *driveState) bool {
	for _, shoot := range d.world.shoots {
		if shoot.cover.Drives[s.No].Wanted.Files > 0 {
			return true
		}
	}
	return len(s.unlisted) > 0
}

// usable reports whether the drive can take work now.
func (s *driveState) usable(now time.Time) bool {
	return s.InUse() && s.present && s.job == nil && s.doubt == "" && !now.Before(s.retryAt)
}

// nextJob is the most urgent work of a drive: files, or its lists when there
// are none or they waited long enough.
func (d *Daemon) nextJob(s *driveState, now time.Time) *job {
	late := len(s.unlisted) > 0 && (s.released || now.Sub(s.listedAt) > listPause)
	if !late && !s.released && !d.world.isPaused(now) {
		if j := d.copyJob(s, now); j != nil {
			return j
		}
	}
	if len(s.unlisted) == 0 {
		return nil
	}
	j := &job{drives: []*driveState{s}}
	for id := range s.unlisted {
		j.lists = append(j.lists, id)
	}
	return j
}

// copyJob looks for the files that the drive should take next. Other idle
// drives that want them too join, so that each source is read once.
func (d *Daemon) copyJob(s *driveState, now time.Time) *job {
	var found []*replicate.File
	for _, c := range d.candidates(s, now) {
		files, err := d.wanted(s, c.ID, now)
		if err != nil {
			d.log.Error("the ledger cannot be read", "err", err)
			d.fatal = err
			d.stop()
			return nil
		}
		if len(files) > 0 {
			found = files
			break
		}
	}
	if len(found) == 0 {
		return nil
	}
	j := &job{}
	for _, other := range d.world.drives {
		if other == s || other.usable(now) && !other.released {
			j.drives = append(j.drives, other)
		}
	}
	for _, f := range found {
		task := transfer.Task{File: *f, To: map[replicate.DriveNo]transfer.Order{}}
		for _, to := range j.drives {
			if a := d.decide(f, to, now); a.Copies() {
				task.To[to.No] = orderFor(f, to, a)
			}
		}
		j.tasks = append(j.tasks, task)
	}
	j.drives = slices.DeleteFunc(j.drives, func(o *driveState) bool {
		return !slices.ContainsFunc(j.tasks, func(t transfer.Task) bool { _, wants := t.To[o.No]; return wants })
	})
	return j
}

func orderFor(f *replicate.File, to *driveState, a replicate.Action) transfer.Order {
	return transfer.Order{Keep: a.Kind == replicate.KeepThenCopy, StoredAs: f.CopyOn(to.No).StoredAs}
}

// candidates are the shoots the drive wants files of, in the order to take them.
func (d *Daemon) candidates(s *driveState, now time.Time) []replicate.Candidate {
	var all []replicate.Candidate
	for id, shoot := range d.world.shoots {
		wanted, rest := shoot.cover.Drives[s.No].Wanted.Files, s.rests[id]
		switch {
		case wanted == 0:
		case now.Before(rest):
			d.world.wakeAt(rest)
		default:
			all = append(all, replicate.Candidate{ID: id, Copies: shoot.cover.Copies, Wanted: int(wanted)})
		}
	}
	replicate.Order(all)
	return all
}

// forever stands for "until something changes".
const forever = 1000 * time.Hour

// wanted collects the files of a shoot that can be copied to the drive now. It
// goes on where it stopped the last time; a whole pass that finds nothing lets
// the shoot rest until time or a change may help.
func (d *Daemon) wanted(s *driveState, id replicate.ShootID, now time.Time) (found []*replicate.File, err error) {
	c := s.cursors[id]
	if c == nil {
		c = &cursor{}
		s.cursors[id] = c
	}
	ended := false
	err = d.ledger.View(func(tx *state.Tx) (err error) {
		found, ended, err = d.collect(tx, s, id, c, now)
		return err
	})
	c.found = c.found || len(found) > 0
	if !ended || c.found {
		d.world.wakeAt(now) // the pass is not whole yet, or another one may find more
	} else {
		s.rests[id] = now.Add(forever)
		if !c.rest.IsZero() {
			s.rests[id] = c.rest
		}
		d.world.wakeAt(s.rests[id])
	}
	if ended {
		delete(s.cursors, id)
	}
	return found, err
}

// collect goes on with a pass until a job is full or the loop waited long
// enough; ended is true when the pass came to the last file.
func (d *Daemon) collect(tx *state.Tx, s *driveState, id replicate.ShootID, c *cursor, now time.Time) (found []*replicate.File, ended bool, failed error) {
	var bytes int64
	looked := 0
	for f := range tx.Files(id, c.after, &failed) {
		if len(found) >= jobFiles || bytes >= jobBytes || looked >= lookFiles {
			return found, false, failed
		}
		c.after = f.Path
		looked++
		switch a := d.decide(f, s, now); {
		case a.Copies():
			found = append(found, f)
			bytes += f.Size
		case a.Kind == replicate.Wait && !a.Until.IsZero() && (c.rest.IsZero() || a.Until.Before(c.rest)):
			c.rest = a.Until
		}
	}
	return found, true, failed
}

// decide asks what to do about a file on a drive in the scene of now.
func (d *Daemon) decide(f *replicate.File, s *driveState, now time.Time) replicate.Action {
	return replicate.Next(f, s.Drive, d.world.scene(f.Working, s, now), now)
}

func (w *world) scene(working string, s *driveState, now time.Time) replicate.Scene {
	at := w.working(working)
	return replicate.Scene{
		Present:  s.present && s.doubt == "",
		Troubled: s.trouble == replicate.DriveReadOnly && now.Before(s.retryAt),
		Working:  at != nil && at.online,
		Paused:   w.isPaused(now),
		Settle:   w.settle,
	}
}

// start runs a job beside the loop.
func (d *Daemon) start(ctx context.Context, j *job, now time.Time) {
	for _, s := range j.drives {
		s.job = j
		s.meter.start(now)
	}
	d.world.version++
	// What the job needs of the world is copied here: the world is the loop's.
	ctx, j.drop = context.WithCancel(ctx)
	r := run{d: d, ctx: ctx, job: j, rate: int(d.opt.Config.Limits.Rate)}
	for _, s := range j.drives {
		r.seats = append(r.seats, seat{state: s, drive: s.Drive, path: s.path})
	}
	if len(j.tasks) > 0 {
		r.source = d.world.working(j.tasks[0].File.Working).path
	}
	d.workers.Go(r.run)
}

// run is a job under way. It runs outside the loop and tells it by events.
type run struct {
	d      *Daemon
	ctx    context.Context
	job    *job
	source string
	rate   int
	seats  []seat
}

// seat is one drive's part in a job.
type seat struct {
	state  *driveState // only handed back to the loop, and its meter
	drive  replicate.Drive
	path   string
	volume *volume.Drive
}

// jobOver tells the loop that a drive is idle again.
type jobOver struct {
	drive  *driveState
	cause  replicate.Cause // of a failure that concerns the whole drive
	err    error
	listed []replicate.ShootID
	room   replicate.Room
}

func (r *run) run() {
	defer r.job.drop()
	var open []*seat
	for i := range r.seats {
		s := &r.seats[i]
		if err := s.open(); err != nil {
			r.over(s, jobOver{cause: causeOfDrive(err), err: err})
			continue
		}
		open = append(open, s)
	}
	switch {
	case len(open) == 0:
	case len(r.job.lists) > 0:
		r.list(open[0])
	default:
		r.copy(open)
	}
}

// open holds the drive and makes sure that it is the one (P7).
func (s *seat) open() error {
	v, err := volume.OpenDrive(s.path)
	if err != nil {
		return err
	}
	id, err := transfer.ReadIdentity(v)
	if err == nil && id.ID != s.drive.ID {
		err = fmt.Errorf("%s: another drive is there now: %w", s.path, volume.ErrLost)
	}
	if err != nil {
		v.Close()
		return err
	}
	s.volume = v
	return nil
}

func (r *run) copy(seats []*seat) {
	src, err := volume.OpenSource(r.source)
	if err != nil {
		for _, s := range seats {
			r.over(s, jobOver{err: err})
		}
		return
	}
	defer src.Close()
	targets := make([]transfer.Target, len(seats))
	byNo := map[replicate.DriveNo]*seat{}
	for i, s := range seats {
		targets[i] = transfer.Target{Drive: s.drive.No, Volume: s.volume, Traits: s.drive.Traits, Limit: r.limit()}
		byNo[s.drive.No] = s
	}
	engine := transfer.Engine{
		Result:   func(res transfer.Result) { r.d.results <- res },
		Progress: func(p transfer.Progress) { byNo[p.Drive].state.meter.note(p, time.Now()) },
		Halt:     r.job.halt.Load,
	}
	engine.Copy(r.ctx, src, r.job.tasks, targets, func(no replicate.DriveNo) { r.over(byNo[no], jobOver{}) })
}

func (r *run) limit() *rate.Limiter {
	if r.rate == 0 {
		return nil
	}
	return rate.NewLimiter(rate.Limit(r.rate), transfer.BufferSize)
}

// over closes the drive, so that it can be unmounted, and tells the loop.
func (r *run) over(s *seat, end jobOver) {
	if s.volume != nil {
		if room, err := s.volume.Room(); err == nil {
			end.room = room
		}
		_ = s.volume.Close() // every write was synced and checked before
	}
	end.drive = s.state
	r.d.events <- end
}

// apply implements event.
func (e jobOver) apply(d *Daemon, now time.Time) {
	select { // what the drive did before it fell idle is recorded first, or it would be asked for again
	case r := <-d.results:
		d.record(d.gather(r), now)
	default:
	}
	s := e.drive
	lists := s.job != nil && len(s.job.lists) > 0
	s.job = nil
	s.meter.stop()
	if e.cause != replicate.DriveLost {
		s.LastSeen = now
	}
	if e.room.Size > 0 {
		s.Room = e.room
	}
	for _, id := range e.listed {
		delete(s.unlisted, id)
	}
	if lists {
		s.listedAt = now // also when they failed: copies go first then
	}
	if len(e.listed) > 0 {
		d.update(now, func(tx *state.Tx) error {
			for _, id := range e.listed {
				if err := tx.ClearUnlisted(s.No, id); err != nil {
					return err
				}
			}
			return nil
		})
	}
	if s.elsewhere {
		s.elsewhere = false
		d.lookAgain()
	}
	switch {
	case e.cause == replicate.DriveLost && !s.present: // unplugged, and seen to be
	case e.cause != replicate.NoCause:
		d.trouble(s, e.cause, e.err, now)
	case e.err != nil:
		d.log.Warn("a job could not start", "drive", s.Name, "err", e.err)
		s.retryAt = now.Add(time.Second)
		d.world.wakeAt(s.retryAt)
		d.lookAgain()
	}
	d.world.version++
}
