// Package state is the ledger: what is known about files, copies and drives,
// in one bbolt database. It hides the database and its schema.
//
// The ledger holds facts, never a queue: what is wanted follows from the facts.
// Beside them it keeps one tally for each shoot, so that a million files are
// summed up in milliseconds; Check proves that the tallies equal the facts.
//
//	meta      schema → 1, created → time
//	drives    number (2 bytes) → drive (JSON)
//	files     working, 0, path → file with its copies (binary, see codec.go)
//	shoots    working, 0, shoot → standing, since, tally (binary)
//	unlisted  drive number, working, 0, shoot → the drive's list is out of date
//	said      notice key → when and how it was last said (JSON)
//
// It is never kept on a removable drive: an I/O error on the mapped file would
// end the process.
package state

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io/fs"
	"iter"
	"os"
	"path/filepath"
	"runtime/debug"
	"time"

	bolt "go.etcd.io/bbolt"
	berrors "go.etcd.io/bbolt/errors"

	"copyhold/replicate"
)

// Schema is the version of the ledger that this program writes.
const Schema = 1

// FileName is the ledger's name in the state folder.
const FileName = "ledger.db"

// The conditions a caller acts on.
var (
	ErrNone    = errors.New("there is no ledger yet")
	ErrBusy    = errors.New("the ledger is in use by another process")
	ErrNewer   = errors.New("the ledger was written by a newer Copyhold")
	ErrCorrupt = errors.New("the ledger is damaged")
)

var (
	metaBucket     = []byte("meta")
	drivesBucket   = []byte("drives")
	filesBucket    = []byte("files")
	shootsBucket   = []byte("shoots")
	unlistedBucket = []byte("unlisted")
	saidBucket     = []byte("said")
	allBuckets     = [][]byte{metaBucket, drivesBucket, filesBucket, shootsBucket, unlistedBucket, saidBucket}
	schemaKey      = []byte("schema")
	createdKey     = []byte("created")
)

// Ledger is an open ledger.
type Ledger struct{ db *bolt.DB }

// lockWait is how long an open waits for another process. The daemon holds the
// ledger for its whole life, so that waiting longer would not help.
const lockWait = 500 * time.Millisecond

// Open opens the ledger in the state folder, making it when there is none.
func Open(dir string) (*Ledger, error) {
	path := filepath.Join(dir, FileName)
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		if err := create(path); err != nil {
			return nil, err
		}
	}
	return open(path, false)
}

// OpenReadOnly opens the ledger to answer questions. It changes no byte.
func OpenReadOnly(dir string) (*Ledger, error) {
	path := filepath.Join(dir, FileName)
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		return nil, ErrNone
	}
	return open(path, true)
}

// create makes the first transaction in a file of another name: a power cut
// at a database's very first moments can leave one that does not open.
func create(path string) error {
	fresh := path + ".new"
	if err := os.Remove(fresh); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("make the ledger: %w", err)
	}
	db, err := bolt.Open(fresh, 0o600, options(false))
	if err != nil {
		return fmt.Errorf("make the ledger: %w", err)
	}
	err = db.Update(func(tx *bolt.Tx) error {
		for _, name := range allBuckets {
			if _, err := tx.CreateBucketIfNotExists(name); err != nil {
				return err
			}
		}
		meta := tx.Bucket(metaBucket)
		created := []byte(time.Now().UTC().Format(time.RFC3339))
		return errors.Join(meta.Put(schemaKey, binary.BigEndian.AppendUint32(nil, Schema)), meta.Put(createdKey, created))
	})
	if err := errors.Join(err, db.Close()); err != nil {
		return fmt.Errorf("make the ledger: %w", err)
	}
	if err := os.Rename(fresh, path); err != nil {
		return fmt.Errorf("make the ledger: %w", err)
	}
	return nil
}

func options(readOnly bool) *bolt.Options {
	return &bolt.Options{
		Timeout: lockWait, ReadOnly: readOnly,
		FreelistType: bolt.FreelistMapType, NoFreelistSync: true,
	}
}

// open opens a file that may be anything. To be written, its pages are proven
// first: the database would follow damaged ones to the end of the process.
func open(path string, readOnly bool) (l *Ledger, err error) {
	var db *bolt.DB
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("%w (%v)", ErrCorrupt, p)
		}
		if err != nil && db != nil {
			_ = db.Close() // nothing was written
		}
		if err != nil && !errors.Is(err, ErrBusy) {
			err = fmt.Errorf("open %s: %w", path, err)
		}
		if err != nil {
			l = nil
		}
	}()
	defer debug.SetPanicOnFault(debug.SetPanicOnFault(true))
	if err := provePages(path, false); err != nil {
		return nil, err
	}
	if !readOnly {
		if err := proveLocked(path); err != nil {
			return nil, err
		}
	}
	if db, err = openDatabase(path, readOnly); err != nil {
		return nil, err
	}
	l = &Ledger{db: db}
	return l, l.checkSchema()
}

