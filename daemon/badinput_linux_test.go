package daemon

import (
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"copyhold/config"
	"copyhold/daemon/api"
	"copyhold/replicate/volume/volumetest/lab"
)

// Links and pipes are not followed, not waited for, and told once.
func TestLinksAndPipes(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	drive, outside := t.TempDir(), t.TempDir()
	b.start()
	b.adopt(drive, "Slate")
	files := b.others()
	if err := os.WriteFile(filepath.Join(outside, "secret.txt"), []byte("not of the shoot"), 0o644); err != nil {
		t.Fatal(err)
	}
	shoot := filepath.Join(b.working, "2026-03-02 Tern Island")
	for name, make := range map[string]func(string) error{
		"to a file":      func(p string) error { return os.Symlink(filepath.Join(outside, "secret.txt"), p) },
		"to a folder":    func(p string) error { return os.Symlink(outside, p) },
		"to nothing":     func(p string) error { return os.Symlink("nowhere", p) },
		"to itself":      func(p string) error { return os.Symlink("to itself", p) },
		"to the parent":  func(p string) error { return os.Symlink("..", p) },
		"a pipe":         func(p string) error { return syscall.Mkfifo(p, 0o644) },
		"TERN9999.JPG":   func(p string) error { return os.Symlink("Stills/TERN0001.JPG", p) },
		"a pipe that is": func(p string) error { return syscall.Mkfifo(p, 0o644) },
	} {
		if err := make(filepath.Join(shoot, name)); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Symlink(outside, filepath.Join(b.working, "2026-03-03 a shoot that is a link")); err != nil {
		t.Fatal(err)
	}
	b.until("the others are held", allHeld(files))
	var told []api.Notice
	b.until("all nine are told of", func(s api.Status) bool {
		told = slices.DeleteFunc(slices.Clone(s.Notices), func(n api.Notice) bool { return n.Code != "skipped" })
		return len(told) == 2 && strings.Contains(told[0].Text+told[1].Text, "8 ")
	})
	for _, n := range told { // one for each shoot, however many there are
		b.words(n, "not copied", "plain file", "put those into the shoot")
		if n.Severity != "low" {
			t.Errorf("it is %s", n.Severity)
		}
	}
	b.end()
	held := holdings(t, drive)
	if len(held) != int(files) {
		t.Errorf("on the drive are %v", held)
	}
	for path, sum := range held {
		if sum == "no plain file" || strings.Contains(path, "secret") {
			t.Errorf("%s was followed or copied as it is", path)
		}
	}
}

const nobody = 65534

// asNobody makes a process that of a user who may not read everything. Root may.
func asNobody(cmd *exec.Cmd) {
	cmd.Path = "/proc/self/exe" // the folder of the test binary is closed to others
	cmd.Dir = "/"
	cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: nobody, Gid: nobody}}
}

// openFolder makes a folder that nobody owns; those of t.TempDir are closed to others.
func openFolder(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "")
	if err == nil {
		err = os.Chmod(dir, 0o755)
	}
	if err == nil {
		err = os.Chown(dir, nobody, nobody)
	}
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	return dir
}

func TestUnreadable(t *testing.T) {
	t.Parallel()
	if os.Geteuid() != 0 {
		if os.Getenv(lab.Require) == "require" {
			t.Fatal("becoming another user needs root")
		}
		t.Skip("becoming another user needs root")
	}
	b := newBench(t)
	top := openFolder(t)
	b.working, b.state = filepath.Join(top, "Shoots"), filepath.Join(top, "state")
	b.cfg.Working = []config.Working{{Folder: b.working, Name: "Shoots"}}
	drive := openFolder(t)
	files := b.others()
	b.write("2026-03-02 Tern Island/Stills/locked.JPG", 1000)
	b.write("2026-03-02 Tern Island/Locked/TERN0001.JPG", 1000)
	locked := []string{
		filepath.Join(b.working, "2026-03-02 Tern Island/Stills/locked.JPG"),
		filepath.Join(b.working, "2026-03-02 Tern Island/Locked"),
	}
	for _, path := range locked {
		if err := os.Chmod(path, 0); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.MkdirAll(b.state, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.Chown(b.state, nobody, nobody); err != nil {
		t.Fatal(err)
	}
	offline, err := OpenOffline(Options{Config: b.cfg, StateDir: b.state})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := offline.AddDrive(t.Context(), api.AddDrive{Path: drive, Name: "Slate"}); err != nil {
		t.Fatal(err)
	}
	for _, dir := range []string{b.state, drive} { // what root just wrote
		if out, err := exec.Command("chown", "-R", fmt.Sprintf("%d:%d", nobody, nobody), dir).CombinedOutput(); err != nil {
			t.Fatalf("%v: %s", err, out)
		}
	}
	p := b.spawn(100*time.Millisecond, asNobody)
	select {
	case <-p.ready:
	case <-time.After(30 * time.Second):
		t.Fatalf("the daemon does not get ready:\n%s", p.log)
	}
	s := b.askAsNobody(func(s api.Status) bool {
		return len(s.Drives) == 1 && s.Drives[0].Copies == files && len(unreadable(s)) == 2
	})
	for _, n := range unreadable(s) {
		b.words(n, "cannot be read", "copied as usual", "permissions")
		if n.Severity != "normal" {
			t.Errorf("it is %s", n.Severity)
		}
	}
	if s.Shoots[0].Standing != "one copy" {
		t.Errorf("a shoot with a file that has no copy is %q", s.Shoots[0].Standing) // P8
	}
	for _, path := range locked {
		if err := os.Chmod(path, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	s = b.askAsNobody(func(s api.Status) bool { return s.Drives[0].Copies >= files+1 })
	t.Logf("after the file was opened: %d of %d files are held, %d notices", s.Drives[0].Copies, files+2, len(unreadable(s)))
	p.kill()
	if got := holdings(t, drive); len(got) < int(files)+1 {
		t.Errorf("on the drive are %v", got)
	}
}

func unreadable(s api.Status) (all []api.Notice) {
	for _, n := range s.Notices {
		if n.Code == "unreadable" {
			all = append(all, n)
		}
	}
	return all
}

// askAsNobody waits for a status; the daemon answers only its own user.
func (b *bench) askAsNobody(ok func(api.Status) bool) (s api.Status) {
	b.t.Helper()
	for deadline := time.Now().Add(90 * time.Second); time.Now().Before(deadline); time.Sleep(100 * time.Millisecond) {
		cmd := exec.Command(os.Args[0])
		cmd.Env = append(os.Environ(), askVar+"="+b.state)
		asNobody(cmd)
		out, err := cmd.Output()
		if err != nil {
			b.t.Fatalf("%v", err)
		}
		s = api.Status{}
		if err := json.Unmarshal(out, &s); err != nil {
			b.t.Fatal(err)
		}
		if ok(s) {
			return s
		}
	}
	b.t.Fatalf("it did not come to that; the status is %+v", s)
	return s
}
