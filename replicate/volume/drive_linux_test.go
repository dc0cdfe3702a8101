package volume_test

import (
	"bytes"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"

	"copyhold/replicate/volume"
	"copyhold/replicate/volume/volumetest/lab"
)

// bounded fails the test if do takes longer than a moment: it waits for a pipe.
func bounded(t *testing.T, what string, do func() error) error {
	t.Helper()
	done := make(chan error, 1)
	go func() { done <- do() }()
	select {
	case err := <-done:
		return err
	case <-time.After(3 * time.Second):
		t.Fatalf("%s waits", what)
		return nil
	}
}

func TestOpenRefusesWhatIsNoFile(t *testing.T) {
	everywhere(t, func(t *testing.T, p place) {
		check(t, os.Mkdir(filepath.Join(p.dir, "folder"), 0o755))
		names := []string{"folder"}
		if p.links() {
			check(t, unix.Mkfifo(filepath.Join(p.dir, "pipe"), 0o644))
			p.put(t, "file", "secret")
			check(t, os.Symlink("file", filepath.Join(p.dir, "link")))
			check(t, os.Symlink("nowhere", filepath.Join(p.dir, "dangling")))
			check(t, os.Symlink("pipe", filepath.Join(p.dir, "link to pipe")))
			names = append(names, "pipe", "link", "dangling", "link to pipe")
		}
		for _, name := range names {
			for what, open := range map[string]func(string) (volume.File, error){
				"open": p.Open, "open past the cache": p.OpenPastCache,
			} {
				err := bounded(t, what, func() error { _, err := open(name); return err })
				wantIs(t, what+" "+name, err, volume.ErrNotRegular)
			}
			info, err := p.Lstat(name)
			check(t, err)
			if (info.Kind == volume.Folder) != (name == "folder") || info.Kind == volume.Regular {
				t.Errorf("%s is of kind %d", name, info.Kind)
			}
			if name != "folder" {
				err := bounded(t, "list", func() error { _, err := p.ReadDir(name); return err })
				wantIs(t, "list "+name, err, volume.ErrBlocked)
			}
		}
	})
}

// P7: no link is written through, be it in the last place or above, and wherever it leads.
func TestLinksAreNotWrittenThrough(t *testing.T) {
	everywhere(t, func(t *testing.T, p place) {
		if !p.links() {
			t.Skip("no links here")
		}
		outside := t.TempDir()
		p.put(t, ".copyhold/own", "own")
		p.put(t, "Other/victim", "safe")
		check(t, os.WriteFile(filepath.Join(outside, "victim"), []byte("safe"), 0o644))
		for name, to := range map[string]string{
			"out": outside, "in": "Other", "to file": "Other/victim", "nowhere": "Other/new",
		} {
			check(t, os.Symlink(to, filepath.Join(p.dir, name)))
			for what, err := range p.changeAll(name) {
				switch what {
				case "rename from", "replace from", "set time": // the link itself
					check(t, os.RemoveAll(filepath.Join(p.dir, ".copyhold")))
					p.put(t, ".copyhold/own", "own")
					os.Symlink(to, filepath.Join(p.dir, name))
				default:
					if err == nil {
						t.Errorf("%s %q was done", what, name)
					}
				}
			}
			check(t, p.Remove(name))
		}
		for _, dir := range []string{outside, filepath.Join(p.dir, "Other")} {
			left, err := os.ReadDir(dir)
			check(t, err)
			b, err := os.ReadFile(filepath.Join(dir, "victim"))
			if len(left) != 1 || string(b) != "safe" {
				t.Errorf("%s: %v, %q, %v", dir, left, b, err)
			}
		}
	})
}

// P7: a volume mounted inside the drive is not the drive.
func TestOtherMount(t *testing.T) {
	onDrives(t, func(t *testing.T, p place) {
		p.put(t, ".copyhold/own", "own")
		inner := place{real: p.lab.Drive(lab.Ext4, 0)}
		inner.dir = inner.real.PlugAt(filepath.Join(p.dir, "Shoots"))
		inner.put(t, "victim", "safe")
		check(t, p.Same())
		for what, err := range p.changeAll("Shoots") {
			switch what {
			case "create", "rename to":
				wantIs(t, what, err, fs.ErrExist)
			case "rename from", "replace from", "open":
				if err == nil {
					t.Errorf("%s was done", what)
				}
			case "set time", "list": // read or touch the mount itself
			default:
				wantIs(t, what, err, volume.ErrOtherMount)
			}
		}
		inner.holds(t, "victim", "safe")
		if left, _ := filepath.Glob(filepath.Join(inner.dir, "new*")); left != nil {
			t.Errorf("on the other volume: %v", left)
		}
	})
}

// btrfs has devices of its own for each subvolume: one volume all the same.
func TestSubvolumeIsTheSameMount(t *testing.T) {
	l := lab.New(t)
	dir := l.Drive(lab.Btrfs, 0).Plug()
	p := place{Drive: held(t, dir), dir: dir}
	subvolume(t, filepath.Join(dir, "Shoots"))
	p.put(t, "Shoots/x", "x")
	check(t, p.Rename("Shoots/x", "Shoots/y"))
	check(t, p.SyncDir("Shoots"))
}

