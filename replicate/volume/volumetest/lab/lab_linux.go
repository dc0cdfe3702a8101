package lab

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"golang.org/x/sys/unix"
)

// Lab is the bench of one test and the drives on it.
type Lab struct {
	t      testing.TB
	dir    string // holds the images, the usual mount points and the lock
	lock   *os.File
	drives []*Drive
	pulled []*loop // torn out, dead, and gone as soon as nobody holds them
}

// New returns a lab that is taken down when the test ends. It skips the test, or
// fails it where the lab is required, when the system cannot have drives.
func New(t testing.TB) *Lab {
	t.Helper()
	if err := able(); err != nil {
		refuse(t, err.Error())
	}
	sweepOnce()
	dir, lock, err := bench()
	if err != nil {
		t.Fatalf("lab: %v", err)
	}
	l := &Lab{t: t, dir: dir, lock: lock}
	t.Cleanup(l.takeDown)
	return l
}

// able says why the lab cannot work here, or nil.
func able() error {
	if os.Geteuid() != 0 {
		return errors.New("mounting needs root")
	}
	control, err := os.OpenFile("/dev/loop-control", os.O_RDWR, 0)
	if err != nil {
		return fmt.Errorf("no loop devices: %w", err)
	}
	defer control.Close()
	if _, err := unix.IoctlRetInt(int(control.Fd()), unix.LOOP_CTL_GET_FREE); err != nil {
		return fmt.Errorf("no free loop device: %w", err)
	}
	if !mayMount() {
		return errors.New("this process may not mount (no CAP_SYS_ADMIN)")
	}
	for _, name := range []string{"losetup", "mount", "umount"} {
		if _, err := tool(name); err != nil {
			return err
		}
	}
	return nil
}

func mayMount() bool {
	header := unix.CapUserHeader{Version: unix.LINUX_CAPABILITY_VERSION_3}
	var data [2]unix.CapUserData
	if err := unix.Capget(&header, &data[0]); err != nil {
		return false
	}
	return data[0].Effective&(1<<unix.CAP_SYS_ADMIN) != 0
}

// Media returns the folder in which Plug gives each drive its mount point, as a
// desktop does in /media/<user>.
func (l *Lab) Media() string { return filepath.Join(l.dir, "media") }

// Drive returns a new, empty drive of the kind, formatted and not plugged in. A
// size below what the kind can have is raised to that.
func (l *Lab) Drive(kind Kind, sizeMB int) *Drive {
	l.t.Helper()
	if err := kind.able(); err != nil {
		refuse(l.t, err.Error())
	}
	d := l.drive(kind)
	d.size = int64(max(sizeMB, smallest[kind])) << 20
	d.must("format", d.format())
	return d
}

// drive adds a drive without an image.
func (l *Lab) drive(kind Kind) *Drive {
	n := len(l.drives) + 1
	d := &Drive{lab: l, kind: kind, name: fmt.Sprintf("%s-%d", kind, n)}
	d.image = d.nextImage()
	l.drives = append(l.drives, d)
	return d
}

// takeDown leaves the machine as it was. It goes on after an error: the more is
// gone, the better.
func (l *Lab) takeDown() {
	for _, d := range l.drives {
		if err := d.scrap(); err != nil {
			l.t.Errorf("lab: take down %s: %v", d.name, err)
		}
	}
	for _, p := range l.pulled {
		if !p.gone() {
			l.t.Errorf("lab: %s, torn out in this test, is still held: something on it was not closed", p.path)
		}
	}
	if err := wipe(l.dir); err != nil {
		l.t.Errorf("lab: take down: %v", err)
	}
	l.lock.Close()
}
