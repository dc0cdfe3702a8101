package daemon

import (
	"errors"
	"fmt"
	"io/fs"
	"time"

	"copyhold/replicate"
	"copyhold/replicate/lists"
	"copyhold/replicate/transfer"
	"copyhold/replicate/volume"
	"copyhold/state"
)

// list writes the lists of the job's shoots on a drive. What it lists is read
// from the ledger while no copy to the drive runs, so that the two agree.
func (r *run) list(s *seat) {
	end := jobOver{}
	for _, id := range r.job.lists {
		if r.ctx.Err() != nil {
			break
		}
		err := r.listOne(s, id)
		if concernsDrive(err) {
			end.err = fmt.Errorf("write the list of %s: %w", id, err)
			end.cause = causeOfDrive(end.err)
			break
		}
		if err != nil { // one list is no reason to stop: the copies count without it
			r.d.log.Warn("list not written", "drive", s.drive.Name, "shoot", id.String(), "err", err)
		}
		end.listed = append(end.listed, id)
	}
	r.over(s, end)
}

// concernsDrive reports whether an error will meet everything else on the drive too.
func concernsDrive(err error) bool {
	for _, bad := range []error{volume.ErrLost, volume.ErrFull, volume.ErrReadOnly, fs.ErrPermission} {
		if errors.Is(err, bad) {
			return true
		}
	}
	return false
}

func (r *run) listOne(s *seat, id replicate.ShootID) error {
	sums, list, ok := lists.Names(id.Working, id.Name, s.drive.Traits)
	if !ok {
		return nil // a shoot whose name cannot be stored has no copies there
	}
	before, err := readList(s, list)
	if err == nil && before.Shoot != "" && (before.Shoot != id.Name || before.Working != id.Working) {
		sums, list, _ = lists.NamesOfTwin(id.Working, id.Name, s.drive.Traits)
		before, err = readList(s, list)
	}
	if err != nil {
		return err
	}
	ours, known, err := r.entries(s.drive.No, id)
	if err != nil {
		return err
	}
	all := lists.Merge(ours, before, func(path string) bool { return known[path] })
	doc := lists.List{Schema: 1, Drive: s.drive.ID, Working: id.Working, Shoot: id.Name, Written: time.Now(), Files: all}
	if err := transfer.WriteRecord(s.volume, list, doc.Marshal()); err != nil {
		return err
	}
	return transfer.WriteRecord(s.volume, sums, lists.Sums(id.Working, all, s.drive.Folder(id.Working)))
}

// readList reads the list that is there; none, or one that cannot be read, is
// an empty one: it is about to be replaced by what the ledger knows. One of a
// newer format is left alone.
func readList(s *seat, name string) (lists.List, error) {
	content, err := transfer.ReadRecord(s.volume, name)
	if errors.Is(err, fs.ErrNotExist) {
		return lists.List{}, nil
	}
	if err != nil {
		return lists.List{}, err
	}
	list, err := lists.ParseList(content)
	if err != nil && !errors.Is(err, lists.ErrNewer) {
		return lists.List{}, nil
	}
	return list, err
}

// entries are the copies of a shoot that the ledger knows on a drive, and the
// paths it knows at all.
func (r *run) entries(no replicate.DriveNo, id replicate.ShootID) (ours []lists.Entry, known map[string]bool, err error) {
	known = map[string]bool{}
	err = r.d.ledger.View(func(tx *state.Tx) error {
		var failed error
		for f := range tx.Files(id, "", &failed) {
			known[f.Path] = true
			if e, ok := entryOf(f, f.CopyOn(no)); ok {
				ours = append(ours, e)
			}
		}
		return failed
	})
	return ours, known, err
}

// entryOf is a copy as the list has it: the content the drive holds, which may
// be older than the working file.
func entryOf(f *replicate.File, c replicate.Copy) (lists.Entry, bool) {
	if c.State != replicate.Verified {
		return lists.Entry{}, false
	}
	e := lists.Entry{Path: f.Path, StoredAs: c.StoredAs, Size: c.Size, Digest: c.Digest, Verified: c.VerifiedAt}
	if f.Holds(c) {
		e.MTime, e.XXH128 = f.MTime, f.XXH128
	}
	return e, true
}
