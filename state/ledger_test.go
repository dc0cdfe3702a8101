package state

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	bolt "go.etcd.io/bbolt"

	"copyhold/replicate"
)

func TestOpenMakesALedger(t *testing.T) {
	dir := t.TempDir()
	if _, err := OpenReadOnly(dir); !errors.Is(err, ErrNone) {
		t.Errorf("a question before the first run: %v", err)
	}
	if left, _ := os.ReadDir(dir); len(left) != 0 {
		t.Errorf("the question left %v", left)
	}
	// What a power cut at an earlier first run left behind is no obstacle.
	if err := os.WriteFile(filepath.Join(dir, FileName+".new"), []byte("half a ledger"), 0o600); err != nil {
		t.Fatal(err)
	}
	l := openLedger(t, dir)
	left, err := os.ReadDir(dir)
	if err != nil || len(left) != 1 || left[0].Name() != FileName || l.Path() != filepath.Join(dir, FileName) {
		t.Errorf("in the folder are %v, %v", left, err)
	}
	if info, err := left[0].Info(); err != nil || info.Size() < l.Size() || l.Size() == 0 {
		t.Errorf("its size is told as %d: %v, %v", l.Size(), info, err)
	}
}

func TestLedgerLasts(t *testing.T) {
	dir := t.TempDir()
	l, err := Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	record(t, l, func(tx *Tx) error { return errors.Join(putDrives(tx), tx.PutFile(still("a/x", 1, 2), noon)) })
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	view(t, openLedger(t, dir), func(tx *Tx) error {
		f, err := tx.File(still("a/x").FileID)
		if diff := alike(still("a/x", 1, 2), f); diff != "" {
			t.Errorf("another file comes back:\n%s", diff)
		}
		return err
	})
}

// TestUpdateIsAllOrNothing: what an update recorded before its error is not there.
func TestUpdateIsAllOrNothing(t *testing.T) {
	l := newLedger(t)
	given := errors.New("given up")
	err := l.Update(func(tx *Tx) error { return errors.Join(tx.PutFile(still("a/x"), noon), given) })
	if !errors.Is(err, given) {
		t.Errorf("got %v", err)
	}
	view(t, l, func(tx *Tx) error {
		if f, err := tx.File(still("a/x").FileID); f != nil || err != nil {
			t.Errorf("got %v, %v", f, err)
		}
		shoots, err := tx.Shoots()
		if len(shoots) != 0 {
			t.Errorf("got %v", shoots)
		}
		return err
	})
}

func TestSecondOpenIsBusy(t *testing.T) {
	dir := t.TempDir()
	openLedger(t, dir)
	for name, open := range map[string]func(string) (*Ledger, error){"open": Open, "read": OpenReadOnly} {
		if l, err := open(dir); !errors.Is(err, ErrBusy) {
			t.Errorf("%s while the daemon has it: %v, %v", name, l, err)
		}
	}
}

