package api

import (
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func TestSecondDaemonIsToldOfTheFirst(t *testing.T) {
	dir := stateDir(t)
	os.Mkdir(dir, 0o700)
	os.WriteFile(filepath.Join(dir, lockName), []byte("a longer text, of a killed one\n"), 0o600)
	first, _ := play(t, "daemon", dir)
	_, err := Listen(dir)
	fault, ok := errors.AsType[*Fault](err)
	want := fmt.Sprintf("Copyhold is already running (process %d)", first.Process.Pid)
	if !ok || fault.What != want {
		t.Fatalf("second Listen: %v, want %q", err, want)
	}
	dial(t, dir) // the refused one took nothing away
}

func TestKilledDaemonLeavesNothingInTheWay(t *testing.T) {
	dir := stateDir(t)
	os.Mkdir(dir, 0o700)
	first, _ := play(t, "daemon", dir)
	kill(first)
	if _, err := os.Lstat(filepath.Join(dir, socketName)); err != nil {
		t.Fatalf("the test wants a stale socket: %v", err)
	}
	if _, err := Dial(dir); !errors.Is(err, ErrNotRunning) {
		t.Errorf("Dial: %v, want ErrNotRunning", err)
	}
	serve(t, dir, fake{}, noLive)
	if _, err := dial(t, dir).Drives(t.Context()); err != nil {
		t.Error(err)
	}
}

func TestCloseLetsTheNextIn(t *testing.T) {
	dir := stateDir(t)
	for range 2 {
		if _, err := Dial(dir); !errors.Is(err, ErrNotRunning) {
			t.Errorf("Dial: %v, want ErrNotRunning", err)
		}
		if err := listen(t, dir).Close(); err != nil {
			t.Fatal(err)
		}
	}
}

func TestOnlyASocketIsRemoved(t *testing.T) {
	dir := stateDir(t)
	os.Mkdir(dir, 0o700)
	path := filepath.Join(dir, socketName)
	if err := os.WriteFile(path, []byte("mine"), 0o600); err != nil {
		t.Fatal(err)
	}
	_, err := Listen(dir)
	if _, ok := errors.AsType[*Fault](err); !ok {
		t.Errorf("Listen: %v, want a fault", err)
	}
	if text, _ := os.ReadFile(path); string(text) != "mine" {
		t.Error("the file was changed")
	}
	os.Remove(path)
	listen(t, dir) // the failed one let go of the lock
}

func TestLongStateFolder(t *testing.T) {
	dir := filepath.Join(stateDir(t), strings.Repeat("tern-island-", 12))
	t.Setenv("XDG_RUNTIME_DIR", "")
	if _, err := Listen(dir); err == nil || !strings.Contains(err.Error(), fmt.Sprint(len(dir)+len("/control.sock"))) {
		t.Fatalf("Listen: %v, want one that tells the length", err)
	}
	if _, err := os.Stat(dir); err == nil {
		t.Error("a folder was made for nothing")
	}

	place := stateDir(t)
	t.Setenv("XDG_RUNTIME_DIR", place)
	d := serve(t, dir, fake{}, noLive)
	if _, err := dial(t, dir).Drives(t.Context()); err != nil {
		t.Error(err)
	}
	if _, err := Listen(dir); err == nil {
		t.Error("a second daemon was let in")
	}
	if !strings.HasPrefix(d.Path(), place) {
		t.Errorf("the socket is at %s", d.Path())
	}
	d.stop()
	d.Close()
	if left, _ := os.ReadDir(place); len(left) > 0 {
		t.Errorf("left behind: %v", left)
	}
}

func TestDialWhereNothingIs(t *testing.T) {
	if _, err := Dial(stateDir(t)); !errors.Is(err, ErrNotRunning) {
		t.Errorf("Dial: %v, want ErrNotRunning", err)
	}
}

func TestPeerOfSomethingElse(t *testing.T) {
	a, b := net.Pipe()
	defer a.Close()
	defer b.Close()
	if checkCaller(a) == nil || checkDaemon(a) == nil {
		t.Error("a connection that does not tell its user was trusted")
	}
}
