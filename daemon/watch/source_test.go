package watch

import (
	"fmt"
	"os"
	"runtime"
	"slices"
	"sync"
	"syscall"
	"testing"

	"github.com/fsnotify/fsnotify"
)

// few grants no more than so many watches.
type few struct {
	adder
	mu  sync.Mutex
	max int
}

func (f *few) Add(name string) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	if len(f.WatchList()) >= f.max {
		return fmt.Errorf("add: %w", syscall.ENOSPC)
	}
	return f.adder.Add(name)
}

func (f *few) grant(n int) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.max = n
}

// grants makes w have n watches at most; the result changes that.
func grants(w *Watcher, n int) *few {
	f := &few{max: n}
	w.open = func() (*source, error) {
		src, err := openSource()
		if err == nil {
			f.mu.Lock()
			f.adder, src.adder = src.adder, f
			f.mu.Unlock()
		}
		return src, err
	}
	return f
}

func TestWatchLimit(t *testing.T) {
	root := t.TempDir()
	for i := range 10 {
		if err := os.MkdirAll(fmt.Sprintf("%s/%d/stills", root, i), 0o777); err != nil {
			t.Fatal(err)
		}
	}
	var f *few
	s := look(t, root, func(w *Watcher) {
		f = grants(w, 6)
		w.liftTicks = 3
	})
	if got := s.next().String(); got != "rescan (watching started)" {
		t.Fatal(got)
	}
	h := s.next()
	if h.Kind != Limited || h.Why != LimitReached || h.Watched != 6 {
		t.Fatal(h)
	}
	if runtime.GOOS == "linux" && h.Remedy != "sysctl fs.inotify.max_user_watches" {
		t.Errorf("remedy: %q", h.Remedy)
	}
	// What is watched still is, what comes is still named, and Limited is not said again.
	s.mkdir("new/stills")
	s.write("new/stills/A001.raw")
	for _, line := range s.soFar() {
		if line == h.String() {
			t.Error("said twice")
		}
	}
	f.grant(1000)
	s.await("rescan (watch limit lifted)")
	s.write("9/stills/A001.raw")
	s.await(touched("9/stills/A001.raw"))
}

func TestNoWatchAtAll(t *testing.T) {
	s := look(t, t.TempDir(), func(w *Watcher) { grants(w, 0) })
	s.await("rescan (watching started)")
	if h := s.next(); h.Kind != Limited || h.Watched != 0 {
		t.Error(h)
	}
}

func TestNoConnection(t *testing.T) {
	for _, start := range []bool{true, false} {
		t.Run(fmt.Sprintf("at start %v", start), func(t *testing.T) {
			var mu sync.Mutex
			fail := start
			refuse := func(on bool) { mu.Lock(); fail = on; mu.Unlock() }
			s := look(t, t.TempDir(), func(w *Watcher) {
				w.open = func() (*source, error) {
					mu.Lock()
					defer mu.Unlock()
					if fail {
						return nil, fmt.Errorf("open: %w", syscall.EMFILE)
					}
					return openSource()
				}
			})
			if !start {
				s.await("rescan (watching started)")
				refuse(true)
				s.rename(s.root, s.root+"-2")
				s.must(os.Mkdir(s.root, 0o777))
			}
			for h := s.next(); h.Kind != Limited; h = s.next() {
				if h.Kind == Rescan {
					t.Fatal(h)
				}
			}
			refuse(false)
			s.await("rescan (watch limit lifted)")
			s.write("A001.raw")
			s.await(touched("A001.raw"))
		})
	}
}

// TestOverflow holds the system's events back until it drops some.
func TestOverflow(t *testing.T) {
	if runtime.GOOS != "linux" {
		t.Skip("counts on the size of the queue")
	}
	gate := make(chan struct{})
	s := lookAt(t, func(w *Watcher) {
		opened := 0
		w.open = func() (*source, error) {
			if opened++; opened > 1 {
				return openSource()
			}
			return gated(gate)
		}
	})
	s.flood(30_000)
	s.mkdir(shoot + "/stills") // its event is lost
	close(gate)
	s.await("rescan (events overflowed)")
	s.write(shoot + "/stills/A001.raw")
	s.await(touched(shoot + "/stills/A001.raw"))
}

