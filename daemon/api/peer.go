package api

import (
	"errors"
	"fmt"
	"net"
	"os"
	"syscall"
)

// errStranger is what a caller of another user is to the daemon.
var errStranger = errors.New("another user")

// checkCaller refuses everybody but the daemon's own user and root, should the
// modes of folder and socket have let somebody else through.
func checkCaller(c net.Conn) error {
	uid, err := peerOf(c)
	switch {
	case err != nil:
		return fmt.Errorf("who is calling: %w", err)
	case uid != os.Geteuid() && uid != 0:
		return fmt.Errorf("%w, number %d", errStranger, uid)
	}
	return nil
}

// checkDaemon refuses a daemon that is neither this user's nor root's: somebody
// may have put a socket of their own where ours is expected. Root may ask any.
func checkDaemon(c net.Conn) error {
	uid, err := peerOf(c)
	switch {
	case err != nil:
		return fmt.Errorf("who is answering: %w", err)
	case uid != os.Geteuid() && uid != 0 && os.Geteuid() != 0:
		return fmt.Errorf("%w, number %d", ErrOtherUser, uid)
	}
	return nil
}

// peerOf is the user at the other end of c.
func peerOf(c net.Conn) (int, error) {
	sc, ok := c.(syscall.Conn)
	if !ok {
		return 0, errors.ErrUnsupported
	}
	raw, err := sc.SyscallConn()
	if err != nil {
		return 0, err
	}
	var uid int
	var asked error
	if err := raw.Control(func(fd uintptr) { uid, asked = peerUser(fd) }); err != nil {
		return 0, err
	}
	return uid, asked
}
