// Package volume holds a folder open: a working folder to read, or a drive to
// write. It is the only seam to a file system, and hides the operating system's
// calls, its error codes and its page cache.
//
// Everything below a held folder goes through one os.Root, so that no path and
// no link leads out of it (P7); that the mount is still the one that was opened
// is asked with Same, which every rename does by itself. A Source has no method
// that writes (P1). A Drive never replaces a name (P3).
//
// Names are slash-separated and relative to the folder, byte for byte as the
// file system has them. A held folder keeps its volume busy: close it when idle.
package volume

import (
	"errors"
	"io"
	"io/fs"
	"time"

	"copyhold/replicate"
)

// The conditions that callers act on. They wrap the system's own error.
var (
	ErrLost       = errors.New("the volume is gone or fails")
	ErrFull       = errors.New("no space left on the volume")
	ErrReadOnly   = errors.New("the volume takes no writes")
	ErrName       = errors.New("the volume cannot store this name")
	ErrTooLarge   = errors.New("too large for the volume's file system")
	ErrNotRegular = errors.New("not a regular file")
	ErrBlocked    = errors.New("something else stands in its place")
	ErrOtherMount = errors.New("the folder is on another volume")
)

// Kind is what stands under a name.
type Kind uint8

// The kinds. Other is a link, pipe, device or socket: never followed or opened.
const (
	Regular Kind = iota
	Folder
	Other
)

// Info is what the file system says of one name.
type Info struct {
	Name string // last element
	Kind Kind
	Stat replicate.Stat
}

// Reader is a folder that can be read. Working folders, cards and drives are.
type Reader interface {
	Lstat(name string) (Info, error)
	// ReadDir lists a folder, ordered as the paths of what it holds are ordered.
	ReadDir(name string) ([]Info, error)
	// Open opens a regular file, never through a link.
	Open(name string) (File, error)
	// Same is nil while the path still leads to the folder that was opened.
	Same() error
	Close() error
}

// File is an open file.
type File interface {
	io.Reader
	io.ReaderAt
	Stat() (Info, error)
	// Forget drops what was read so far from the page cache, so that reading
	// much does not push out what the person works with.
	Forget()
	Close() error
}

// Volume is a drive held open. It is wide because it is the whole seam: an
// implementation in memory stands in for it when every crash is tried.
type Volume interface {
	Reader
	// OpenPastCache opens a file so that reads come from the drive itself (P4).
	// The file must have been synced.
	OpenPastCache(name string) (File, error)
	// Create makes a new file; it fails with fs.ErrExist when the name is taken.
	Create(name string) (Sink, error)
	// MkdirAll makes a folder and those above it. It returns the folders that
	// gained a name; each must be synced for the new folders to last.
	MkdirAll(name string) (gained []string, err error)
	// Rename moves a file or folder to a free name, never over another (P3); it
	// fails with fs.ErrExist. It asks Same first (P7).
	Rename(from, to string) error
	// Replace is Rename over an existing file, for Copyhold's own records only:
	// it refuses names outside replicate.OwnFolder.
	Replace(from, to string) error
	Remove(name string) error
	SetTime(name string, modified time.Time) error
	// Sync makes the content of the files last. After an error nothing is known
	// of any of them (P5).
	Sync(files []Sink) error
	// SyncFile makes a file that was there last, whoever wrote it. What is not
	// written back yet would be read from the cache even past it.
	SyncFile(name string) error
	// SyncDir makes the names in a folder last.
	SyncDir(name string) error
	Room() (replicate.Room, error)
}

// Sink is a file being written.
type Sink interface {
	io.Writer
	Sync() error
	// Forget drops what was synced from the page cache.
	Forget()
	Close() error
}

var (
	_ Reader = (*Source)(nil)
	_ Volume = (*Drive)(nil)
)

// kindOf sorts the modes of a file system into what matters here.
func kindOf(m fs.FileMode) Kind {
	switch {
	case m.IsRegular():
		return Regular
	case m.IsDir():
		return Folder
	default:
		return Other
	}
}