// flood raises n events that the system cannot merge.
func (s *sight) flood(n int) {
	s.Helper()
	var clips [2]*os.File
	for i := range clips {
		f, err := os.Create(s.path(fmt.Sprintf("A%03d.mov", i)))
		s.must(err)
		defer f.Close()
		clips[i] = f
	}
	for i := range n {
		_, err := clips[i%2].WriteAt([]byte{1}, 0)
		s.must(err)
	}
}

// gated is a source that lets no event through before gate is closed.
func gated(gate <-chan struct{}) (*source, error) {
	sys, err := fsnotify.NewWatcher()
	if err != nil {
		return nil, err
	}
	events, stop := make(chan fsnotify.Event), make(chan struct{})
	go func() {
		defer close(events)
		select {
		case <-gate:
		case <-stop:
		}
		for ev := range sys.Events {
			select {
			case events <- ev:
			case <-stop:
			}
		}
	}()
	end := func() error { close(stop); return sys.Close() }
	return newSource(sys, events, sys.Errors, end), nil
}

// TestOverflowsTogether: however many come between two checks, one scan follows.
func TestOverflowsTogether(t *testing.T) {
	w := New(t.TempDir(), nil, nil)
	w.check(t.Context())
	defer w.close()
	fetchAll(&w.pending)
	for range 5 {
		w.take(t.Context(), batch{lost: true})
	}
	src := w.src
	w.check(t.Context())
	if got := fetchAll(&w.pending); len(got) != 1 || got[0] != "rescan (events overflowed)" {
		t.Errorf("got %q", got)
	}
	if w.src == src {
		t.Error("kept a connection that may hold stale watches")
	}
	w.check(t.Context())
	if got := fetchAll(&w.pending); len(got) != 0 {
		t.Errorf("once more: %q", got)
	}
}

// TestLateRename: the event of a folder's old self takes the watch of its new self.
// The system does this rarely, so it is played by hand (see moved).
func TestLateRename(t *testing.T) {
	w := New(t.TempDir(), nil, nil)
	name := w.name(shoot)
	if err := os.Mkdir(name, 0o777); err != nil {
		t.Fatal(err)
	}
	w.check(t.Context())
	defer w.close()
	if err := w.src.Remove(name); err != nil {
		t.Fatal(err)
	}
	w.take(t.Context(), batch{events: []fsnotify.Event{{Name: name, Op: fsnotify.Rename}}})
	if !slices.Contains(w.src.WatchList(), name) {
		t.Error("a folder that is there is not watched")
	}
}

func TestBatch(t *testing.T) {
	var b batch
	for range 1000 {
		b.add(fsnotify.Event{Name: "A001.mov", Op: fsnotify.Write})
		b.add(fsnotify.Event{Name: "A001.mov", Op: fsnotify.Chmod})
		b.fail(os.ErrInvalid)
	}
	if len(b.events) != 1 || len(b.errs) != 10 || b.lost {
		t.Errorf("events: %d, errors: %d, lost: %v", len(b.events), len(b.errs), b.lost)
	}
	for i := range maxBatch {
		b.add(fsnotify.Event{Name: fmt.Sprint(i), Op: fsnotify.Create})
	}
	if len(b.events) != maxBatch || !b.lost {
		t.Errorf("events: %d, lost: %v", len(b.events), b.lost)
	}
	if b = (batch{}); !b.empty() {
		t.Error("not empty")
	}
	if b.fail(fsnotify.ErrEventOverflow); !b.lost || b.empty() {
		t.Error("an overflow was not noted")
	}
}
