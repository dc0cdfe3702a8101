package watch

import (
	"errors"
	"syscall"
)

// watchDepth is how many levels below the root are watched: the shoots, no deeper.
// kqueue holds a descriptor open for every file in a watched folder (fsnotify issues
// 129, 8 and 358), and one shoot can have more files than a process may open. What
// changes below that is found by the timed scan. The files of a folder that comes
// are still hinted, at any depth.
const watchDepth = 1

const (
	onlyFolder = syscall.O_DIRECTORY
	noFollow   = syscall.O_NOFOLLOW
)

// remedy names the setting that ran out.
func remedy(err error) string {
	switch {
	case errors.Is(err, syscall.EMFILE):
		return "sysctl kern.maxfilesperproc"
	case errors.Is(err, syscall.ENFILE):
		return "sysctl kern.maxfiles"
	}
	return ""
}
