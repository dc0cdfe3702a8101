package api

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"strconv"
	"strings"
)

// errHeld is lockFile's answer when another process has the lock.
var errHeld = errors.New("the lock is held")

// takeLock makes this process the only one of the state folder. The lock is the
// system's and ends with the process, however that ends. The file is never
// removed: somebody may be waiting to lock the very file that goes.
func takeLock(dir string) (*os.File, error) {
	folder, err := ownFolder(dir)
	if err != nil {
		return nil, err
	}
	defer folder.Close()
	f, err := folder.OpenFile(lockName, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, err
	}
	if err := claim(f); err != nil {
		f.Close()
		return nil, err
	}
	return f, nil
}

// claim locks f and leaves the number of this process in it.
func claim(f *os.File) error {
	switch err := lockFile(f); {
	case errors.Is(err, errHeld):
		return alreadyRunning(f)
	case err != nil:
		return fmt.Errorf("lock %s: %w", f.Name(), err)
	}
	if err := f.Truncate(0); err != nil {
		return err
	}
	_, err := fmt.Fprintln(f, os.Getpid())
	return err
}

// alreadyRunning names the holder, unless it has not yet written its number.
func alreadyRunning(f *os.File) *Fault {
	what := "Copyhold is already running"
	text, _ := io.ReadAll(io.LimitReader(f, 32))
	if pid, err := strconv.Atoi(strings.TrimSpace(string(text))); err == nil {
		what = fmt.Sprintf("%s (process %d)", what, pid)
	}
	return &Fault{What: what, Do: "ask it with copyhold status, or stop it first"}
}

// ownFolder opens a folder that is this user's alone, and makes it if needed.
func ownFolder(dir string) (*os.Root, error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, fmt.Errorf("make a folder for the lock and the control socket: %w", err)
	}
	folder, err := os.OpenRoot(dir)
	if err != nil {
		return nil, err
	}
	if err := checkOwn(folder); err != nil {
		folder.Close()
		return nil, err
	}
	return folder, nil
}

// checkOwn looks at the folder that was opened, so that none can be put in its
// place afterwards. One that others may enter is narrowed only while it is
// empty: `--state /tmp` must not lock everybody out of /tmp.
func checkOwn(folder *os.Root) error {
	named, err := os.Lstat(folder.Name())
	if err != nil {
		return err
	}
	opened, err := folder.Stat(".")
	switch {
	case err != nil:
		return err
	case !os.SameFile(named, opened):
		return unfit(folder, "is a link", "name the folder itself with --state")
	case !isOurs(opened):
		return unfit(folder, "belongs to another user", "name another one with --state")
	case !exposed(opened):
		return nil
	}
	if inside, err := fs.ReadDir(folder.FS(), "."); err != nil || len(inside) > 0 {
		return unfit(folder, "is open to other users", "close it to them (mode 700), or name another one with --state")
	}
	return narrow(folder, ".", 0o700)
}

func unfit(folder *os.Root, why, do string) *Fault {
	return &Fault{What: fmt.Sprintf("the folder %q, which Copyhold needs for itself alone, %s", folder.Name(), why), Do: do}
}