// P4: a cached read does not see that the disk has changed, OpenPastCache does.
func TestOpenPastCacheReadsTheDrive(t *testing.T) {
	onDrives(t, func(t *testing.T, p place) {
		want := random(1 << 20)
		p.make(t, "A001.mov", want)
		f, err := p.Open("A001.mov")
		readAll(t, f, err)
		p.real.RotFile("A001.mov")
		f, err = p.Open("A001.mov")
		if !bytes.Equal(readAll(t, f, err), want) {
			t.Error("the cached read differs: the test does not bite")
		}
		f, err = p.OpenPastCache("A001.mov")
		check(t, err)
		defer f.Close()
		got, err := io.ReadAll(f)
		if p.real.Kind() == lab.Btrfs {
			wantIs(t, "rot under checksums", err, volume.ErrLost)
			return
		}
		check(t, err)
		if len(got) != len(want) || bytes.Equal(got, want) {
			t.Error("OpenPastCache did not read the drive")
		}
	})
}

// P4 on FUSE: the server reads its device through a cache of its own, which is
// past as well where this process may open the device, as root may.
func TestOpenPastCacheReadsPastTheServer(t *testing.T) {
	l := lab.New(t)
	real := l.Drive(lab.ExFAT, 0)
	dir := real.Plug()
	p := place{Drive: held(t, dir), dir: dir}
	want := random(1 << 20)
	p.make(t, "A001.mov", want)
	real.RotUnder("A001.mov")
	f, err := p.OpenPastCache("A001.mov")
	if bytes.Equal(readAll(t, f, err), want) {
		t.Error("the read came from the server's cache and not from the drive")
	}
}

// P1: reading a source leaves no trace, not even when it was read.
func TestReadingLeavesAccessTimes(t *testing.T) {
	everywhere(t, func(t *testing.T, p place) {
		p.put(t, "Shoots/A001.raw", "x")
		s, err := volume.OpenSource(p.dir)
		check(t, err)
		defer s.Close()
		read := map[string]func(){
			"Shoots/A001.raw": func() {
				f, err := s.Open("Shoots/A001.raw")
				readAll(t, f, err)
			},
			"Shoots": func() {
				infos, err := s.ReadDir("Shoots")
				check(t, err)
				if len(infos) != 1 {
					t.Errorf("%v", infos)
				}
			},
		}
		long := time.Date(2020, 1, 1, 0, 0, 0, 0, time.UTC) // so old that relatime would renew it
		for name, read := range read {
			path := filepath.Join(p.dir, name)
			check(t, os.Chtimes(path, long, noon))
			read()
			if got := accessed(t, path); !got.Equal(long) && p.links() { // exFAT's server is not told that a read is quiet
				t.Errorf("%s: accessed %v after reading, %v before", name, got, long)
			}
		}
		// Does it bite? A plain read renews the time where the drive keeps one.
		_, err = os.ReadFile(filepath.Join(p.dir, "Shoots/A001.raw"))
		check(t, err)
		if p.links() && accessed(t, filepath.Join(p.dir, "Shoots/A001.raw")).Equal(long) {
			t.Log("this volume keeps no access times")
		}
	})
}

func accessed(t *testing.T, path string) time.Time {
	t.Helper()
	var st syscall.Stat_t
	check(t, syscall.Stat(path, &st))
	return time.Unix(st.Atim.Unix())
}

func subvolume(t *testing.T, path string) {
	t.Helper()
	dir, err := os.Open(filepath.Dir(path))
	check(t, err)
	defer dir.Close()
	// struct btrfs_ioctl_vol_args and BTRFS_IOC_SUBVOL_CREATE of linux/btrfs.h
	var args struct {
		_    int64
		name [4088]byte
	}
	copy(args.name[:], filepath.Base(path))
	if errno := ioctl(dir, 0x5000940e, &args); errno != 0 {
		t.Fatal(errno)
	}
}

func ioctl[T any](f *os.File, request uintptr, args *T) syscall.Errno {
	_, _, errno := unix.Syscall(unix.SYS_IOCTL, f.Fd(), request, uintptr(unsafe.Pointer(args)))
	return errno
}

// A volume that was open for writing and takes no more writes was shut by the kernel
// after an error of the device: it is lost, not read-only. (ext4(5), "abort".)
func TestShutByTheKernel(t *testing.T) {
	l := lab.New(t)
	dir := l.Drive(lab.Ext4, 0).Plug()
	p := place{Drive: held(t, dir), dir: dir}
	s, err := p.Create("A001.raw")
	check(t, err)
	defer s.Close()
	check(t, unix.Mount("", dir, "", unix.MS_REMOUNT, "abort"))
	_, err = s.Write(random(1 << 20))
	if err == nil {
		err = s.Sync()
	}
	wantIs(t, "write and sync", err, volume.ErrLost)
}
