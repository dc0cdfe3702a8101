package lab

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"

	"golang.org/x/sys/unix"
)

// Drive is a drive that a test can plug in, write to and take away.
type Drive struct {
	lab    *Lab
	kind   Kind
	name   string
	size   int64 // of the device; the image is longer by the spare tail, see loop.cut
	image  string
	images int // made so far, for their names

	loop    *loop   // nil while no device is attached
	server  *server // nil but for exFAT
	path    string  // of the last plug, "" before the first
	plugged bool
	cut     bool // the device is gone and the mount still there
}

// Kind returns the drive's file system.
func (d *Drive) Kind() Kind { return d.kind }

// Path returns the mount point of the drive, or its last one while it is away.
// The folder stays when the drive goes: the trap that P7 is about.
func (d *Drive) Path() string { return d.path }

// Plugged reports whether the drive is mounted.
func (d *Drive) Plugged() bool { return d.plugged }

// Image returns the file that backs the drive. It changes when an exFAT drive is
// cut or pulled: what had not been flushed to it by then never gets there.
func (d *Drive) Image() string { return d.image }

// Device returns the drive's block device, "" while it has none. Like that of a real
// drive it may be another one after each plug.
func (d *Drive) Device() string {
	if d.loop == nil {
		return ""
	}
	return d.loop.path
}

// Plug mounts the drive where a desktop would and returns that path, the same each time.
func (d *Drive) Plug() string {
	d.lab.t.Helper()
	return d.PlugAt(filepath.Join(d.lab.Media(), d.name))
}

// PlugAt mounts the drive on dir, which is made if need be, and returns its path.
func (d *Drive) PlugAt(dir string) string {
	d.lab.t.Helper()
	d.must("plug in", d.TryPlugAt(dir))
	return d.path
}

// TryPlugAt is PlugAt for a drive that the system may refuse: xfs, say, while a
// clone of it is mounted.
func (d *Drive) TryPlugAt(dir string) error {
	if d.plugged {
		return fmt.Errorf("it is plugged in at %s", d.path)
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return err
	}
	dir, err := filepath.EvalSymlinks(dir) // as the mount table will say it
	if err != nil {
		return err
	}
	if err := d.attach(); err != nil {
		return err
	}
	if err := d.mount(dir); err != nil {
		return errors.Join(err, d.detach())
	}
	d.path, d.plugged, d.cut = dir, true, false
	d.leaveBefore(dir)
	return nil
}

// leaveBefore sees to it that a mount outside the lab is gone before the cleanup of the
// folder below it, registered earlier, empties the drive and fails on the folder.
func (d *Drive) leaveBefore(dir string) {
	if strings.HasPrefix(dir, d.lab.dir+"/") {
		return
	}
	d.lab.t.Cleanup(func() {
		if err := unmountAll(dir); err != nil {
			d.lab.t.Errorf("lab: take down %s: %v", d.name, err)
		}
	})
}

func (d *Drive) mount(dir string) (err error) {
	if d.kind == ExFAT {
		d.server, err = serve(d.loop.path, dir)
		return err
	}
	_, err = command("mount", "-t", string(d.kind), d.loop.path, dir)
	return err
}

// Unplug unmounts the drive cleanly, as "eject" does. A drive that stays busy for
// three seconds fails the test with the names of those who hold it.
func (d *Drive) Unplug() {
	d.lab.t.Helper()
	d.must("unplug", d.unplug())
}

func (d *Drive) unplug() error {
	if !d.plugged || d.cut {
		return errors.New("it is not plugged in")
	}
	if err := unmount(d.path); err != nil {
		return err
	}
	d.plugged = false
	return errors.Join(d.serverLeaves(), d.detach())
}

// unmount is a clean umount, tried again while the mount is busy.
func unmount(dir string) (err error) {
	if eventually(func() bool { _, err = command("umount", dir); return err == nil || !busy(err) }) {
		return err
	}
	return fmt.Errorf("%w; held by %s", err, holders(dir))
}

// busy reports whether umount may do better later. It exits with 32 for that and
// for every other refusal alike.
func busy(err error) bool {
	var exit *exec.ExitError
	return errors.As(err, &exit) && exit.ExitCode() == 32
}

// LazyUnplug takes the path away at once and leaves the drive alive to whoever has
// something open on it, as "umount -l" does.
func (d *Drive) LazyUnplug() {
	d.lab.t.Helper()
	if !d.plugged || d.cut {
		d.must("unplug lazily", errors.New("it is not plugged in"))
	}
	_, err := command("umount", "-l", d.path)
	d.must("unplug lazily", err)
	// The device stays attached: plugging in again must find the file system that
	// may still be alive on it, or two would write to one image.
	d.plugged = false
}

// CanPull reports whether the drive can be pulled and cut. Every kind can; it is
// asked so that a kind to come may say no.
func (d *Drive) CanPull() bool { return true }

