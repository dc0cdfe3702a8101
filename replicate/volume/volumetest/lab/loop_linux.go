package lab

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"golang.org/x/sys/unix"
)

// spare is the length of the tail of an image that no file system knows of.
const spare = 4096

// loop is a loop device on an image.
type loop struct {
	path  string // /dev/loopN
	image string
}

// attach gives the drive a device, the one it has if there is one.
func (d *Drive) attach() error {
	if d.loop != nil && d.server == nil {
		return nil
	}
	if err := d.serverLeaves(); err != nil {
		return err
	}
	if err := d.detach(); err != nil {
		return err
	}
	// losetup tries again by itself when another process takes the device it chose.
	out, err := command("losetup", "--find", "--show", "--sizelimit", strconv.FormatInt(d.size, 10), d.image)
	if err != nil {
		return err
	}
	d.loop = &loop{path: strings.TrimSpace(out), image: d.image}
	return nil
}

// detach takes the drive's device away and waits until it is gone.
func (d *Drive) detach() error {
	if d.loop == nil {
		return nil
	}
	err := d.loop.detachWhenFree()
	if err == nil && !d.loop.gone() {
		err = fmt.Errorf("%s is still in use; held by %s", d.loop.path, holders(d.path))
	}
	d.loop = nil
	return err
}

// detachWhenFree detaches the device now or, if it is in use, when it no longer is.
func (l *loop) detachWhenFree() error {
	if !l.attached() {
		return nil
	}
	if _, err := command("losetup", "--detach", l.path); err != nil && l.attached() {
		return err
	}
	return nil
}

// gone waits until the device no longer has the image and reports whether it came to that.
func (l *loop) gone() bool { return eventually(func() bool { return !l.attached() }) }

// attached asks the kernel whether the device still has the image. A deleted image
// counts as well: its name is then followed by a remark.
func (l *loop) attached() bool {
	return strings.HasPrefix(backing(filepath.Base(l.path)), l.image)
}

// backing returns the path of the file behind a loop device, "" if there is none.
func backing(device string) string {
	b, err := os.ReadFile(filepath.Join("/sys/block", device, "loop/backing_file"))
	if err != nil {
		return ""
	}
	return string(bytes.TrimSpace(b))
}

// backedIn returns the loop devices whose images lie in dir.
func backedIn(dir string) ([]*loop, error) {
	names, err := filepath.Glob("/sys/block/loop*")
	if err != nil {
		return nil, err
	}
	var found []*loop
	for _, name := range names {
		device := filepath.Base(name)
		if image := backing(device); strings.HasPrefix(image, dir+"/") {
			found = append(found, &loop{path: "/dev/" + device, image: image})
		}
	}
	return found, nil
}

// cut makes the device as good as gone while a file system is on it: it shrinks to
// one sector, which lies in the spare tail of the image, where nobody looks. All
// access beyond gives EIO at the block layer. (Detaching, truncating the image and
// a read-only device do nothing of the kind while it is mounted. A size of nothing
// would mean "unknown" to the kernel and lift the check.)
func (l *loop) cut(size int64) error {
	f, err := os.OpenFile(l.path, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	defer f.Close()
	info, err := unix.IoctlLoopGetStatus64(int(f.Fd()))
	if err != nil {
		return fmt.Errorf("status of %s: %w", l.path, err)
	}
	info.Offset, info.Sizelimit = uint64(size), 512
	if err := unix.IoctlLoopSetStatus64(int(f.Fd()), info); err != nil {
		return fmt.Errorf("cut %s: %w", l.path, err)
	}
	return nil
}

// flush writes back what the kernel keeps of the device, and forgets it.
func (l *loop) flush() error {
	f, err := os.OpenFile(l.path, os.O_RDONLY, 0)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	defer f.Close()
	if err := f.Sync(); err != nil {
		return err
	}
	return unix.IoctlSetInt(int(f.Fd()), unix.BLKFLSBUF, 0)
}
