package api

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"runtime"
)

const (
	socketName = "control.sock"
	lockName   = "lock"
)

// Listener is the one place where a daemon can be asked, and the proof that it
// is the only daemon of its state folder.
type Listener struct {
	socket *net.UnixListener
	path   string
	dir    string // the state folder
	lock   *os.File
}

// Listen makes this process the one daemon of the state folder dir and opens
// its control socket. A second one gets a *Fault that names the first.
func Listen(dir string) (*Listener, error) {
	dir, path, err := locate(dir)
	if err != nil {
		return nil, err
	}
	lock, err := takeLock(dir)
	if err != nil {
		return nil, err
	}
	socket, err := bind(path)
	if err != nil {
		return nil, errors.Join(err, lock.Close())
	}
	return &Listener{socket: socket, path: path, dir: dir, lock: lock}, nil
}

// Path is where the socket is.
func (l *Listener) Path() string { return l.path }

// Close lets the next daemon in. It comes last, when nothing of the state folder
// is in use any more; Serve has closed only the socket.
func (l *Listener) Close() error {
	err := l.socket.Close()
	if errors.Is(err, net.ErrClosed) {
		err = nil
	}
	if folder := filepath.Dir(l.path); folder != l.dir {
		os.Remove(folder) // made for the socket alone; one that stays does no harm
	}
	return errors.Join(err, l.lock.Truncate(0), l.lock.Close())
}

// SocketPath tells where the daemon of the state folder dir, an absolute path,
// is asked: inside it, or, when that path is longer than a socket's may be, in
// a folder of its own in XDG_RUNTIME_DIR. Daemon and clients find the same place
// because it depends on nothing else; dir must be spelled the same for both.
func SocketPath(dir string, getenv func(string) string) (string, error) {
	usual := filepath.Join(dir, socketName)
	if len(usual) <= maxSocketPath() {
		return usual, nil
	}
	sum := sha256.Sum256([]byte(filepath.Clean(dir)))
	short := filepath.Join(getenv("XDG_RUNTIME_DIR"), "copyhold-"+hex.EncodeToString(sum[:8]), socketName)
	if filepath.IsAbs(short) && len(short) <= maxSocketPath() {
		return short, nil
	}
	return "", &Fault{
		What: fmt.Sprintf("the path of the control socket is %d bytes long, and this system takes %d: %q", len(usual), maxSocketPath(), usual),
		Do:   "name a shorter state folder with --state",
	}
}

// maxSocketPath is the size of sun_path without its closing zero.
func maxSocketPath() int {
	switch runtime.GOOS {
	case "linux", "windows":
		return 107
	}
	return 103
}

// locate makes the state folder absolute and finds its socket.
func locate(dir string) (abs, socket string, err error) {
	abs, err = filepath.Abs(dir)
	if err != nil {
		return "", "", fmt.Errorf("locate the state folder: %w", err)
	}
	socket, err = SocketPath(abs, os.Getenv)
	return abs, socket, err
}

// bind opens the socket. The caller holds the lock, so a socket that is already
// there is a dead daemon's.
//
// A narrower umask during Listen was considered: it belongs to the whole
// process, and other goroutines make files meanwhile. Until the socket's own
// mode is set, its folder keeps others out.
func bind(path string) (*net.UnixListener, error) {
	folder, err := ownFolder(filepath.Dir(path))
	if err != nil {
		return nil, err
	}
	defer folder.Close()
	if err := removeStale(folder); err != nil {
		return nil, err
	}
	socket, err := net.ListenUnix("unix", &net.UnixAddr{Name: path, Net: "unix"})
	if err != nil {
		return nil, fmt.Errorf("open the control socket: %w", err)
	}
	if err := narrow(folder, socketName, 0o600); err != nil {
		return nil, errors.Join(err, socket.Close())
	}
	return socket, nil
}

func removeStale(folder *os.Root) error {
	fi, err := folder.Lstat(socketName)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case err != nil:
		return err
	case fi.Mode().Type() != fs.ModeSocket:
		return &Fault{
			What: fmt.Sprintf("something else lies where the control socket belongs: %q", filepath.Join(folder.Name(), socketName)),
			Do:   "move it away, or name another state folder with --state",
		}
	}
	return folder.Remove(socketName)
}
