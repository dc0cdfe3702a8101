package daemon

import (
	"context"
	"crypto/rand"
	"fmt"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"copyhold/config"
	"copyhold/daemon/api"
	"copyhold/state"
)

// world for a test: a working folder, a state folder, and a daemon that runs.
type bench struct {
	t       *testing.T
	working string
	state   string
	cfg     config.Config
	stop    context.CancelFunc
	ended   chan error
	client  *api.Client
	log     journal
	speaker Speaker // nil: no desktop
}

func newBench(t *testing.T) *bench {
	t.Helper()
	dir := t.TempDir()
	b := &bench{t: t, working: filepath.Join(dir, "Shoots"), state: filepath.Join(dir, "state")}
	if err := os.MkdirAll(b.working, 0o755); err != nil {
		t.Fatal(err)
	}
	b.cfg = config.Default()
	b.cfg.Working = []config.Working{{Folder: b.working, Name: "Shoots"}}
	b.cfg.Policy.Copies, b.cfg.Policy.OffSite = 2, 0
	b.cfg.Watch.Settle = config.Duration(200 * time.Millisecond)
	t.Cleanup(func() {
		b.end()
		b.check()
	})
	return b
}

// start runs the daemon and waits until it answers.
func (b *bench) start() {
	b.t.Helper()
	ctx, stop := context.WithCancel(context.Background())
	b.stop, b.ended = stop, make(chan error, 1)
	ready := make(chan struct{})
	opt := Options{
		Config: b.cfg, StateDir: b.state, Version: "test", Poll: 100 * time.Millisecond,
		Log:   slog.New(slog.NewTextHandler(testWriter{b.t, &b.log}, &slog.HandlerOptions{Level: slog.LevelDebug})),
		Ready: func() { close(ready) }, Speaker: b.speaker,
	}
	go func() { b.ended <- Run(ctx, opt) }()
	select {
	case <-ready:
	case err := <-b.ended:
		b.t.Fatalf("the daemon did not start: %v", err)
	}
	client, err := api.Dial(b.state)
	if err != nil {
		b.t.Fatal(err)
	}
	b.client = client
}

// end stops the daemon, if it runs.
func (b *bench) end() {
	if b.stop == nil {
		return
	}
	b.stop()
	if err := <-b.ended; err != nil {
		b.t.Errorf("the daemon ended with %v", err)
	}
	b.stop = nil
}

// check proves that the ledger is whole: every store opened in a test is.
func (b *bench) check() {
	l, err := state.OpenReadOnly(b.state)
	if err != nil {
		return
	}
	defer l.Close()
	if err := l.Check(); err != nil {
		b.t.Errorf("the ledger: %v", err)
	}
}

func (b *bench) status() api.Status {
	b.t.Helper()
	s, err := b.client.Status(b.t.Context())
	if err != nil {
		b.t.Fatal(err)
	}
	return s
}

// until waits for the status to be as wanted.
func (b *bench) until(what string, ok func(api.Status) bool) api.Status {
	b.t.Helper()
	return b.within(90*time.Second, what, ok)
}

// within is until with a limit of its own.
func (b *bench) within(limit time.Duration, what string, ok func(api.Status) bool) api.Status {
	b.t.Helper()
	deadline := time.Now().Add(limit)
	for {
		s := b.status()
		if ok(s) {
			return s
		}
		if time.Now().After(deadline) {
			b.t.Fatalf("%s did not happen; the status is %+v", what, s)
		}
		time.Sleep(20 * time.Millisecond)
	}
}

// covered: the drives hold every file, and their lists are written.
func allHeld(files int64) func(api.Status) bool {
	return func(s api.Status) bool {
		if len(s.Working) == 0 || s.Working[0].Files != files || len(s.Drives) == 0 {
			return false
		}
		for _, d := range s.Drives {
			if d.WantedFiles != 0 || d.Copies != files || !d.SafeToUnplug {
				return false
			}
		}
		return true
	}
}

func (b *bench) adopt(path, name string) {
	b.t.Helper()
	_, err := b.client.AddDrive(b.t.Context(), api.AddDrive{Path: path, Name: name, Separate: true})
	if err != nil {
		b.t.Fatal(err)
	}
}

func (b *bench) write(name string, size int) {
	b.t.Helper()
	content := make([]byte, size)
	rand.Read(content)
	path := filepath.Join(b.working, filepath.FromSlash(name))
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		b.t.Fatal(err)
	}
	if err := os.WriteFile(path, content, 0o644); err != nil {
		b.t.Fatal(err)
	}
}

// sums runs the stock b3sum over every list of a drive and counts its OK lines.
func sums(t *testing.T, drive string) (ok int) {
	t.Helper()
	if _, err := exec.LookPath("b3sum"); err != nil {
		if os.Getenv("COPYHOLD_LAB") == "require" {
			t.Fatal("b3sum is not installed")
		}
		t.Skip("b3sum is not installed")
	}
	found, err := filepath.Glob(filepath.Join(drive, ".copyhold", "lists", "*", "*.b3"))
	if err != nil {
		t.Fatal(err)
	}
	for _, list := range found {
		cmd := exec.Command("b3sum", "--check", list)
		cmd.Dir = drive
		out, err := cmd.CombinedOutput()
		if err != nil {
			t.Errorf("b3sum --check %s: %v\n%s", list, err, out)
		}
		ok += strings.Count(string(out), ": OK\n")
	}
	return ok
}

func TestMainJob(t *testing.T) {
	b := newBench(t)
	slate, attic := t.TempDir(), t.TempDir()
	for i := range 50 {
		b.write(fmt.Sprintf("2026-03-02 Tern Island/Stills/TERN%04d.JPG", i), 1000*i)
	}
	b.start()
	b.adopt(slate, "Slate")
	b.adopt(attic, "Attic")
	b.write("2026-03-02 Tern Island/Seabird I/SB1_0001.AVI", 20<<20)
	b.write("loose.txt", 10)
	b.until("every file verified on both drives", allHeld(52))
	for _, drive := range []string{slate, attic} {
		if got := sums(t, drive); got != 52 {
			t.Errorf("b3sum found %d files OK on %s, want 52", got, drive)
		}
	}
}

// testWriter sends the daemon's log to the test that started it.
type testWriter struct {
	t   *testing.T
	log *journal
}

func (w testWriter) Write(p []byte) (int, error) {
	w.log.add(string(p))
	w.t.Logf("%s", strings.TrimRight(string(p), "\n"))
	return len(p), nil
}

// journal remembers the lines of a log.
type journal struct {
	mu    sync.Mutex
	lines []string
}

func (j *journal) add(line string) {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.lines = append(j.lines, line)
}

// with lists the lines that contain a phrase.
func (j *journal) with(phrase string) (found []string) {
	j.mu.Lock()
	defer j.mu.Unlock()
	for _, line := range j.lines {
		if strings.Contains(line, phrase) {
			found = append(found, line)
		}
	}
	return found
}
