package watch

import (
	"errors"
	"math"
	"syscall"
)

// watchDepth is how many levels below the root are watched: all.
const watchDepth = math.MaxInt

const (
	onlyFolder = syscall.O_DIRECTORY
	noFollow   = syscall.O_NOFOLLOW
)

// remedy names the setting that ran out; inotify(7), "/proc interfaces".
func remedy(err error) string {
	switch {
	case errors.Is(err, syscall.ENOSPC):
		return "sysctl fs.inotify.max_user_watches"
	case errors.Is(err, syscall.EMFILE):
		return "sysctl fs.inotify.max_user_instances"
	case errors.Is(err, syscall.ENFILE):
		return "sysctl fs.file-max"
	}
	return ""
}