// filled makes a ledger of some pages in a new folder and closes it.
func filled(t testing.TB) (dir string) {
	t.Helper()
	dir = t.TempDir()
	l, err := Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	for part := range 4 { // several transactions, so that pages are free
		record(t, l, func(tx *Tx) error {
			if part == 0 {
				if err := putDrives(tx); err != nil {
					return err
				}
			}
			for i := range 150 {
				f := still(fmt.Sprintf("2026-03-%02d Tern Island/stills/A%03d.raw", 1+part*i%3, i), 1, 2)
				if err := tx.PutFile(f, noon); err != nil {
					return err
				}
			}
			return errors.Join(tx.PutSaid("one-copy Shoots/a", replicate.Said{At: noon}), tx.MarkUnlisted(1, ternIsland),
				tx.PutPause(Pause{On: true}), tx.PutWorkingFolder("Shoots", WorkingFolder{Path: "/media/ana/WORK/Shoots"}))
		})
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	return dir
}

// TestReadingChangesNoByte asks everything there is to ask.
func TestReadingChangesNoByte(t *testing.T) {
	dir := filled(t)
	before := readLedger(t, dir)
	l, err := OpenReadOnly(dir)
	if err != nil {
		t.Fatal(err)
	}
	second, err := OpenReadOnly(dir) // readers do not shut each other out
	if err != nil {
		t.Fatal(err)
	}
	for _, l := range []*Ledger{l, second} {
		view(t, l, func(tx *Tx) error { return askEverything(tx) })
		if err := l.Update(func(tx *Tx) error { return tx.PutFile(still("a/x"), noon) }); err == nil {
			t.Error("a ledger opened to be read takes an update")
		}
		if err := errors.Join(l.Check(), l.Close()); err != nil {
			t.Error(err)
		}
	}
	if !bytes.Equal(before, readLedger(t, dir)) {
		t.Error("reading changed the ledger")
	}
	if left, _ := os.ReadDir(dir); len(left) != 1 {
		t.Errorf("reading left %v", left)
	}
}

// askEverything reads all values once.
func askEverything(tx *Tx) error {
	shoots, err := tx.Shoots()
	_, err2 := tx.Workings()
	drives, err3 := tx.Drives()
	_, err4 := tx.Said()
	_, err5 := tx.Pause()
	_, err6 := tx.WorkingFolder("Shoots")
	errs := []error{err, err2, err3, err4, err5, err6}
	for _, s := range shoots {
		var failed error
		for f := range tx.Files(s.ID, "", &failed) {
			_, err := tx.File(f.FileID)
			errs = append(errs, err)
		}
		errs = append(errs, failed)
	}
	for _, d := range drives {
		_, err := tx.Unlisted(d.No)
		errs = append(errs, err)
	}
	return errors.Join(errs...)
}

// TestNewerLedgerIsLeftAlone: an older program refuses in plain words and does
// not change a byte.
func TestNewerLedgerIsLeftAlone(t *testing.T) {
	dir := filled(t)
	rawUpdate(t, dir, func(tx *bolt.Tx) error {
		return tx.Bucket(metaBucket).Put(schemaKey, binary.BigEndian.AppendUint32(nil, Schema+1))
	})
	before := readLedger(t, dir)
	for name, open := range map[string]func(string) (*Ledger, error){"open": Open, "read": OpenReadOnly} {
		l, err := open(dir)
		if l != nil || !errors.Is(err, ErrNewer) {
			t.Errorf("%s: %v, %v", name, l, err)
		} else if !strings.Contains(err.Error(), "written by a newer Copyhold (its schema is 2, this program knows up to 1)") {
			t.Errorf("%s: it is said as %q", name, err)
		}
	}
	if !bytes.Equal(before, readLedger(t, dir)) {
		t.Error("the newer ledger was changed")
	}
}

// rawUpdate changes the database behind the ledger's back.
func rawUpdate(t testing.TB, dir string, fn func(*bolt.Tx) error) {
	t.Helper()
	db, err := bolt.Open(filepath.Join(dir, FileName), 0o600, options(false))
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(db.Update(fn), db.Close()); err != nil {
		t.Fatal(err)
	}
}

// TestPartsThatAreNotThere: a database that is no ledger, or only half of one.
func TestPartsThatAreNotThere(t *testing.T) {
	whole := readLedger(t, filled(t))
	for _, name := range allBuckets {
		dir := t.TempDir()
		writeLedger(t, dir, whole)
		rawUpdate(t, dir, func(tx *bolt.Tx) error { return tx.DeleteBucket(name) })
		if _, err := Open(dir); !errors.Is(err, ErrCorrupt) {
			t.Errorf("without %s: %v", name, err)
		}
	}
	dir := t.TempDir()
	writeLedger(t, dir, whole)
	rawUpdate(t, dir, func(tx *bolt.Tx) error { return tx.Bucket(metaBucket).Delete(schemaKey) })
	if _, err := Open(dir); !errors.Is(err, ErrCorrupt) {
		t.Errorf("without a schema: %v", err)
	}
}