// proveLocked proves all pages while no process can write them.
func proveLocked(path string) error {
	db, err := openDatabase(path, true)
	if err != nil {
		return err
	}
	return errors.Join(provePages(path, true), db.Close())
}

func openDatabase(path string, readOnly bool) (*bolt.DB, error) {
	db, err := bolt.Open(path, 0o600, options(readOnly))
	switch {
	case errors.Is(err, berrors.ErrTimeout):
		return nil, ErrBusy
	case errors.Is(err, berrors.ErrInvalid), errors.Is(err, berrors.ErrChecksum), errors.Is(err, berrors.ErrVersionMismatch):
		return nil, fmt.Errorf("%w (%w)", ErrCorrupt, err)
	}
	return db, err
}

func (l *Ledger) checkSchema() error {
	return l.db.View(func(tx *bolt.Tx) error {
		for _, name := range allBuckets {
			if tx.Bucket(name) == nil {
				return fmt.Errorf("%w: the part %q is not there", ErrCorrupt, name)
			}
		}
		value := tx.Bucket(metaBucket).Get(schemaKey)
		if len(value) != 4 {
			return fmt.Errorf("%w: it has no schema version", ErrCorrupt)
		}
		if schema := binary.BigEndian.Uint32(value); schema > Schema {
			return fmt.Errorf("%w (its schema is %d, this program knows up to %d)", ErrNewer, schema, Schema)
		}
		return nil
	})
}

// Path is the database file.
func (l *Ledger) Path() string { return l.db.Path() }

// Close closes the ledger.
func (l *Ledger) Close() error { return l.db.Close() }

// View runs a question. What it reads belongs to the transaction's moment.
func (l *Ledger) View(ask func(*Tx) error) (err error) {
	if l.db.IsReadOnly() { // proving its pages would take longer than the answer
		defer recovered(&err)
		defer debug.SetPanicOnFault(debug.SetPanicOnFault(true))
	}
	return l.db.View(func(tx *bolt.Tx) error { return ask(newTx(tx)) })
}

// pageFiles is how many files are read in one transaction of Files.
const pageFiles = 1000

// Files yields the files of one shoot, ordered by path, page by page: no
// transaction is open while the caller has a file in hand. A writer that must
// enlarge the database waits for open readers, so a reader that waits for the
// writer would never end.
func (l *Ledger) Files(shoot replicate.ShootID, failed *error) iter.Seq[*replicate.File] {
	return func(yield func(*replicate.File) bool) {
		after := ""
		for {
			page, err := l.page(shoot, after)
			if err != nil {
				*failed = err
				return
			}
			for _, f := range page {
				if !yield(f) {
					return
				}
				after = f.Path
			}
			if len(page) < pageFiles {
				return
			}
		}
	}
}

func (l *Ledger) page(shoot replicate.ShootID, after string) (page []*replicate.File, err error) {
	err = l.View(func(tx *Tx) error {
		var failed error
		for f := range tx.Files(shoot, after, &failed) {
			if page = append(page, f); len(page) == pageFiles {
				break
			}
		}
		return failed
	})
	return page, err
}

// recovered turns the database's panic over a damaged page into an error.
func recovered(err *error) {
	if p := recover(); p != nil {
		*err = fmt.Errorf("%w (%v)", ErrCorrupt, p)
	}
}

// Update records facts: all of what fn does, or nothing. Record many results in
// one Update; each costs a sync of the disk. One that changes nothing writes
// nothing.
func (l *Ledger) Update(fn func(*Tx) error) error {
	err := l.db.Update(func(tx *bolt.Tx) error {
		t := newTx(tx)
		if err := fn(t); err != nil {
			return err
		}
		if err := t.flush(); err != nil {
			return err
		}
		if !t.wrote {
			return errUnchanged
		}
		return nil
	})
	if errors.Is(err, errUnchanged) {
		return nil
	}
	return err
}

// errUnchanged rolls an empty transaction back: committing it would sync the
// disk for nothing.
var errUnchanged = errors.New("nothing was changed")

// Size is the size of the database file in bytes.
func (l *Ledger) Size() (bytes int64) {
	_ = l.db.View(func(tx *bolt.Tx) error { bytes = tx.Size(); return nil }) // cannot fail on an open database
	return bytes
}
