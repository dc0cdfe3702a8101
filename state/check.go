package state

import (
	"errors"
	"fmt"
	"maps"
	"strings"

	"copyhold/replicate"
)

// Check proves that the ledger is whole: the database's own pages, every value,
// every copy's drive, and each shoot's tally against its files. It returns all
// that is wrong, joined. Updates wait until it is done.
func (l *Ledger) Check() (err error) {
	defer recovered(&err)
	tx, err := l.db.Begin(!l.db.IsReadOnly()) // the database's own check bears no writer beside it
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, tx.Rollback()) }()
	if err := provePages(l.Path(), true); err != nil {
		return err
	}
	var wrong []error
	for err := range tx.Check() {
		wrong = append(wrong, fmt.Errorf("%w: %w", ErrCorrupt, err))
	}
	t := newTx(tx)
	return errors.Join(errors.Join(wrong...), t.checkTallies(), t.checkRest())
}

func (t *Tx) checkTallies() error {
	drives, err := t.Drives()
	if err != nil {
		return err
	}
	fleet := replicate.NewFleet(drives)
	counted := map[replicate.ShootID]replicate.Tally{}
	var wrong []error
	err = t.tx.Bucket(filesBucket).ForEach(func(k, v []byte) error {
		f, err := decodeFile(k, v)
		if err != nil {
			wrong = append(wrong, err)
			return nil
		}
		if counted[f.Shoot()] == nil {
			counted[f.Shoot()] = replicate.Tally{}
		}
		counted[f.Shoot()].Add(f)
		wrong = append(wrong, checkCopies(f, fleet)...)
		return nil
	})
	shoots, shootsErr := t.Shoots()
	for _, s := range shoots {
		if !maps.Equal(s.Tally, counted[s.ID]) {
			wrong = append(wrong, fmt.Errorf("shoot %s: its tally is not the sum of its files", s.ID))
		}
		delete(counted, s.ID)
	}
	for id := range counted {
		wrong = append(wrong, fmt.Errorf("shoot %s: it has files and no tally", id))
	}
	return errors.Join(append(wrong, err, shootsErr)...)
}

// checkRest reads what the tallies have no need of.
func (t *Tx) checkRest() error {
	_, saidErr := t.Said()
	_, pauseErr := t.Pause()
	unlistedErr := t.tx.Bucket(unlistedBucket).ForEach(func(k, _ []byte) error {
		_, _, err := splitKey(k[min(len(k), len(driveKey(0))):])
		return err
	})
	foldersErr := t.tx.Bucket(metaBucket).ForEach(func(k, _ []byte) error {
		name, is := strings.CutPrefix(string(k), "working ")
		if !is {
			return nil
		}
		_, err := t.WorkingFolder(name)
		return err
	})
	return errors.Join(saidErr, pauseErr, unlistedErr, foldersErr)
}

func checkCopies(f *replicate.File, fleet replicate.Fleet) (wrong []error) {
	for i, c := range f.Copies {
		if _, known := fleet.Drive(c.Drive); !known {
			wrong = append(wrong, fmt.Errorf("file %s: a copy on the unknown drive %d", f.FileID, c.Drive))
		}
		if i > 0 && f.Copies[i-1].Drive >= c.Drive {
			wrong = append(wrong, fmt.Errorf("file %s: its copies are out of order", f.FileID))
		}
		if c.State != replicate.Missing && !c.Digest.Known() {
			wrong = append(wrong, fmt.Errorf("file %s: a copy without a digest", f.FileID))
		}
	}
	return wrong
}
