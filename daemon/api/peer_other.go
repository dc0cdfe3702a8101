//go:build !linux && !darwin

package api

import "os"

// peerUser trusts the folder's access list: this system does not say who is at
// the other end.
func peerUser(uintptr) (int, error) { return os.Geteuid(), nil }
