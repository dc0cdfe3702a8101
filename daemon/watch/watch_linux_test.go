package watch

import (
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"
)

// lab skips a test that needs to mount, unless the laboratory is required.
func lab(t *testing.T) {
	t.Helper()
	dir := t.TempDir()
	err := syscall.Mount("tmpfs", dir, "tmpfs", 0, "size=1m")
	if err == nil {
		err = syscall.Unmount(dir, 0)
	}
	switch {
	case err == nil:
	case os.Getenv("COPYHOLD_LAB") == "require":
		t.Fatalf("cannot mount: %v", err)
	default:
		t.Skipf("cannot mount: %v", err)
	}
}

// mount puts a new, empty volume at dir; the test's end removes what is left of it.
func mount(t *testing.T, dir string) {
	t.Helper()
	if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, "size=4m"); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = syscall.Unmount(dir, syscall.MNT_DETACH) })
}

func unmount(t *testing.T, dir string) {
	t.Helper()
	deadline := time.Now().Add(patience)
	for {
		err := syscall.Unmount(dir, 0)
		if err == nil {
			return
		}
		if err != syscall.EBUSY || time.Now().After(deadline) { // busy while a check reads
			t.Fatal(err)
		}
	}
}

// TestUnmountOfTheRoot: fsnotify says nothing, https://github.com/fsnotify/fsnotify/issues/774.
func TestUnmountOfTheRoot(t *testing.T) {
	lab(t)
	root := t.TempDir()
	mount(t, root)
	s := look(t, root, nil)
	s.await("rescan (watching started)")
	for range 3 {
		s.mkdir(shoot)
		s.soFar()
		unmount(t, root)
		s.await("rescan (watches were lost)") // of the empty mount point
		mount(t, root)
		s.await("rescan (watches were lost)")
		s.mkdir(shoot)
		s.write(shoot + "/A001.raw")
		s.await(touched(shoot + "/A001.raw"))
	}
}

func TestUnmountAboveTheRoot(t *testing.T) {
	lab(t)
	drive := t.TempDir()
	s := look(t, filepath.Join(drive, "Shoots"), nil)
	s.await("away")
	for range 3 {
		mount(t, drive)
		s.mkdir(shoot)
		s.await("rescan (folder is back)")
		s.write(shoot + "/A001.raw")
		s.await(touched(shoot + "/A001.raw"))
		unmount(t, drive)
		s.await("away")
	}
}

// TestUnmountInside: the root's own watch is there all the time.
func TestUnmountInside(t *testing.T) {
	lab(t)
	root := t.TempDir()
	inner := filepath.Join(root, shoot)
	if err := os.Mkdir(inner, 0o777); err != nil {
		t.Fatal(err)
	}
	mount(t, inner)
	s := look(t, root, nil)
	s.await("rescan (watching started)")
	s.write(shoot + "/A001.raw")
	s.await(touched(shoot + "/A001.raw"))
	unmount(t, inner)
	s.await("rescan (watches were lost)")
	s.write(shoot + "/A002.raw")
	s.await(touched(shoot + "/A002.raw"))
}

// TestFolderInTwoPlaces: one inode has one watch, however many names; to look for the
// other again and again would be a scan every two seconds.
func TestFolderInTwoPlaces(t *testing.T) {
	lab(t)
	s := lookAt(t, nil)
	s.mkdir("a")
	s.mkdir("b")
	s.soFar()
	s.must(syscall.Mount(s.path("a"), s.path("b"), "", syscall.MS_BIND, ""))
	t.Cleanup(func() { _ = syscall.Unmount(s.path("b"), syscall.MNT_DETACH) })
	w := New(s.root, nil, nil)
	defer w.close()
	w.check(t.Context())
	src := w.src
	for range 5 {
		w.check(t.Context())
	}
	if w.src != src {
		t.Error("started afresh")
	}
}

func TestPipeIsHinted(t *testing.T) {
	s := lookAt(t, nil)
	s.mkdir(shoot)
	s.must(syscall.Mkfifo(s.path(shoot+"/pipe"), 0o666))
	s.await(touched(shoot + "/pipe"))
	s.must(os.Mkdir(s.path("later"), 0o777))
	s.must(syscall.Mkfifo(s.path("later/pipe"), 0o666))
	s.await(touched("later/pipe"))
}

// TestPipeOrLinkIsNotRead: what has taken a folder's name since the folder was seen
// is neither waited at nor followed.
func TestPipeOrLinkIsNotRead(t *testing.T) {
	dir := t.TempDir()
	pipe, link := filepath.Join(dir, "pipe"), filepath.Join(dir, "link")
	if err := syscall.Mkfifo(pipe, 0o666); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(dir, link); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{pipe, link} {
		if _, err := readFolder(name, false); err == nil {
			t.Errorf("%s was read as a folder", filepath.Base(name))
		}
	}
	if _, err := readFolder(link, true); err != nil {
		t.Errorf("a root that is a link: %v", err)
	}
}

func TestOddNames(t *testing.T) {
	s := lookAt(t, nil)
	for _, name := range []string{"new\nline", `back\slash`, "not\xffutf8", "..."} {
		s.mkdir(name)
		s.write(name + "/A001.raw")
		s.await(touched(name + "/A001.raw"))
	}
}
