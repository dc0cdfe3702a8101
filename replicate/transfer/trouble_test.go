package transfer

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"golang.org/x/time/rate"

	"copyhold/replicate"
	"copyhold/replicate/volume"
)

// A drive that hangs for longer than the patience goes on alone and gets there.
func TestCopyLeavesAHangingDriveAlone(t *testing.T) {
	w, _ := folderWorld(t)
	slow := w.drive(t.TempDir())
	w.engine.Patience = 20 * time.Millisecond
	w.put("A001.mov", random(40<<20, 1))
	w.put("B002.mov", random(1<<20, 2))
	fast := make(chan struct{})
	var hang sync.Once
	slow.hook = func(op, _ string) error {
		if op == "write" {
			hang.Do(func() { <-fast }) // not before the other drive is done
		}
		return nil
	}
	result := w.engine.Result
	var told atomic.Int32
	w.engine.Result = func(r Result) {
		if r.Drive == 1 && told.Add(1) == 2 {
			close(fast)
		}
		result(r)
	}
	w.copy()
	for no := range replicate.DriveNo(2) {
		for _, r := range w.of(no + 1) {
			verified(t, r)
		}
	}
	slow.keeps(t, "A001.mov", random(40<<20, 1))
	slow.tidy(t)
	if got := w.src.read(shoot + "/A001.mov"); got <= 40<<20 {
		t.Errorf("%d bytes were read: nobody was left alone", got)
	}
}

// A drive that is only slow must not hold the other one back either, be every single
// wait shorter than the patience, nor be it patience for each of many small files.
func TestCopySlowDriveHoldsNobodyBack(t *testing.T) {
	for name, c := range map[string]struct{ files, size int }{
		"large file":  {1, 80 << 20},
		"small files": {100, 4 << 10},
	} {
		t.Run(name, func(t *testing.T) {
			w, fast := folderWorld(t)
			slow := w.drive(t.TempDir())
			w.engine.Patience = 50 * time.Millisecond
			for i := range c.files {
				w.put(fmt.Sprintf("A%03d.mov", i), random(c.size, byte(i)))
			}
			var written, meanwhile atomic.Int32 // by the slow drive; and when the fast one wrote last
			slow.hook = func(op, _ string) error {
				if op == "write" {
					time.Sleep(20 * time.Millisecond)
					written.Add(1)
				}
				return nil
			}
			fast.hook = func(op, _ string) error {
				if op == "write" {
					meanwhile.Store(written.Load())
				}
				return nil
			}
			w.copy()
			for no := range replicate.DriveNo(2) {
				for _, r := range w.of(no + 1) {
					verified(t, r)
				}
			}
			t.Logf("%d of %d pieces were on the slow drive when the last one came to the fast one", meanwhile.Load(), written.Load())
			if meanwhile.Load() > written.Load()/2 {
				t.Error("the fast drive was held back")
			}
		})
	}
}

// Two equally slow drives hold nobody back and are not left alone: the source is
// read once.
func TestCopyEqualDrivesStayTogether(t *testing.T) {
	w, a := folderWorld(t)
	b := w.drive(t.TempDir())
	w.engine.Patience = 50 * time.Millisecond
	w.put("A001.mov", random(100<<20, 1))
	for _, h := range []*hooked{a, b} {
		h.hook = func(op, _ string) error {
			if op == "write" {
				time.Sleep(5 * time.Millisecond)
			}
			return nil
		}
	}
	w.copy()
	verified(t, w.of(1)["A001.mov"])
	verified(t, w.of(2)["A001.mov"])
	if got := w.src.read(shoot + "/A001.mov"); got != 100<<20 {
		t.Errorf("%d bytes were read", got)
	}
}

// A drive that fails in the middle hurts no other drive and is asked no more.
func TestCopyADriveFails(t *testing.T) {
	w, good := folderWorld(t)
	bad := w.drive(t.TempDir())
	for i := range 12 {
		w.put(fmt.Sprintf("A%03d.mov", i), random(2<<20, byte(i)))
	}
	var writes, later atomic.Int32
	bad.hook = func(op, _ string) error {
		if op == "write" && writes.Add(1) > 9 {
			return fmt.Errorf("write: %w (%w)", volume.ErrLost, syscall.EIO)
		}
		if op == "create" && writes.Load() > 9 {
			later.Add(1)
		}
		return nil
	}
	for name, r := range w.copy() {
		verified(t, r)
		good.keeps(t, name, random(2<<20, seedOf(name)))
	}
	lost := 0
	for name, r := range w.of(2) {
		if r.Err == nil {
			bad.keeps(t, name, random(2<<20, seedOf(name)))
			continue
		}
		failed(t, r, replicate.DriveLost)
		lost++
	}
	if len(w.of(2)) != 12 || lost < 8 {
		t.Errorf("%d results, %d lost", len(w.of(2)), lost)
	}
	if later.Load() > 0 {
		t.Errorf("%d files were begun on a lost drive", later.Load())
	}
	good.tidy(t)
}

// P5: after a failed sync nothing is known of the group. None of it counts, and the
// next try has new partials.
func TestCopyFailedSyncIsNeverRetried(t *testing.T) {
	w, h := folderWorld(t)
	for i := range 5 {
		w.put(fmt.Sprintf("A%03d.mov", i), random(3000, byte(i)))
	}
	var mu sync.Mutex
	synced := map[string]int{}
	failing := true
	h.hook = func(op, name string) error {
		mu.Lock()
		defer mu.Unlock()
		if op == "sync" {
			synced[name]++
			if failing {
				failing = false
				return errors.New("no luck")
			}
		}
		return nil
	}
	for name, r := range w.copy() {
		failed(t, r, replicate.DriveRefused)
		h.lacks(t, name)
	}
	h.tidy(t)
	for _, r := range w.copy() {
		verified(t, r)
	}
	if len(synced) != 10 {
		t.Errorf("%d partials were synced, not 5 in each of two tries", len(synced))
	}
	for name, times := range synced {
		if times != 1 {
			t.Errorf("%s was synced %d times", name, times)
		}
	}
}

