package lab_test

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"copyhold/replicate/volume/volumetest/lab"
)

// ending, set in the environment of a second run of this test binary, says how the
// test with the drives in it ends there.
const ending = "COPYHOLD_LAB_ENDING"

// No ending of a test leaves a mount, a loop device, a server or a file behind.
func TestNothingIsLeft(t *testing.T) {
	lab.New(t) // or skip
	for _, how := range []string{"passes", "fails", "panics", "is killed"} {
		t.Run(how, func(t *testing.T) {
			dir := endAs(t, how)
			if how == "is killed" {
				if !strings.Contains(mounts(t), dir) {
					t.Error("nothing is mounted: the test does not bite")
				}
				endAs(t, "passes") // the next lab in another process sweeps
			}
			leftNothing(t, dir)
		})
	}
}

// endAs runs TestEnding in a process of its own and returns the folder of its lab.
func endAs(t *testing.T, how string) string {
	t.Helper()
	cmd := exec.Command(os.Args[0], "-test.run=^TestEnding$", "-test.timeout=60s")
	cmd.Env = append(os.Environ(), ending+"="+how)
	out, err := cmd.CombinedOutput()
	if (err == nil) != (how == "passes") {
		t.Fatalf("a test that %s: %v\n%s", how, err, out)
	}
	for line := range bytes.Lines(out) {
		if dir, ok := bytes.CutPrefix(bytes.TrimSpace(line), []byte("lab in ")); ok {
			return string(dir)
		}
	}
	t.Fatalf("a test that %s named no lab:\n%s", how, out)
	return ""
}

func TestEnding(t *testing.T) {
	how := os.Getenv(ending)
	if how == "" {
		t.Skip("runs in a process of its own, started by TestNothingIsLeft")
	}
	l := lab.New(t)
	os.Stdout.WriteString("lab in " + filepath.Dir(l.Media()) + "\n")
	for _, kind := range lab.Kinds() {
		check(t, os.WriteFile(filepath.Join(l.Drive(kind, 0).Plug(), "A001.mov"), clip(1<<20), 0o644))
	}
	cut := l.Drive(lab.ExFAT, 0)
	cut.PlugAt(t.TempDir())
	cut.Cut()
	switch how {
	case "fails":
		t.FailNow()
	case "panics":
		panic("as asked")
	case "is killed":
		syscall.Kill(os.Getpid(), syscall.SIGKILL)
	}
}

func leftNothing(t *testing.T, dir string) {
	t.Helper()
	if table := mounts(t); strings.Contains(table, dir) {
		t.Errorf("mounts of %s are left:\n%s", dir, table)
	}
	if devices := backingFiles(t); strings.Contains(devices, dir) {
		t.Errorf("loop devices of %s are left:\n%s", dir, devices)
	}
	lines, err := filepath.Glob("/proc/[0-9]*/cmdline")
	check(t, err)
	for _, line := range lines {
		if b, _ := os.ReadFile(line); bytes.Contains(b, []byte(dir)) {
			t.Errorf("a server is left: %q", b)
		}
	}
	absent(t, dir)
}

func mounts(t *testing.T) string {
	t.Helper()
	b, err := os.ReadFile("/proc/self/mountinfo")
	check(t, err)
	return string(b)
}

func backingFiles(t *testing.T) string {
	t.Helper()
	names, err := filepath.Glob("/sys/block/loop*/loop/backing_file")
	check(t, err)
	var all []byte
	for _, name := range names {
		b, _ := os.ReadFile(name) // gone between the two looks
		all = append(all, b...)
	}
	return string(all)
}