// Pull tears the drive out, plugged in or already cut: what was not flushed to it
// is lost, reading and writing through a held descriptor fails (EIO; ENOTCONN on
// exFAT, whose server is killed), and the path shows the empty folder below.
func (d *Drive) Pull() {
	d.lab.t.Helper()
	if !d.plugged {
		d.must("pull", errors.New("it is not plugged in"))
	}
	if !d.cut {
		d.must("pull", d.dies(d.kind == ExFAT))
	}
	_, err := command("umount", "-l", d.path)
	d.must("pull", err)
	d.plugged, d.cut = false, false
	d.must("pull", d.abandon())
}

// Cut makes the device vanish below its mount, which stays, as in the moments
// before a desktop notices. fsync gives EIO; on the kernel's file systems a write
// goes on returning ok and an uncached read gives EIO; on exFAT a write gives EIO and a
// read zeros, with no error. Pull takes the mount away.
func (d *Drive) Cut() {
	d.lab.t.Helper()
	d.must("cut", d.dies(false))
}

// KillServer kills the process that serves an exFAT drive; the mount stays and
// answers ENOTCONN. Pull takes the mount away.
func (d *Drive) KillServer() {
	d.lab.t.Helper()
	if d.server == nil {
		d.must("kill the server of", errors.New("it has none"))
	}
	d.must("kill the server of", d.dies(true))
}

// dies takes the device away below the mount. The pages of an exFAT drive are
// dirty on its device rather than in its files, and every way to take the device away
// writes them back first: so its image is copied before that, while the server
// stands still, and the copy is the drive from then on.
func (d *Drive) dies(killServer bool) error {
	if !d.plugged || d.cut {
		return errors.New("it is not plugged in")
	}
	d.cut = true
	if d.server == nil {
		return d.loop.cut(d.size)
	}
	if err := d.server.stop(); err != nil {
		return err
	}
	image := d.nextImage()
	if err := copySparse(image, d.image); err != nil {
		return err
	}
	d.image = image
	if killServer {
		return errors.Join(d.server.kill(), d.loop.cut(d.size))
	}
	return errors.Join(d.loop.cut(d.size), d.server.resume())
}

// abandon lets go of a device that is gone. Whoever still holds something on it
// keeps it, dead; the drive gets another one at its next plug.
func (d *Drive) abandon() error {
	err := d.loop.detachWhenFree()
	d.lab.pulled = append(d.lab.pulled, d.loop)
	if d.server != nil {
		err = errors.Join(err, d.server.kill())
	}
	d.loop, d.server = nil, nil
	return err
}

// Fsck repairs the file system of the drive, which is unplugged, and fails the
// test if that is not possible.
func (d *Drive) Fsck() {
	d.lab.t.Helper()
	d.must("repair", d.fsck())
}

func (d *Drive) fsck() error {
	if d.plugged {
		return errors.New("it is plugged in")
	}
	if d.kind == XFS { // xfs_repair wants the log replayed, which only a mount does
		dir, err := os.MkdirTemp(d.lab.dir, "replay")
		if err != nil {
			return err
		}
		last := d.path
		defer func() { d.path = last }()
		if err := d.TryPlugAt(dir); err != nil {
			return err
		}
		if err := d.unplug(); err != nil {
			return err
		}
	}
	if err := d.attach(); err != nil {
		return err
	}
	argv, best := d.kind.fsck(d.loop.path)
	_, err := command(argv...)
	var exit *exec.ExitError
	if errors.As(err, &exit) && exit.ExitCode() <= best {
		err = nil
	}
	return errors.Join(err, d.detach())
}

// Remount makes the mounted drive read-only or writable again.
func (d *Drive) Remount(ro bool) {
	d.lab.t.Helper()
	option := "remount,rw"
	if ro {
		option = "remount,ro"
	}
	// -i: without it mount would ask the server's own helper, which cannot.
	_, err := command("mount", "-i", "-o", option, d.path)
	if err != nil {
		err = fmt.Errorf("%w; held by %s", err, holders(d.path))
	}
	d.must("remount", err)
}

// ReadOnly reports whether the drive is mounted read-only, be it by Remount or by
// the kernel after an error.
func (d *Drive) ReadOnly() bool {
	d.lab.t.Helper()
	var st unix.Statfs_t
	d.must("look at", unix.Statfs(d.path, &st))
	return st.Flags&unix.ST_RDONLY != 0
}

// scrap takes the drive off the machine, whatever state it is in.
func (d *Drive) scrap() error {
	if d.plugged {
		if err := unmountAll(d.path); err != nil { // nothing, if it was left before
			return err
		}
		d.plugged = false
	}
	return errors.Join(d.serverLeaves(), d.detach())
}

// must fails the test unless err is nil.
func (d *Drive) must(do string, err error) {
	d.lab.t.Helper()
	if err != nil {
		d.lab.t.Fatalf("lab: %s %s: %v", do, d.name, err)
	}
}
