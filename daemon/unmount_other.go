//go:build !linux

package daemon

import "errors"

func unmount(string) error {
	return errors.New("that is not offered on this system")
}
