package lab

import (
	"errors"
	"os"
	"path/filepath"
	"sync"

	"golang.org/x/sys/unix"
)

const prefix = "copyhold-lab-"

// bench makes the folder of a lab. The lock in it is held for as long as the
// process lives: a lab whose lock is free has lost its process.
func bench() (dir string, lock *os.File, err error) {
	if dir, err = os.MkdirTemp("", prefix); err != nil {
		return "", nil, err
	}
	if dir, err = filepath.EvalSymlinks(dir); err != nil { // as the mount table will say it
		return "", nil, err
	}
	// Locked before it has its name: no moment in which a sweep could take it.
	if lock, err = os.Create(filepath.Join(dir, "lock.new")); err != nil {
		return "", nil, err
	}
	if err = unix.Flock(int(lock.Fd()), unix.LOCK_EX|unix.LOCK_NB); err == nil {
		err = os.Rename(lock.Name(), filepath.Join(dir, "lock"))
	}
	return dir, lock, err
}

// wipe takes everything in a lab's folder off the machine, wherever its drives are
// mounted, then the folder.
func wipe(dir string) error {
	if err := unmountAll(dir); err != nil {
		return err // removing now would remove what is on the drive
	}
	loops, err := backedIn(dir)
	for _, l := range loops {
		err = errors.Join(err,
			unmountThose(func(m mount) bool { return m.source == l.path }),
			l.detachWhenFree())
	}
	return errors.Join(err, os.RemoveAll(dir))
}

// sweepOnce takes down, once per process, the labs of processes that were killed.
var sweepOnce = sync.OnceFunc(func() {
	locks, _ := filepath.Glob(filepath.Join(os.TempDir(), prefix+"*", "lock")) // a bad pattern is the only error
	for _, path := range locks {
		sweep(path)
	}
})

// sweep takes down the lab of the lock at path unless somebody holds it. What it
// cannot take down is left to the next sweep.
func sweep(path string) {
	lock, err := os.Open(path)
	if err != nil {
		return
	}
	defer lock.Close()
	if unix.Flock(int(lock.Fd()), unix.LOCK_EX|unix.LOCK_NB) != nil {
		return
	}
	if dir, err := filepath.EvalSymlinks(filepath.Dir(path)); err == nil {
		wipe(dir)
	}
}
