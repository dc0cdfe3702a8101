package daemon

import (
	"time"

	"copyhold/replicate"
	"copyhold/replicate/transfer"
	"copyhold/state"
)

// record takes in results: on the drives they are true already, now they are
// believed (P6).
func (d *Daemon) record(results []transfer.Result, now time.Time) {
	rescans := map[replicate.FileID]bool{}
	d.update(now, func(tx *state.Tx) error {
		for _, r := range results {
			if err := d.recordOne(tx, r, now); err != nil {
				return err
			}
		}
		return nil
	})
	for _, r := range results {
		d.logResult(r)
		s := d.world.driveByNo(r.Drive)
		switch {
		case r.Err == nil:
			if len(s.unlisted) == 0 {
				s.listedAt = now
			}
			s.unlisted[r.File.Shoot()] = true
			d.works(s, now)
		case r.Cause == replicate.SourceGone:
			rescans[r.File] = true
		case r.Cause == replicate.DriveLost && !s.present: // unplugged, and seen to be
		case r.Cause == replicate.DriveLost, r.Cause == replicate.DriveReadOnly:
			if s.trouble != r.Cause || !now.Before(s.retryAt) { // once for all files of a job
				d.trouble(s, r.Cause, r.Err, now)
			}
		}
	}
	for id := range rescans {
		d.rescanSoon(id.Shoot(), now)
	}
}

func (d *Daemon) recordOne(tx *state.Tx, r transfer.Result, now time.Time) error {
	f, err := tx.File(r.File)
	if err != nil || f == nil {
		return err // nil: it was forgotten while it was copied
	}
	if r.Err == nil {
		recordCopy(f, r)
		if err := tx.MarkUnlisted(r.Drive, f.Shoot()); err != nil {
			return err
		}
		return tx.PutFile(f, now)
	}
	if recordFailure(f, r, now) {
		return tx.PutFile(f, now)
	}
	return nil
}

// recordCopy: the drive holds what was read. If the file has changed since, the
// copy is one of earlier content.
func recordCopy(f *replicate.File, r transfer.Result) {
	if f.Stat.Same(r.Stat) {
		f.Digest, f.XXH128 = r.Digest, r.XXH128
		f.Attempt = replicate.Attempt{}
	}
	f.SetCopy(replicate.Copy{
		Drive: r.Drive, State: replicate.Verified, Digest: r.Digest, Size: r.Stat.Size,
		VerifiedAt: r.At, StoredAs: r.StoredAs,
	})
}

// recordFailure notes a failure so that it is told and tried again later. It
// is false when nothing is to be noted: a failure of the whole drive is not one
// of each file.
func recordFailure(f *replicate.File, r transfer.Result, now time.Time) bool {
	if r.Kept != "" { // what stood under the name was moved, and nothing took its place (P6)
		c := f.CopyOn(r.Drive)
		c.State, c.Digest, c.VerifiedAt = replicate.Missing, replicate.Digest{}, time.Time{}
		f.SetCopy(c)
	}
	switch {
	case f.Life != replicate.Here:
		return r.Kept != "" // it left meanwhile; what is known of it stays
	case r.Cause == replicate.SourceChanging && !r.Stat.MTime.IsZero() && !f.Stat.Same(r.Stat):
		f.Stat, f.SeenAt = r.Stat, now
		f.Digest, f.XXH128 = replicate.Digest{}, replicate.XXH128{}
		return true
	case r.Cause.OfSource():
		if now.Before(f.Attempt.RetryAt) {
			return false // another drive's result of the same reading
		}
		f.Attempt = f.Attempt.Failed(r.Cause, now)
		return true
	case r.Cause == replicate.DriveLost, r.Cause == replicate.DriveReadOnly:
		return r.Kept != ""
	default:
		c := f.CopyOn(r.Drive)
		c.Attempt = c.Attempt.Failed(r.Cause, now)
		f.SetCopy(c)
		return true
	}
}

func (d *Daemon) logResult(r transfer.Result) {
	name := d.world.driveByNo(r.Drive).Name
	switch {
	case r.Err == nil && r.Kept != "":
		d.log.Info("copied, earlier version kept", "drive", name, "file", r.File.String(), "bytes", r.Stat.Size, "took", r.Took, "kept", r.Kept)
	case r.Err == nil && r.Found:
		d.log.Debug("verified what was there", "drive", name, "file", r.File.String(), "bytes", r.Stat.Size, "took", r.Took)
	case r.Err == nil:
		d.log.Debug("copied and verified", "drive", name, "file", r.File.String(), "bytes", r.Stat.Size, "took", r.Took)
	case r.Cause == replicate.SourceChanging, r.Cause == replicate.SourceGone:
		d.log.Debug("not copied yet", "drive", name, "file", r.File.String(), "why", r.Cause.String())
	default:
		d.log.Warn("not copied", "drive", name, "file", r.File.String(), "why", r.Cause.String(), "err", r.Err)
	}
}

func (w *world) driveByNo(no replicate.DriveNo) *driveState {
	for _, s := range w.drives {
		if s.No == no {
			return s
		}
	}
	return &driveState{} // no job is given to a drive that is not in the world
}

// setPause records a pause or its end.
func (d *Daemon) setPause(now time.Time, p state.Pause) {
	w := d.world
	if !d.update(now, func(tx *state.Tx) error { return tx.PutPause(p) }) {
		return
	}
	w.paused, w.pausedUntil = p.On, p.Until
	w.version++
	for _, s := range w.drives {
		if p.On && s.job != nil {
			s.job.halt.Store(true)
		}
		s.rests = map[replicate.ShootID]time.Time{}
	}
	d.log.Info("pause", "on", p.On, "until", p.Until)
}
