package drives

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"copyhold/replicate"

	"golang.org/x/sys/unix"
)

// lab skips a test that needs real drives where there can be none. COPYHOLD_LAB=require makes that a failure.
func lab(t *testing.T, tools ...string) {
	t.Helper()
	without := t.Skipf
	if os.Getenv("COPYHOLD_LAB") == "require" {
		without = t.Fatalf
	}
	if os.Geteuid() != 0 {
		without("needs root to mount")
	}
	for _, tool := range append(tools, "losetup", "mount", "umount") {
		if _, err := exec.LookPath(tool); err != nil {
			without("needs %s", tool)
		}
	}
	if _, err := os.Stat("/dev/loop-control"); err != nil {
		without("needs loop devices")
	}
}

// command runs a tool, bounded.
func command(name string, args ...string) (string, error) {
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
	defer cancel()
	var both bytes.Buffer
	c := exec.CommandContext(ctx, name, args...)
	c.Stdout, c.Stderr = &both, &both
	c.WaitDelay = time.Second
	if err := c.Run(); err != nil {
		return "", fmt.Errorf("%s %s: %w: %s", name, strings.Join(args, " "), err, both.String())
	}
	return strings.TrimSpace(both.String()), nil
}

func run(t *testing.T, name string, args ...string) string {
	t.Helper()
	out, err := command(name, args...)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// loop makes image a block device until the test ends. Another process may take the free number that losetup found.
func loop(t *testing.T, image string) string {
	t.Helper()
	var dev string
	var err error
	for range 5 {
		if dev, err = command("losetup", "-f", "--show", image); err == nil {
			break
		}
	}
	must(t, err)
	t.Cleanup(func() {
		if _, err := command("losetup", "-d", dev); err != nil {
			t.Error(err)
		}
	})
	return dev
}

// mountAt mounts until the test ends or unmount is called.
func mountAt(t *testing.T, dir string, args ...string) (unmount func()) {
	t.Helper()
	must(t, os.MkdirAll(dir, 0o755))
	run(t, "mount", append(args, dir)...)
	mounted := true
	unmount = func() {
		if !mounted {
			return
		}
		mounted = false
		if _, err := command("umount", dir); err != nil {
			_, lazy := command("umount", "-l", dir)
			t.Error(errors.Join(err, lazy))
		}
	}
	t.Cleanup(unmount)
	return unmount
}

const volumeOne = "6e1f7a52-33c1-4f0e-9f0a-0c5d2b7e9a11"

// ext4 makes an image with an ext4 volume.
func ext4(t *testing.T, image string) {
	t.Helper()
	must(t, os.WriteFile(image, nil, 0o600))
	must(t, os.Truncate(image, 16<<20))
	run(t, "mkfs.ext4", "-q", "-U", volumeOne, image)
}

// adopt writes an identity file as a drive has it.
func adopt(t *testing.T, dir, id, volume string) {
	t.Helper()
	must(t, os.MkdirAll(filepath.Join(dir, holdFolder), 0o755))
	text := fmt.Sprintf(`{"format":1,"id":%q,"volume":%q}`, id, volume)
	must(t, os.WriteFile(filepath.Join(dir, identityFile), []byte(text), 0o644))
}

// under keeps the evidence below dir: a lab has other people's drives as well.
func under(dir string, seen []replicate.Evidence) []replicate.Evidence {
	return slices.DeleteFunc(seen, func(e replicate.Evidence) bool { return !within(dir, e.Path) })
}

// decided is what Identify makes of the evidence, with the test's folder left out.
func decided(dir string, known replicate.KnownDrive, seen []replicate.Evidence) string {
	var lines []string
	for _, v := range replicate.Identify([]replicate.KnownDrive{known}, seen) {
		lines = append(lines, strings.ReplaceAll(v.String(), dir, ""))
	}
	return strings.Join(lines, "\n")
}

// TestADriveComesMovesAndIsCloned follows one ext4 drive, a folder on its volume, through a day.
func TestADriveComesMovesAndIsCloned(t *testing.T) {
	lab(t, "mkfs.ext4")
	dir := t.TempDir()
	image := filepath.Join(dir, "one.img")
	ext4(t, image)
	dev := loop(t, image)
	usual := filepath.Join(dir, "media", "SLATE")
	unmount := mountAt(t, usual, dev)
	adopt(t, filepath.Join(usual, "copies"), "slate", volumeOne)

	f := NewFinder()
	at := filepath.Join(usual, "copies")
	where := []Where{{ID: "slate", LastPath: at, Sub: "copies"}}
	known := replicate.KnownDrive{ID: "slate", Name: "Slate", LastPath: at, Volume: volumeOne}
	look := func() []replicate.Evidence {
		t.Helper()
		seen := under(dir, f.Look(t.Context(), where))
		for _, e := range seen {
			t.Logf("%+v", e)
		}
		return seen
	}
	expect := func(seen []replicate.Evidence, want string) {
		t.Helper()
		if got := decided(dir, known, seen); got != want {
			t.Errorf("got\n%s\nwant\n%s", got, want)
		}
	}

	seen := look()
	expect(seen, `slate: same at "/media/SLATE/copies" (where it was last)`)
	if len(seen) == 1 {
		e := seen[0]
		if e.Volume != volumeOne || e.IDVolume != volumeOne || e.Disk != filepath.Base(dev) || e.ReadOnly {
			t.Errorf("got %+v", e)
		}
	}

	also := filepath.Join(dir, "also")
	unbind := mountAt(t, also, "--bind", usual)
	expect(look(), `slate: same at "/media/SLATE/copies" (where it was last; the same folder is also at "/also/copies")`)
	unbind()

	unmount()
	expect(look(), `slate: away (not plugged in)`)

	clone := filepath.Join(dir, "clone.img")
	run(t, "dd", "if="+image, "of="+clone, "bs=1M", "status=none")
	elsewhere := mountAt(t, filepath.Join(dir, "red"), "-o", "ro", dev)
	expect(look(), `slate: moved at "/red/copies" (was last at "/media/SLATE/copies"; read-only)`)
	elsewhere()
	mountAt(t, filepath.Join(dir, "red"), dev)
	seen = look()
	expect(seen, `slate: moved at "/red/copies" (was last at "/media/SLATE/copies")`)

	mountAt(t, filepath.Join(dir, "image"), loop(t, clone))
	seen = look()
	expect(seen, `slate: cloned at "/red/copies" (the identity of "Slate" is at "/red/copies" and "/image/copies", `+
		`and one is a copy of the other: none is written until only one is plugged in, or one is adopted as a drive of its own)`)
	if len(seen) != 2 {
		t.Fatalf("%d pieces of evidence, want 2", len(seen))
	}
	a, b := seen[0], seen[1]
	if a.ID != b.ID || a.Volume != b.Volume || a.Mount == b.Mount || a.Disk == b.Disk || a.Folder == b.Folder {
		t.Errorf("want equal ids and volumes on two mounts and disks, got\n%+v\n%+v", a, b)
	}
}

// TestAMountOverTheHoldFolder: an identity speaks for its own file system only. (P7)
func TestAMountOverTheHoldFolder(t *testing.T) {
	lab(t)
	dir := t.TempDir()
	adopt(t, dir, "slate", "")
	elsewhere := filepath.Join(dir, "elsewhere")
	must(t, os.Mkdir(elsewhere, 0o755))
	mountAt(t, filepath.Join(dir, holdFolder), "-t", "tmpfs", "tmpfs")
	must(t, os.WriteFile(filepath.Join(dir, identityFile), []byte(good), 0o644))
	e, found := probe(dir)
	if want := "its identity file is on another file system than its folder"; !found || e.Err != want {
		t.Errorf("got %+v", e)
	}
}

// TestDescribeALoopDrive tells what adopting a drive asks.
func TestDescribeALoopDrive(t *testing.T) {
	lab(t, "mkfs.ext4")
	dir := t.TempDir()
	image := filepath.Join(dir, "one.img")
	ext4(t, image)
	dev := loop(t, image)
	point := filepath.Join(dir, "with space")
	mountAt(t, point, dev)
	folder := filepath.Join(point, "a")
	must(t, os.Mkdir(folder, 0o755))
	p, err := Describe(folder)
	must(t, err)
	t.Logf("%+v", p)
	want := Place{
		Path: folder, MountPoint: point, FSType: "ext4", Volume: volumeOne, Device: dev, Disk: filepath.Base(dev),
		Mount: p.Mount, Folder: p.Folder, Size: p.Size, Free: p.Free,
	}
	if p != want || p.Mount == "" || p.Size < 8<<20 || p.Size > 16<<20 || p.Free <= 0 || p.Free > p.Size {
		t.Errorf("got %+v, want %+v", p, want)
	}
	home, err := Describe(dir)
	must(t, err)
	if SharesDisk(p, home) {
		t.Errorf("a loop device shares the disk of its image: %+v %+v", p, home)
	}
}

// TestLinkTo finds a UUID that only the device daemon tells.
func TestLinkTo(t *testing.T) {
	dev, ok := blockNode("/dev/loop0")
	if !ok {
		t.Skip("no block device to point at")
	}
	k := kernel{sys: "/sys", byUUID: t.TempDir()}
	must(t, os.Symlink("/dev/null", filepath.Join(k.byUUID, "0000-0000")))
	must(t, os.Symlink("/dev/gone", filepath.Join(k.byUUID, "0000-0001")))
	if got := k.linkTo(dev); got != "" {
		t.Errorf("got %q", got)
	}
	must(t, os.Symlink("/dev/loop0", filepath.Join(k.byUUID, "1A2B-3C4D")))
	if got := k.linkTo(dev); got != "1A2B-3C4D" {
		t.Errorf("got %q", got)
	}
}

// TestMountsAreHintedAt: a mount and an unmount are noticed within a second, without polling.
func TestMountsAreHintedAt(t *testing.T) {
	lab(t)
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	hints := Watch(ctx, 0)
	dir := filepath.Join(t.TempDir(), "m")
	expect := func(what string, began time.Time) {
		t.Helper()
		awaitHint(t, hints, true)
		took := time.Since(began)
		t.Logf("%s: hinted at %v after the command began", what, took)
		if took > time.Second {
			t.Errorf("%s: hinted at after %v", what, took)
		}
	}
	began := time.Now()
	unmount := mountAt(t, dir, "-t", "tmpfs", "tmpfs")
	expect("mount", began)
	began = time.Now()
	unmount()
	expect("unmount", began)
	cancel()
	for range hints { // until closed
	}
}

// hangable is an exFAT drive whose server is a process that a test may stop, continue and kill.
func hangable(t *testing.T, point string) *exec.Cmd {
	t.Helper()
	image := point + ".img"
	must(t, os.WriteFile(image, nil, 0o600))
	must(t, os.Truncate(image, 16<<20))
	run(t, "mkfs.exfat", image)
	must(t, os.MkdirAll(point, 0o755))
	dev := loop(t, image)

	runtime.LockOSThread() // the server dies with the thread that started it
	t.Cleanup(runtime.UnlockOSThread)
	server := exec.Command("mount.exfat-fuse", "-d", dev, point) // -d keeps it in the foreground
	server.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	must(t, server.Start())
	t.Cleanup(func() {
		server.Process.Kill() // it may be dead already
		server.Wait()         // killed
		if _, err := command("umount", "-l", point); err != nil && mountedAt(point) {
			t.Error(err)
		}
	})
	for end := time.Now().Add(10 * time.Second); !mountedAt(point); time.Sleep(10 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("the exFAT drive was not mounted within 10s")
		}
	}
	return server
}

