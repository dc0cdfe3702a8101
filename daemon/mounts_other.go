//go:build !linux

package daemon

const mountsAnnounced = false
