package daemon

import (
	"context"
	"errors"
	"os/exec"
	"strings"
	"time"

	"golang.org/x/sys/unix"

	"copyhold/daemon/drives"
)

// unmountWithin bounds the system's own tool, which flushes first.
const unmountWithin = 30 * time.Second

// unmount takes the volume that the drive folder is on out of the file tree. Who
// may not do that directly asks the system's own tools.
func unmount(path string) error {
	place, err := drives.Describe(path)
	if err != nil {
		return err
	}
	if place.MountPoint == "/" || place.MountPoint == "" {
		return errors.New("it is a folder of the system's own disk")
	}
	if err = unix.Unmount(place.MountPoint, unix.UMOUNT_NOFOLLOW); !errors.Is(err, unix.EPERM) {
		return err
	}
	ctx, cancel := context.WithTimeout(context.Background(), unmountWithin)
	defer cancel()
	// The arguments go to the tool as they are; no shell reads them.
	out, err := exec.CommandContext(ctx, "udisksctl", "unmount", "--no-user-interaction", "--block-device", place.Device).CombinedOutput()
	if err != nil {
		out, err = exec.CommandContext(ctx, "umount", "--", place.MountPoint).CombinedOutput()
	}
	if err != nil && len(out) > 0 {
		return errors.New(strings.TrimSpace(string(out)))
	}
	return err
}