func mountedAt(point string) bool {
	all, err := mounts()
	return err == nil && slices.ContainsFunc(all, func(m mount) bool { return m.Point == point })
}

// TestARealDriveHangs stops the server of a FUSE drive: Look stays bounded, says so once the drive is known, finds
// it again when it goes on, and speaks of a dead server as of trouble.
func TestARealDriveHangs(t *testing.T) {
	lab(t, "mkfs.exfat", "mount.exfat-fuse")
	dir := t.TempDir()
	point := filepath.Join(dir, "CARD")
	server := hangable(t, point)
	adopt(t, point, "card", "")
	p, err := Describe(point)
	must(t, err)
	t.Logf("%+v", p)
	if !strings.HasPrefix(p.Disk, "loop") || p.Volume != "" || !strings.HasPrefix(p.FSType, "fuse") {
		t.Errorf("an exFAT drive over FUSE is described as %+v", p)
	}

	f := NewFinder()
	f.wait = 500 * time.Millisecond
	known := []Where{{ID: "card", LastPath: point}}
	look := func(want string) {
		t.Helper()
		began := time.Now()
		got := strings.ReplaceAll(brief(under(dir, f.Look(t.Context(), known))), dir, "")
		if took := time.Since(began); took > f.wait+time.Second {
			t.Errorf("the look took %v", took)
		}
		if got != want {
			t.Errorf("got %q, want %q", got, want)
		}
	}
	look("/CARD card")

	must(t, server.Process.Signal(unix.SIGSTOP))
	look("/CARD (it does not answer)")
	hung := runtime.NumGoroutine()
	for range 5 {
		look("/CARD (it does not answer)")
	}
	if n := runtime.NumGoroutine(); n > hung {
		t.Errorf("%d goroutines after five more looks, %d before", n, hung)
	}
	must(t, server.Process.Signal(unix.SIGCONT))
	for end := time.Now().Add(5 * time.Second); ; time.Sleep(10 * time.Millisecond) {
		f.mu.Lock()
		busy := len(f.busy)
		f.mu.Unlock()
		if busy == 0 {
			break
		}
		if time.Now().After(end) {
			t.Fatal("the hung probe did not come back")
		}
	}
	look("/CARD card")

	must(t, server.Process.Kill())
	server.Wait() // killed; its files are closed when this returns
	look("/CARD (its folder cannot be read: transport endpoint is not connected)")
}