// P4, P2: what reads back otherwise is no copy.
func TestCopyReadsBackOtherwise(t *testing.T) {
	w, h := folderWorld(t)
	w.put("A001.mov", random(2<<20, 1))
	w.put("B002.mov", random(2<<20, 2))
	reads := 0
	h.hook = func(op, _ string) error {
		if op == "read" {
			if reads++; reads == 2 {
				return errFlip
			}
		}
		return nil
	}
	results := w.copy()
	failed(t, results["A001.mov"], replicate.ReadBackDiffers)
	verified(t, results["B002.mov"])
	h.lacks(t, "A001.mov")
	h.tidy(t)
}

// A bad place on the disk under an old file is that file's trouble: what can be
// read no more is kept, and the content comes to another place.
func TestCopyOverWhatCannotBeRead(t *testing.T) {
	w, h := folderWorld(t)
	w.put("A001.mov", random(2<<20, 1))
	w.put("B002.mov", random(2<<20, 2))
	w.copy()
	h.hook = func(op, name string) error {
		if op == "read" && strings.HasSuffix(name, "A001.mov") {
			return fmt.Errorf("read: %w (%w)", volume.ErrLost, syscall.EIO)
		}
		return nil
	}
	results := w.copy()
	verified(t, results["A001.mov"])
	verified(t, results["B002.mov"])
	if results["A001.mov"].Found || results["A001.mov"].Kept == "" {
		t.Errorf("%+v", results["A001.mov"])
	}
	h.tidy(t)
}

// Any step that fails for one file leaves the others going, and whatever fails
// leaves no half file and no partial (P2).
func TestCopyFailEverywhere(t *testing.T) {
	for try := 1; ; try++ {
		w, h := folderWorld(t)
		w.put("A001.mov", random(1<<20+1, 1))
		w.put("B002.mov", random(100, 2))
		w.put("DCIM/C003.mov", random(100, 3))
		write(t, h.stored("B002.mov"), random(100, 4))
		var calls atomic.Int32
		var failedOp string
		h.hook = func(op, name string) error {
			if op != "remove" && int(calls.Add(1)) == try {
				failedOp = op + " " + name
				return errors.New("no luck")
			}
			return nil
		}
		results := w.copy()
		if len(results) != 3 {
			t.Errorf("%s: %d results", failedOp, len(results))
		}
		for name, size := range map[string]int{"A001.mov": 1<<20 + 1, "B002.mov": 100, "DCIM/C003.mov": 100} {
			want := random(size, map[string]byte{"A001.mov": 1, "B002.mov": 2, "DCIM/C003.mov": 3}[name])
			got, err := os.ReadFile(h.stored(name))
			whole := err == nil && bytes.Equal(got, want)
			old := name == "B002.mov" && bytes.Equal(got, random(100, 4))
			if results[name].Err == nil && !whole {
				t.Errorf("%s: %s counts and is not whole", failedOp, name)
			}
			if err == nil && !whole && !old {
				t.Errorf("%s: %s is not whole under its name", failedOp, name)
			}
		}
		h.tidy(t)
		h.hook = nil
		for name, r := range w.copy() {
			if r.Err != nil {
				t.Errorf("%s: %s the next time: %v", failedOp, name, r.Err)
			}
		}
		h.has(t, random(100, 4)) // P3: the old version is somewhere
		if int(calls.Load()) < try {
			t.Logf("%d calls", try-1)
			return
		}
	}
}

// has checks that some file on the drive has the content.
func (h *hooked) has(t *testing.T, want []byte) {
	t.Helper()
	found := false
	check(t, filepath.WalkDir(h.dir, func(path string, d os.DirEntry, err error) error {
		if err == nil && d.Type().IsRegular() {
			b, _ := os.ReadFile(path)
			found = found || bytes.Equal(b, want)
		}
		return err
	}))
	if !found {
		t.Error("the earlier content is lost")
	}
}

func TestCopyKeepsToTheRate(t *testing.T) {
	w, _ := folderWorld(t)
	w.targets[0].Limit = rate.NewLimiter(20<<20, 1<<20)
	w.put("A001.mov", random(5<<20, 1))
	began := time.Now()
	verified(t, w.copy()["A001.mov"])
	if took := time.Since(began); took < 190*time.Millisecond {
		t.Errorf("4 MB over the burst took %v", took)
	}
}

func TestProgress(t *testing.T) {
	w, _ := folderWorld(t)
	w.put("A001.mov", random(3<<20+1, 1))
	last := map[bool]Progress{}
	var mu sync.Mutex
	w.engine.Progress = func(p Progress) {
		mu.Lock()
		defer mu.Unlock()
		if p.Done < last[p.Verifying].Done || p.Total != 3<<20+1 {
			t.Errorf("%+v after %+v", p, last[p.Verifying])
		}
		last[p.Verifying] = p
	}
	w.copy()
	for _, verifying := range []bool{false, true} {
		if last[verifying].Done != 3<<20+1 {
			t.Errorf("verifying %t: %+v at the end", verifying, last[verifying])
		}
	}
}
