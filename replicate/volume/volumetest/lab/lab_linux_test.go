package lab_test

import (
	"bytes"
	"errors"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"copyhold/replicate/volume/volumetest/lab"

	"golang.org/x/sys/unix"
)

// each runs a test on a drive of every kind, one lab each.
func each(t *testing.T, test func(*testing.T, *lab.Lab, *lab.Drive)) {
	for _, kind := range lab.Kinds() {
		t.Run(string(kind), func(t *testing.T) {
			l := lab.New(t)
			test(t, l, l.Drive(kind, 0))
		})
	}
}

// clip is content that is on no disk twice.
func clip(size int) []byte {
	b := make([]byte, size)
	rng := rand.NewChaCha8([32]byte{7})
	rng.Read(b)
	return b
}

// put writes a file so that it survives anything: the file and its folder are synced.
func put(t *testing.T, path string, content []byte) {
	t.Helper()
	f := create(t, path, content)
	check(t, f.Sync())
	check(t, f.Close())
	dir, err := os.Open(filepath.Dir(path))
	check(t, err)
	check(t, dir.Sync())
	check(t, dir.Close())
}

// create writes a file, syncs nothing and leaves it open.
func create(t *testing.T, path string, content []byte) *os.File {
	t.Helper()
	f, err := os.Create(path)
	check(t, err)
	_, err = f.Write(content)
	check(t, err)
	return f
}

func holds(t *testing.T, path string, want []byte) {
	t.Helper()
	got, err := os.ReadFile(path)
	check(t, err)
	if !bytes.Equal(got, want) {
		t.Errorf("%s: %d bytes differ from the %d written", path, len(got), len(want))
	}
}

func absent(t *testing.T, path string) {
	t.Helper()
	if _, err := os.Lstat(path); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("%s is there (%v)", path, err)
	}
}

