package api

import "golang.org/x/sys/unix"

// peerUser: unix(7), "Socket options", SO_PEERCRED.
func peerUser(fd uintptr) (int, error) {
	cred, err := unix.GetsockoptUcred(int(fd), unix.SOL_SOCKET, unix.SO_PEERCRED)
	if err != nil {
		return 0, err
	}
	return int(cred.Uid), nil
}
