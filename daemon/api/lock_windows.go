package api

import (
	"errors"
	"io/fs"
	"os"

	"golang.org/x/sys/windows"
)

// lockFile locks one byte far behind the text: a lock is mandatory here, and a
// second daemon must still be able to read who holds it.
func lockFile(f *os.File) error {
	far := &windows.Overlapped{OffsetHigh: 1}
	err := windows.LockFileEx(windows.Handle(f.Fd()), windows.LOCKFILE_EXCLUSIVE_LOCK|windows.LOCKFILE_FAIL_IMMEDIATELY, 0, 1, 0, far)
	if errors.Is(err, windows.ERROR_LOCK_VIOLATION) {
		return errHeld
	}
	return err
}

// The access list that a user's folders inherit keeps other users out here;
// there are no modes to look at.

func isOurs(fs.FileInfo) bool                    { return true }
func exposed(fs.FileInfo) bool                   { return false }
func narrow(*os.Root, string, fs.FileMode) error { return nil }

func nobodyListens(err error) bool {
	return errors.Is(err, fs.ErrNotExist) || errors.Is(err, windows.WSAECONNREFUSED)
}

func keptOut(err error) bool {
	return errors.Is(err, fs.ErrPermission) || errors.Is(err, windows.WSAEACCES)
}