func check(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// evict makes the next read of the file come from the drive.
func evict(t *testing.T, path string) {
	t.Helper()
	f, err := os.Open(path)
	check(t, err)
	defer f.Close()
	check(t, unix.Fadvise(int(f.Fd()), 0, 0, unix.FADV_DONTNEED))
}

func TestPlugElsewhere(t *testing.T) {
	each(t, func(t *testing.T, l *lab.Lab, d *lab.Drive) {
		want := clip(3 << 20)
		if d.Plugged() || d.Device() != "" {
			t.Error("a new drive is plugged in")
		}
		first := d.Plug()
		put(t, filepath.Join(first, "A001.mov"), want)
		d.Unplug()
		absent(t, filepath.Join(first, "A001.mov"))
		second := d.PlugAt(filepath.Join(l.Media(), "My Drive 2"))
		holds(t, filepath.Join(second, "A001.mov"), want)
		if second == first || d.Path() != second {
			t.Errorf("plugged in at %s, path says %s", second, d.Path())
		}
	})
}

func TestLazyUnplug(t *testing.T) {
	each(t, func(t *testing.T, _ *lab.Lab, d *lab.Drive) {
		name := filepath.Join(d.Plug(), "A001.mov")
		want := clip(1 << 20)
		f := create(t, name, want)
		d.LazyUnplug()
		absent(t, name)
		_, err := f.Write(want) // alive to whoever holds it
		check(t, errors.Join(err, f.Sync(), f.Close()))
		d.Plug()
		holds(t, name, append(want, want...))
	})
}

// The disk of a pulled drive holds what was synced, and only that is sure.
func TestPull(t *testing.T) {
	each(t, func(t *testing.T, _ *lab.Lab, d *lab.Drive) {
		if !d.CanPull() {
			t.Fatal("it cannot be pulled")
		}
		dir, want := d.Plug(), clip(2<<20)
		put(t, filepath.Join(dir, "synced.mov"), want)
		f := create(t, filepath.Join(dir, "not synced.mov"), want)
		d.Pull()
		absent(t, filepath.Join(dir, "synced.mov"))
		if err := f.Sync(); !errors.Is(err, unix.EIO) && !errors.Is(err, unix.ENOTCONN) {
			t.Errorf("sync after the pull: %v", err)
		}
		f.Close() // it answers what it likes

		d.Plug()
		holds(t, filepath.Join(dir, "synced.mov"), want)
		got, err := os.ReadFile(filepath.Join(dir, "not synced.mov"))
		t.Logf("without a sync: %d of %d bytes, %v", len(got), len(want), err)
		if bytes.Equal(got, want) {
			t.Error("what was not synced survived: the pull does not bite")
		}
		d.Unplug()
		d.Fsck()
		d.Plug()
		holds(t, filepath.Join(dir, "synced.mov"), want)
	})
}

func TestCut(t *testing.T) {
	each(t, func(t *testing.T, _ *lab.Lab, d *lab.Drive) {
		dir, want := d.Plug(), clip(1<<20)
		name := filepath.Join(dir, "A001.mov")
		put(t, name, want)
		f := create(t, filepath.Join(dir, "A002.mov"), want)
		d.Cut()
		if _, err := f.Write(want); (err != nil) != (d.Kind() == lab.ExFAT) {
			t.Errorf("write: %v", err)
		}
		if err := f.Sync(); !errors.Is(err, unix.EIO) {
			t.Errorf("sync: %v", err)
		}
		f.Close() // it answers what it likes
		evict(t, name)
		got, err := os.ReadFile(name)
		if d.Kind() != lab.ExFAT && !errors.Is(err, unix.EIO) {
			t.Errorf("read: %v", err)
		}
		if bytes.Equal(got, want) { // exfat-fuse takes the end of its device for zeros, without an error
			t.Error("the content can still be read")
		}
		d.Pull()
		d.Plug()
		holds(t, name, want)
	})
}

func TestKillServer(t *testing.T) {
	l := lab.New(t)
	d := l.Drive(lab.ExFAT, 0)
	name := filepath.Join(d.Plug(), "A001.mov")
	put(t, name, clip(1<<20))
	d.KillServer()
	if _, err := os.Open(name); !errors.Is(err, unix.ENOTCONN) {
		t.Errorf("open: %v", err)
	}
	d.Pull()
	d.Fsck()
	d.Plug()
	holds(t, name, clip(1<<20))
}

func TestRemount(t *testing.T) {
	each(t, func(t *testing.T, _ *lab.Lab, d *lab.Drive) {
		dir := d.Plug()
		d.Remount(true)
		if err := os.WriteFile(filepath.Join(dir, "x"), nil, 0o644); !errors.Is(err, unix.EROFS) || !d.ReadOnly() {
			t.Errorf("read-only %t, write: %v", d.ReadOnly(), err)
		}
		d.Remount(false)
		if err := os.WriteFile(filepath.Join(dir, "x"), nil, 0o644); err != nil || d.ReadOnly() {
			t.Errorf("read-only %t, write: %v", d.ReadOnly(), err)
		}
	})
}

func TestFill(t *testing.T) {
	each(t, func(t *testing.T, _ *lab.Lab, d *lab.Drive) {
		const leave = 3 << 20
		dir := d.Plug()
		before := d.Free()
		d.Fill(leave)
		t.Logf("%d free before, %d after, %d wanted", before, d.Free(), int64(leave))
		f, err := os.Create(filepath.Join(dir, "too large.mov"))
		check(t, err)
		_, err = io.Copy(f, io.LimitReader(rand.NewChaCha8([32]byte{}), leave+4<<20))
		err = errors.Join(err, f.Sync(), f.Close())
		if !errors.Is(err, unix.ENOSPC) {
			t.Errorf("more than is left was written: %v", err)
		}
		check(t, os.Remove(f.Name()))
		put(t, filepath.Join(dir, "fits.mov"), clip(leave/2))
		d.Unfill()
		if d.Free() < before-leave {
			t.Errorf("%d free after the filler went, %d before", d.Free(), before)
		}
	})
}

func TestClone(t *testing.T) {
	each(t, func(t *testing.T, _ *lab.Lab, d *lab.Drive) {
		want := clip(1 << 20)
		dir := d.Plug()
		check(t, os.WriteFile(filepath.Join(dir, "A001.mov"), want, 0o644))
		c := d.Clone()
		d.Unplug()
		holds(t, filepath.Join(c.Plug(), "A001.mov"), want)
		if c.Image() == d.Image() {
			t.Error("one image for two drives")
		}
	})
}

func TestClonesTogether(t *testing.T) {
	l := lab.New(t)
	d := l.Drive(lab.Ext4, 0)
	c := d.Clone()
	d.Plug()
	c.Plug()
	if d.Device() == c.Device() || d.Path() == c.Path() {
		t.Errorf("%s at %s and %s at %s", d.Device(), d.Path(), c.Device(), c.Path())
	}
	x := l.Drive(lab.XFS, 0)
	x.Plug()
	if err := x.Clone().TryPlugAt(filepath.Join(l.Media(), "twin")); err == nil {
		t.Error("xfs mounts a clone beside the drive")
	}
}

// Rot is not seen in the page cache, and is seen on the disk.
func TestRotFile(t *testing.T) {
	each(t, func(t *testing.T, _ *lab.Lab, d *lab.Drive) {
		want := clip(1 << 20)
		name := filepath.Join(d.Plug(), "A001.mov")
		check(t, os.WriteFile(name, want, 0o644))
		info, err := os.Stat(name)
		check(t, err)
		d.RotFile("A001.mov")
		holds(t, name, want)
		evict(t, name)
		oneByteOff(t, name, want, d.Kind() == lab.Btrfs)
		sameTime(t, name, info)
	})
}

func oneByteOff(t *testing.T, name string, want []byte, checksums bool) {
	t.Helper()
	got, err := os.ReadFile(name)
	if checksums {
		if !errors.Is(err, unix.EIO) {
			t.Errorf("read: %v", err)
		}
		return
	}
	check(t, err)
	var off []int
	for i := range min(len(got), len(want)) {
		if got[i] != want[i] {
			off = append(off, i)
		}
	}
	if len(got) != len(want) || len(off) != 1 || off[0] != len(want)/2 {
		t.Errorf("%d bytes of %d, differing at %v", len(got), len(want), off)
	}
}

func sameTime(t *testing.T, name string, before os.FileInfo) {
	t.Helper()
	after, err := os.Stat(name)
	check(t, err)
	if !after.ModTime().Equal(before.ModTime()) {
		t.Errorf("modified %v, before %v", after.ModTime(), before.ModTime())
	}
}

func TestCorruptFile(t *testing.T) {
	each(t, func(t *testing.T, _ *lab.Lab, d *lab.Drive) {
		want := clip(1 << 20)
		name := filepath.Join(d.Plug(), "A001.mov")
		check(t, os.WriteFile(name, want, 0o644))
		check(t, os.Chtimes(name, time.Time{}, time.Unix(1_700_000_000, 0)))
		info, err := os.Stat(name)
		check(t, err)
		lab.CorruptFile(t, name)
		oneByteOff(t, name, want, false)
		evict(t, name)
		oneByteOff(t, name, want, false)
		sameTime(t, name, info)
	})
}

// A drive that is torn out while somebody holds it open goes on existing for him,
// and is plugged in as another device.
func TestPullWhileHeld(t *testing.T) {
	l := lab.New(t)
	d := l.Drive(lab.Ext4, 0)
	dir := d.Plug()
	put(t, filepath.Join(dir, "A001.mov"), clip(1<<20))
	held, err := os.Open(dir)
	check(t, err)
	defer held.Close()
	before := d.Device()
	d.Pull()
	d.Plug()
	if d.Device() == before {
		t.Errorf("plugged in again as %s, which is held", before)
	}
	holds(t, filepath.Join(dir, "A001.mov"), clip(1<<20))
	var old, now syscall.Stat_t
	check(t, syscall.Fstat(int(held.Fd()), &old))
	check(t, syscall.Stat(dir, &now))
	if old.Dev == now.Dev {
		t.Error("the held folder and the new mount are one device")
	}
}
