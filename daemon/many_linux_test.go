package daemon

import (
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"copyhold/daemon/api"
	"copyhold/replicate/volume/volumetest/lab"
)

// manyVar sets how many files TestManyFilesInOneFolder makes: 100,000 when not
// said, fewer where each costs much.
const manyVar = "COPYHOLD_TEST_FILES"

func manyFiles(t *testing.T) int {
	n := 100_000
	if testing.Short() || raceFactor > 1 {
		n = 20_000
	}
	if text := os.Getenv(manyVar); text != "" {
		var err error
		if n, err = strconv.Atoi(text); err != nil {
			t.Fatal(err)
		}
	}
	return n
}

// 100,000 files in one folder: all are copied, questions are answered
// meanwhile, and when all is done the daemon idles without work for the
// processor or the disks.
func TestManyFilesInOneFolder(t *testing.T) {
	l := lab.New(t)
	drive := l.Drive(lab.Ext4, 500).Plug()
	b := newBench(t)
	n := manyFiles(t)
	b.fill("2026-03-02 Tern Island/Stills", n)

	p := b.spawn(time.Second)
	b.dial(p)
	began := time.Now()
	b.adopt(drive, "Slate")
	b.within(3*time.Minute, "every file verified", func(s api.Status) bool {
		asked := time.Now()
		b.status()
		if took := time.Since(asked); took > 3*time.Second {
			t.Errorf("a question was answered after %.1f s", took.Seconds())
		}
		return allHeld(int64(n))(s)
	})
	t.Logf("%d files verified after %.1f s", n, time.Since(began).Seconds())

	b.within(time.Minute, "rest", func(s api.Status) bool { return len(s.Working) > 0 && !s.Working[0].Scanning })
	idles(t, p)
	p.kill()
	if got := sums(t, drive); got != n {
		t.Errorf("b3sum found %d files OK, want %d", got, n)
	}
}

// A drive that is a plain folder announces nothing, and is asked in a rhythm:
// that costs next to nothing too.
func TestIdleWithFolderDrive(t *testing.T) {
	b := newBench(t)
	b.write("2026-03-02 Tern Island/TERN0001.JPG", 1000)
	p := b.spawn(0)
	b.dial(p)
	b.adopt(t.TempDir(), "Slate")
	b.until("held", allHeld(1))
	idles(t, p)
}

// idles proves that a process that has nothing to do does next to nothing. A
// drive that somebody else plugs in meanwhile is looked at, rightly: so one quiet
// stretch of a few is enough.
func idles(t *testing.T, p *process) {
	t.Helper()
	time.Sleep(3 * time.Second)
	const watch = 6 * time.Second
	for try := range 4 {
		before := use(t, p.cmd.Process.Pid)
		time.Sleep(watch)
		after := use(t, p.cmd.Process.Pid)
		share, read := float64(after.cpu-before.cpu)/float64(watch), after.read-before.read
		t.Logf("idle: %.3f %% of a core, %d bytes read from disks", 100*share, read)
		switch {
		case share <= 0.005*raceFactor && read == 0:
			return
		case try == 3:
			t.Errorf("it uses %.2f %% of a core and reads %d bytes when idle", 100*share, read)
		}
	}
}

// fill makes n small files in one folder.
func (b *bench) fill(folder string, n int) {
	b.t.Helper()
	dir := filepath.Join(b.working, filepath.FromSlash(folder))
	if err := os.MkdirAll(dir, 0o755); err != nil {
		b.t.Fatal(err)
	}
	for i := range n {
		content := strings.Repeat("x", i%100)
		if err := os.WriteFile(filepath.Join(dir, fmt.Sprintf("TERN%06d.XMP", i)), []byte(content), 0o644); err != nil {
			b.t.Fatal(err)
		}
	}
}

// used is what a process has used of the machine so far.
type used struct {
	cpu  time.Duration
	read int64 // bytes that came from disks
}

// use asks the kernel: proc_pid_io(5), and for the time on a processor, to the
// nanosecond, each thread's schedstat (Documentation/scheduler/sched-stats.rst).
func use(t *testing.T, pid int) (u used) {
	t.Helper()
	threads, _ := filepath.Glob(fmt.Sprintf("/proc/%d/task/*/schedstat", pid))
	for _, path := range threads {
		text, err := os.ReadFile(path)
		if err != nil {
			continue // the thread ended
		}
		ns, _, _ := strings.Cut(string(text), " ")
		onCPU, err := strconv.ParseInt(ns, 10, 64)
		if err != nil {
			t.Fatal(err)
		}
		u.cpu += time.Duration(onCPU)
	}
	if u.cpu == 0 {
		t.Fatal("the kernel tells no time on a processor")
	}
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/io", pid))
	if err != nil {
		t.Fatal(err)
	}
	_, rest, _ := strings.Cut(string(text), "read_bytes: ")
	line, _, _ := strings.Cut(rest, "\n")
	if u.read, err = strconv.ParseInt(line, 10, 64); err != nil {
		t.Fatal(err)
	}
	return u
}
