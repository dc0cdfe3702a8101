package api

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

const nobody = 65534

func init() {
	parts["stranger"] = playStranger
	parts["strange daemon"] = playStrangeDaemon
}

// becomeNobody comes after the start: nobody may not run the test binary where
// it lies.
func becomeNobody() error {
	return errors.Join(syscall.Setgroups(nil), syscall.Setgid(nobody), syscall.Setuid(nobody))
}

// playStranger asks the daemon of its working folder, without the client's own care.
func playStranger() error {
	if err := becomeNobody(); err != nil {
		return err
	}
	if _, err := dialSocket(context.Background(), socketName); err != nil {
		fmt.Println("other user:", errors.Is(err, ErrOtherUser))
		return nil
	}
	c := newClient(func(context.Context) (net.Conn, error) { return net.Dial("unix", socketName) })
	answer, err := c.http.Get("http://" + host + "/v1/status")
	if err != nil {
		return err
	}
	defer answer.Body.Close()
	fmt.Println(answer.StatusCode, faultOf(answer))
	return nil
}

// playStrangeDaemon listens in its working folder as somebody else.
func playStrangeDaemon() error {
	if err := becomeNobody(); err != nil {
		return err
	}
	l, err := net.Listen("unix", socketName)
	if err != nil {
		return err
	}
	defer l.Close()
	fmt.Println("listening")
	_, err = os.Stdin.Read(make([]byte, 1))
	return err
}

// needRoot skips the test, or fails it with COPYHOLD_LAB=require, where it cannot play other users.
func needRoot(t *testing.T) {
	t.Helper()
	switch {
	case os.Geteuid() == 0:
	case os.Getenv("COPYHOLD_LAB") == "require":
		t.Fatal("playing another user needs root")
	default:
		t.Skip("playing another user needs root")
	}
}

func TestStrangerIsKeptOutByTheFolder(t *testing.T) {
	needRoot(t)
	dir := stateDir(t)
	serve(t, dir, fake{}, noLive)
	if _, said := play(t, "stranger", dir); said != "other user: true\n" {
		t.Errorf("the stranger met %q", said)
	}
}

func TestStrangerIsRefusedWhereModesFail(t *testing.T) {
	needRoot(t)
	dir := stateDir(t)
	d := serve(t, dir, fake{}, noLive)
	for path, mode := range map[string]os.FileMode{dir: 0o755, d.Path(): 0o666} {
		if err := os.Chmod(path, mode); err != nil {
			t.Fatal(err)
		}
	}
	if _, said := play(t, "stranger", dir); !strings.HasPrefix(said, fmt.Sprint(http.StatusForbidden)) || !strings.Contains(said, "another user") {
		t.Errorf("the stranger met %q", said)
	}
}

// TestTrust connects root and nobody: root may ask anybody's daemon, but would
// not let nobody ask its own.
func TestTrust(t *testing.T) {
	needRoot(t)
	dir := stateDir(t)
	if err := errors.Join(os.Mkdir(dir, 0o700), os.Chown(dir, nobody, nobody)); err != nil {
		t.Fatal(err)
	}
	play(t, "strange daemon", dir)
	conn, err := dialSocket(t.Context(), filepath.Join(dir, socketName))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	if uid, err := peerOf(conn); uid != nobody || err != nil {
		t.Errorf("peerOf = %d, %v", uid, err)
	}
	if err := checkCaller(conn); !errors.Is(err, errStranger) {
		t.Errorf("checkCaller: %v", err)
	}
}

func TestFolderOfAnotherUser(t *testing.T) {
	needRoot(t)
	dir := stateDir(t)
	if err := errors.Join(os.Mkdir(dir, 0o700), os.Chown(dir, nobody, nobody)); err != nil {
		t.Fatal(err)
	}
	_, err := Listen(dir)
	if fault, ok := errors.AsType[*Fault](err); !ok || !strings.Contains(fault.What, "another user") {
		t.Errorf("Listen: %v", err)
	}
}
