// Package transfer carries decisions out. It is the only code that changes a
// drive: it copies, verifies, keeps what is replaced, and writes the drive's
// own lists. It also walks working folders. It knows no ledger and decides
// nothing: it takes tasks and returns results.
//
// # How a copy is made
//
// One reader reads each source file once. Every drive has a lane: a writer that
// takes the reader's buffers into a partial file, and a sealer that makes a
// group of partials last, reads them back past the page cache, and gives them
// their final names while the writer is already at the next files.
//
//	             ┌─▶ lane "Slate":  write ─▶ seal: sync, read back, rename, sync folders ─▶ result
//	source ─ read┤        (window)
//	      (hash) └─▶ lane "Attic":  write ─▶ seal ...
//
// A lane that falls behind by more than its window and has kept others waiting
// for longer than the patience, in one wait or in many, is left alone: it reads
// the rest of the file by itself and holds back nobody.
// What it wrote is still compared with the reader's digest (P4).
package transfer

import (
	"errors"
	"io/fs"
	"time"

	"golang.org/x/time/rate"

	"copyhold/replicate"
	"copyhold/replicate/volume"
)

// Source is where files come from: a working folder. It cannot be written (P1).
type Source interface {
	Lstat(name string) (volume.Info, error)
	Open(name string) (volume.File, error)
}

// Target is a drive that takes copies.
type Target struct {
	Drive  replicate.DriveNo
	Volume volume.Volume
	Traits replicate.Traits
	Limit  *rate.Limiter // bytes a second; nil = none
}

// Task is one file to bring to drives.
type Task struct {
	File replicate.File
	To   map[replicate.DriveNo]Order
}

// Order is what one drive shall do with a task's file.
type Order struct {
	// Keep says that the ledger knows a copy of earlier content under the name:
	// it is kept without being read again. Without it, content that is found
	// under the name is compared first.
	Keep bool
	// StoredAs is the path inside the working folder that the drive has the file
	// under already, if it is not the file's own.
	StoredAs string
}

// Result is what became of one file on one drive.
type Result struct {
	File     replicate.FileID
	Drive    replicate.DriveNo
	Err      error           // nil: the copy is verified and lasts
	Cause    replicate.Cause // of Err
	Stat     replicate.Stat  // of the source, as it was read; with SourceChanging as it is now
	Digest   replicate.Digest
	XXH128   replicate.XXH128
	StoredAs string    // the path inside the working folder on the drive, when it is not the file's own
	At       time.Time // when it was verified
	Found    bool      // it was there already, with the right content
	Kept     string    // where the earlier content went
	Took     time.Duration
}

// Progress is how far one drive is with one file.
type Progress struct {
	Drive       replicate.DriveNo
	File        replicate.FileID
	Done, Total int64 // bytes
	Verifying   bool
}

// Engine copies. The zero value of every field is replaced by a default.
type Engine struct {
	Now      func() time.Time
	Result   func(Result)   // called from several goroutines
	Progress func(Progress) // called from several goroutines, often
	Patience time.Duration  // how long a slow drive may hold the others back
	Halt     func() bool    // asked between files: stop after the one in hand
}

// BufferSize is how much is read, written and limited at once, in bytes.
const BufferSize = 1 << 20

const (
	windowTotal = 48       // buffers in flight over all lanes
	groupFiles  = 128      // small files that are sealed together
	groupBytes  = 64 << 20 // bytes that are sealed together
	patience    = 2 * time.Second
)

func (e *Engine) now() time.Time {
	if e.Now == nil {
		return time.Now()
	}
	return e.Now()
}

func (e *Engine) report(r Result) {
	if e.Result != nil {
		e.Result(r)
	}
}

func (e *Engine) progress(p Progress) {
	if e.Progress != nil {
		e.Progress(p)
	}
}

// sourceError marks an error as the source's and not the drive's.
type sourceError struct {
	cause replicate.Cause
	stat  replicate.Stat // as it is now, if known
	err   error
}

func (e *sourceError) Error() string { return e.err.Error() }
func (e *sourceError) Unwrap() error { return e.err }

// causeOf tells the cause of an error met while a copy was made.
func causeOf(err error) replicate.Cause {
	var source *sourceError
	if errors.As(err, &source) {
		return source.cause
	}
	for _, c := range driveCauses {
		if errors.Is(err, c.is) {
			return c.cause
		}
	}
	return replicate.DriveRefused
}

var (
	errReadBack   = errors.New("what was written reads back differently")
	errNoRoom     = errors.New("no room with the margin")
	errCaseTwin   = errors.New("another file's name differs only in upper and lower case")
	errNameTooBig = errors.New("no stored form of the name fits")
)

// driveCauses is looked through in order: the more telling condition first.
var driveCauses = []struct {
	is    error
	cause replicate.Cause
}{
	{volume.ErrLost, replicate.DriveLost},
	{volume.ErrFull, replicate.DriveFull},
	{errNoRoom, replicate.DriveFull},
	{volume.ErrReadOnly, replicate.DriveReadOnly},
	{errReadBack, replicate.ReadBackDiffers},
	{errCaseTwin, replicate.NameTaken},
	{errNameTooBig, replicate.NameRefused},
	{volume.ErrName, replicate.NameRefused},
	{volume.ErrTooLarge, replicate.TooLarge},
	{volume.ErrBlocked, replicate.NoPlaceOnDrive},
	{volume.ErrNotRegular, replicate.NoPlaceOnDrive},
	{fs.ErrExist, replicate.NameTaken},
}
