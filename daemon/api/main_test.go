package api

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"go.uber.org/goleak"
)

// partVar, when set, makes this test binary play one of parts in a process of
// its own, in the working folder that it is given.
const partVar = "COPYHOLD_TEST_PART"

var parts = map[string]func() error{"daemon": playDaemon}

func TestMain(m *testing.M) {
	if part := os.Getenv(partVar); part != "" {
		if err := parts[part](); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	goleak.VerifyTestMain(m)
}

// playDaemon holds the folder until its input ends.
func playDaemon() error {
	l, err := Listen(".")
	if err != nil {
		return err
	}
	fmt.Println(l.Path())
	io.Copy(io.Discard, os.Stdin)
	return l.Close()
}

// play starts a part in dir and returns it when it has said its first line.
func play(t *testing.T, part, dir string) (cmd *exec.Cmd, line string) {
	t.Helper()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd = exec.Command(self)
	cmd.Env = append(os.Environ(), partVar+"="+part)
	cmd.Dir = dir
	cmd.Stderr = t.Output()
	in, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { in.Close(); kill(cmd) })
	line, err = bufio.NewReader(out).ReadString('\n')
	if err != nil {
		t.Fatalf("%s said nothing: %v", part, err)
	}
	return cmd, line
}

// kill ends what play started. A second time does nothing.
func kill(cmd *exec.Cmd) {
	if cmd.ProcessState == nil {
		cmd.Process.Kill()
		cmd.Wait()
	}
}

// stateDir is a state folder that does not exist yet, with a short path.
func stateDir(t *testing.T) string {
	t.Helper()
	base, err := os.MkdirTemp("", "api")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(base) })
	return filepath.Join(base, "state")
}

func listen(t *testing.T, dir string) *Listener {
	t.Helper()
	l, err := Listen(dir)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	return l
}

// daemon is a Serve that runs until stop is called or the test ends.
type daemon struct {
	*Listener
	stop func() error
}

func serve(t *testing.T, dir string, s Service, live func() (<-chan Status, func())) daemon {
	t.Helper()
	l := listen(t, dir)
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- Serve(ctx, l, s, live, quiet(t)) }()
	stopped := false
	stop := func() error {
		if stopped {
			return nil
		}
		stopped = true
		cancel()
		return <-ended
	}
	t.Cleanup(func() {
		if err := stop(); err != nil {
			t.Errorf("Serve: %v", err)
		}
	})
	return daemon{l, stop}
}

func dial(t *testing.T, dir string) *Client {
	t.Helper()
	c, err := Dial(dir)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func quiet(t *testing.T) *slog.Logger { return slog.New(slog.NewTextHandler(t.Output(), nil)) }
