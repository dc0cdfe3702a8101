//go:build unix

package api

import (
	"errors"
	"io/fs"
	"os"
	"syscall"

	"golang.org/x/sys/unix"
)

func lockFile(f *os.File) error {
	err := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB)
	if errors.Is(err, unix.EWOULDBLOCK) {
		return errHeld
	}
	return err
}

func isOurs(fi fs.FileInfo) bool {
	st, ok := fi.Sys().(*syscall.Stat_t)
	return ok && int(st.Uid) == os.Geteuid()
}

func exposed(fi fs.FileInfo) bool { return fi.Mode().Perm()&0o077 != 0 }

func narrow(folder *os.Root, name string, perm fs.FileMode) error { return folder.Chmod(name, perm) }

func nobodyListens(err error) bool {
	return errors.Is(err, fs.ErrNotExist) || errors.Is(err, unix.ECONNREFUSED)
}

func keptOut(err error) bool { return errors.Is(err, unix.EACCES) }
