// Package drives hides how an operating system tells what is plugged in: it gathers evidence of drives and hints
// that something came or went. It decides nothing; package replicate does.
//
// Rules:
//   - Nothing here writes.
//   - Nothing here waits for a drive longer than patience. A file system that hangs may be somebody else's.
//   - Nothing stays open: an open folder would make a clean unmount busy.
package drives

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"
)

// patience is how long one candidate may take to answer. A sleeping disk may spin up for longer; it is found by
// the look that follows.
const patience = 4 * time.Second

// ErrNoAnswer says that a file system did not answer in time.
var ErrNoAnswer = errors.New("it does not answer")

// Place is what is true of one folder now. A string is "" where the system does not tell.
type Place struct {
	Path       string
	MountPoint string
	Mount      string // id of the mount, not reused while this computer runs where the system has such ids
	FSType     string
	Volume     string // the volume's own UUID
	Device     string // what is mounted, as the system words it
	Disk       string // the physical device under it, or the host that serves it
	Folder     string // the folder itself: device and inode
	ReadOnly   bool
	Removable  bool  // false also when the system does not tell
	Size       int64 // bytes on the whole volume
	Free       int64 // bytes that this user may still write
}

// Describe tells what is true of the folder at path. On a file system that hangs every call costs a goroutine until
// it goes on, so this is for questions, not for a loop; Look is.
func Describe(path string) (Place, error) {
	type answer struct {
		place Place
		err   error
	}
	told := make(chan answer, 1) // with room for an answer that comes too late
	go func() {
		p, err := describe(path)
		told <- answer{p, err}
	}()
	late := time.NewTimer(patience)
	defer late.Stop()
	select {
	case a := <-told:
		return a.place, a.err
	case <-late.C:
		return Place{}, fmt.Errorf("describe %s: %w", path, ErrNoAnswer)
	}
}

func describe(path string) (Place, error) {
	path, err := filepath.Abs(path)
	if err != nil {
		return Place{}, err
	}
	root, folder, err := openFolder(path)
	if err != nil {
		return Place{}, fmt.Errorf("describe %s: %w", path, err)
	}
	defer root.Close()
	defer folder.Close()
	return placeOf(folder, path)
}

// openFolder opens the folder at path as a root and as a file. It opens nothing that is not a folder: opening a
// pipe would wait for its other end.
func openFolder(path string) (*os.Root, *os.File, error) {
	if fi, err := os.Stat(path); err != nil {
		return nil, nil, err
	} else if !fi.IsDir() {
		return nil, nil, &fs.PathError{Op: "open", Path: path, Err: errNoFolder}
	}
	root, err := os.OpenRoot(path)
	if err != nil {
		return nil, nil, err
	}
	folder, err := root.Open(".")
	if err != nil {
		root.Close()
		return nil, nil, err
	}
	return root, folder, nil
}

var errNoFolder = errors.New("not a folder")

// SharesDisk says whether a and b would be lost together. (P8)
// Where the system tells the device of neither, they are taken for one.
func SharesDisk(a, b Place) bool {
	if a.Mount != "" && a.Mount == b.Mount {
		return true
	}
	return a.Disk == b.Disk
}
