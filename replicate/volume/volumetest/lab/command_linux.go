package lab

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"time"
)

const (
	commandLimit = 10 * time.Second // for a command
	waitLimit    = 3 * time.Second  // for an effect that comes a little after its cause
)

// tool finds a program, also where a plain user's path does not look.
func tool(name string) (string, error) {
	if path, err := exec.LookPath(name); err == nil {
		return path, nil
	}
	for _, dir := range []string{"/usr/sbin", "/sbin", "/usr/local/sbin"} {
		if path, err := exec.LookPath(filepath.Join(dir, name)); err == nil {
			return path, nil
		}
	}
	return "", fmt.Errorf("%s is not installed", name)
}

// command runs a program and returns what it printed. A program that is stuck in
// the kernel cannot be killed, so it is abandoned rather than waited for.
func command(argv ...string) (string, error) {
	path, err := tool(argv[0])
	if err != nil {
		return "", err
	}
	var out bytes.Buffer
	cmd := exec.Command(path, argv[1:]...)
	cmd.Env = append(os.Environ(), "LC_ALL=C")
	cmd.Stdout, cmd.Stderr = &out, &out
	cmd.WaitDelay = time.Second
	if err := cmd.Start(); err != nil {
		return "", err
	}
	if err := waitAtMost(commandLimit, cmd.Process, cmd.Wait); err != nil {
		if errors.Is(err, errStuck) {
			return "", fmt.Errorf("%s: %w", strings.Join(argv, " "), err)
		}
		return out.String(), fmt.Errorf("%s: %w: %s", strings.Join(argv, " "), err, strings.TrimSpace(out.String()))
	}
	return out.String(), nil
}

var errStuck = errors.New("still running at its time limit, killed and left")

// waitAtMost returns what wait returns, or kills p and gives up on it.
func waitAtMost(limit time.Duration, p *os.Process, wait func() error) error {
	done := make(chan error, 1)
	go func() { done <- wait() }()
	timer := time.NewTimer(limit)
	defer timer.Stop()
	select {
	case err := <-done:
		return err
	case <-timer.C:
		p.Kill()
		return errStuck
	}
}

// eventually asks again, every few milliseconds, until ok or the limit.
func eventually(ok func() bool) bool {
	for end := time.Now().Add(waitLimit); ; time.Sleep(2 * time.Millisecond) {
		if ok() {
			return true
		}
		if time.Now().After(end) {
			return false
		}
	}
}
