package transfer

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"copyhold/replicate"
	"copyhold/replicate/lists"
	"copyhold/replicate/volume"
)

func TestCopyNew(t *testing.T) {
	w, h := folderWorld(t)
	clip := random(3<<20+77, 1)
	w.put("A001.mov", clip)
	w.put("DCIM/100/B001.raw", []byte("raw"))
	w.put("empty.xmp", nil)
	results := w.copy()
	if len(results) != 3 {
		t.Fatalf("%d results", len(results))
	}
	for name, r := range results {
		verified(t, r)
		if r.Found || r.Kept != "" || r.StoredAs != "" || !r.Stat.MTime.Equal(taken) {
			t.Errorf("%s: %+v", name, r)
		}
		info, err := os.Stat(h.stored(name))
		check(t, err)
		if !info.ModTime().Equal(taken) {
			t.Errorf("%s is of %v on the drive", name, info.ModTime())
		}
	}
	h.keeps(t, "A001.mov", clip)
	h.keeps(t, "DCIM/100/B001.raw", []byte("raw"))
	h.keeps(t, "empty.xmp", nil)
	h.tidy(t)
	if r := results["A001.mov"]; r.Digest != digestFor(clip) {
		t.Errorf("digest %v", r.Digest)
	}
}

func digestFor(content []byte) replicate.Digest {
	d := newDigester()
	d.Write(content)
	digest, _ := d.sums()
	return digest
}

// What is there already is read, counted and left alone.
func TestCopyFindsEqualContent(t *testing.T) {
	w, h := folderWorld(t)
	w.put("A001.mov", random(2<<20, 1))
	w.put("empty.xmp", nil)
	w.copy()
	before, err := os.Stat(h.stored("A001.mov"))
	check(t, err)
	for name, r := range w.copy() {
		verified(t, r)
		if !r.Found || r.Kept != "" {
			t.Errorf("%s: %+v", name, r)
		}
	}
	after, err := os.Stat(h.stored("A001.mov"))
	check(t, err)
	if !os.SameFile(before, after) {
		t.Error("it was written again")
	}
	h.tidy(t)
}

// P4, P5: what is there may have been written by another program a moment ago.
// It is made to last before it is read, or it would be read from the cache, and
// the power could still take it after it was told of.
func TestCopyFoundIsMadeToLastFirst(t *testing.T) {
	w, h := folderWorld(t)
	w.put("A001.mov", random(2<<20, 1))
	w.copy()
	final := "Shoots/" + shoot + "/A001.mov"
	var order []string
	h.hook = func(op, name string) error {
		if name == final && (op == "sync file" || op == "read") && (len(order) == 0 || order[len(order)-1] != op) {
			order = append(order, op)
		}
		return nil
	}
	for _, r := range w.copy() {
		verified(t, r)
	}
	if got := strings.Join(order, ", "); got != "sync file, read" {
		t.Errorf("what was found saw %q, want it synced and then read", got)
	}
}

// P3: what stands under the name is kept, byte for byte, wherever it came from.
func TestCopyKeeps(t *testing.T) {
	for name, c := range map[string]struct {
		old  []byte
		keep bool
	}{
		"same size":          {old: random(1<<20, 2)},
		"other size":         {old: random(1<<20+1, 2)},
		"known to be old":    {old: random(1<<20, 2), keep: true},
		"known, but is new":  {old: random(1<<20, 1), keep: true},
		"empty":              {old: nil},
		"known to be longer": {old: random(3<<20, 2), keep: true},
	} {
		t.Run(name, func(t *testing.T) {
			w, h := folderWorld(t)
			now := time.Date(2026, 3, 2, 19, 45, 12, 0, time.FixedZone("", 3600))
			w.engine.Now = func() time.Time { return now }
			w.put("A001.mov", random(1<<20, 1))
			w.orders[shoot+"/A001.mov"] = Order{Keep: c.keep}
			write(t, h.stored("A001.mov"), c.old)
			r := w.copy()["A001.mov"]
			verified(t, r)
			h.keeps(t, "A001.mov", random(1<<20, 1))
			kept := lists.KeptDir + "/20260302T184512Z/Shoots/" + shoot + "/A001.mov"
			if r.Kept != kept || r.Found {
				t.Errorf("kept %q, found %t", r.Kept, r.Found)
			}
			got, err := os.ReadFile(filepath.Join(h.dir, kept))
			check(t, err)
			if !bytes.Equal(got, c.old) {
				t.Errorf("%d bytes kept of %d", len(got), len(c.old))
			}
			h.tidy(t)
		})
	}
}

// Versions of one second do not get into each other's way.
func TestCopyKeepsWithinOneSecond(t *testing.T) {
	w, h := folderWorld(t)
	w.engine.Now = func() time.Time { return taken }
	w.orders[shoot+"/A001.xmp"] = Order{Keep: true}
	kept := map[string]string{}
	for version := range 4 {
		w.put("A001.xmp", fmt.Append(nil, "version ", version))
		r := w.copy()["A001.xmp"]
		verified(t, r)
		if version > 0 {
			kept[r.Kept] = fmt.Sprint("version ", version-1)
		}
	}
	if len(kept) != 3 {
		t.Errorf("kept: %v", kept)
	}
	for name, want := range kept {
		if got, err := os.ReadFile(filepath.Join(h.dir, name)); string(got) != want {
			t.Errorf("%s holds %q, want %q (%v)", name, got, want, err)
		}
	}
}

func TestCopyOfAChangingSource(t *testing.T) {
	const name = shoot + "/A001.mov"
	content := random(5<<20, 1)
	change := map[string]struct {
		do   func(path string) error
		want replicate.Cause
	}{
		"grows": {func(path string) error {
			f, err := os.OpenFile(path, os.O_WRONLY|os.O_APPEND, 0)
			if err != nil {
				return err
			}
			_, err = f.WriteString("more")
			return errors.Join(err, f.Close())
		}, replicate.SourceChanging},
		"shrinks":    {func(path string) error { return os.Truncate(path, 3<<20) }, replicate.SourceChanging},
		"other time": {func(path string) error { return os.Chtimes(path, taken, taken.Add(1)) }, replicate.SourceChanging},
		"replaced": {func(path string) error {
			return errors.Join(os.Rename(path, path+".old"), os.WriteFile(path, []byte("new"), 0o644))
		}, replicate.SourceChanging},
		"vanishes":         {os.Remove, replicate.SourceGone},
		"becomes a folder": {func(path string) error { return errors.Join(os.Remove(path), os.Mkdir(path, 0o755)) }, replicate.SourceChanging},
	}
	for how, c := range change {
		for _, when := range []string{"open", "read"} {
			t.Run(how+" before the "+when, func(t *testing.T) {
				w, h := folderWorld(t)
				w.put("A001.mov", content)
				w.put("B002.mov", []byte("rests"))
				tasks := w.tasks()
				w.src.hook = func(op, path string, at int64) error {
					if path != name || op != when || at > 1<<20 {
						return nil
					}
					w.src.hook = nil
					return c.do(filepath.Join(w.dir, name))
				}
				results := w.copyThese(context.Background(), tasks)
				want := c.want
				if how == "becomes a folder" && when == "open" {
					want = replicate.SourceUnreadable
				}
				failed(t, results["A001.mov"], want)
				if info, err := os.Stat(filepath.Join(w.dir, name)); err == nil && want == replicate.SourceChanging &&
					results["A001.mov"].Stat.Size != info.Size() {
					t.Errorf("told to be now %+v, is %d bytes", results["A001.mov"].Stat, info.Size())
				}
				verified(t, results["B002.mov"])
				h.lacks(t, "A001.mov")
				h.tidy(t)
			})
		}
	}
}

func TestCopyOfAnUnreadableSource(t *testing.T) {
	for _, op := range []string{"open", "read"} {
		t.Run(op, func(t *testing.T) {
			w, h := folderWorld(t)
			w.put("A001.mov", random(3<<20, 1))
			w.put("B002.mov", []byte("fine"))
			w.src.hook = func(o, path string, at int64) error {
				if o == op && strings.HasSuffix(path, "A001.mov") && (o == "open" || at >= 1<<20) {
					return fmt.Errorf("read: %w (%w)", volume.ErrLost, syscall.EIO) // the source's trouble, not the drive's
				}
				return nil
			}
			results := w.copy()
			failed(t, results["A001.mov"], replicate.SourceUnreadable)
			verified(t, results["B002.mov"])
			h.lacks(t, "A001.mov")
			h.tidy(t)
		})
	}
	t.Run("no permission", func(t *testing.T) {
		if os.Geteuid() == 0 {
			t.Skip("root may read everything")
		}
		w, _ := folderWorld(t)
		w.put("A001.mov", []byte("secret"))
		check(t, os.Chmod(filepath.Join(w.dir, shoot, "A001.mov"), 0))
		failed(t, w.copy()["A001.mov"], replicate.SourceUnreadable)
	})
}

func TestCopyWithSomethingInItsPlace(t *testing.T) {
	w, h := folderWorld(t)
	w.put("A001.mov", []byte("clip"))
	w.put("DCIM/B001.raw", []byte("raw"))
	w.put("fine", []byte("fine"))
	write(t, filepath.Join(h.stored("A001.mov"), "inside"), []byte("safe"))
	write(t, h.stored("DCIM"), []byte("safe"))
	results := w.copy()
	failed(t, results["A001.mov"], replicate.NoPlaceOnDrive)
	failed(t, results["DCIM/B001.raw"], replicate.NoPlaceOnDrive)
	verified(t, results["fine"])
	h.keeps(t, "A001.mov/inside", []byte("safe"))
	h.keeps(t, "DCIM", []byte("safe"))
	h.tidy(t)
}

// P7: a link on the drive is not written through, be it to a folder on the drive.
func TestCopyNotThroughLinks(t *testing.T) {
	w, h := folderWorld(t)
	w.put("A001.mov", []byte("clip"))
	w.put("DCIM/B001.raw", []byte("raw"))
	other := filepath.Join(h.dir, "Shoots/Other")
	write(t, filepath.Join(other, "B001.raw"), []byte("safe"))
	check(t, os.MkdirAll(h.stored(""), 0o755))
	check(t, os.Symlink(filepath.Join("..", "Other"), h.stored("DCIM")))
	check(t, os.Symlink(filepath.Join("..", "Other", "B001.raw"), h.stored("A001.mov")))
	for name, r := range w.copy() {
		if r.Err == nil {
			t.Errorf("%s: %+v", name, r)
		}
	}
	if b, err := os.ReadFile(filepath.Join(other, "B001.raw")); string(b) != "safe" {
		t.Errorf("%q, %v", b, err)
	}
	h.tidy(t)
}

func TestCopyOfALongName(t *testing.T) {
	w, h := folderWorld(t)
	w.put(strings.Repeat("n", 255), []byte("fits"))
	w.put("B002.mov", []byte("fine"))
	w.targets[0].Traits.Forbidden = "m" // and so B002.mov is stored as B002.%6Dov
	tasks := w.tasks()
	tasks = append(tasks, Task{File: tasks[0].File, To: tasks[0].To})
	tasks[2].File.Path = shoot + "/" + strings.Repeat("m", 255)
	results := w.copyThese(context.Background(), tasks)
	verified(t, results[strings.Repeat("n", 255)])
	verified(t, results["B002.mov"])
	if got := results["B002.mov"].StoredAs; got != shoot+"/B002.%6Dov" {
		t.Errorf("stored as %q", got)
	}
	failed(t, results[strings.Repeat("m", 255)], replicate.SourceGone) // the source is looked at first
	h.keeps(t, "B002.%6Dov", []byte("fine"))
}

// A file can have a place of its own on a drive, told by the order.
func TestCopyStoredAs(t *testing.T) {
	w, h := folderWorld(t)
	w.put("a001.mov", []byte("clip"))
	w.orders[shoot+"/a001.mov"] = Order{StoredAs: shoot + "/a001~2.mov"}
	r := w.copy()["a001.mov"]
	verified(t, r)
	if r.StoredAs != shoot+"/a001~2.mov" {
		t.Errorf("stored as %q", r.StoredAs)
	}
	h.keeps(t, "a001~2.mov", []byte("clip"))
	h.lacks(t, "a001.mov")
}

// Cancelled in the middle: nothing half is under a final name, no partial is left,
// and what was not begun leaves no trace.
func TestCopyCancelled(t *testing.T) {
	w, h := folderWorld(t)
	for i := range 20 {
		w.put(fmt.Sprintf("A%03d.mov", i), random(3<<20, byte(i)))
	}
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	var after atomic.Int32
	h.hook = func(op, name string) error {
		switch {
		case op == "create" && ctx.Err() != nil:
			after.Add(1)
		case op == "write" && strings.Contains(name, "/partial/"):
			if after.Load() == 0 && w.src.read(shoot+"/A005.mov") > 0 {
				cancel()
			}
		}
		return nil
	}
	results := w.copyThese(ctx, w.tasks())
	for name, r := range results {
		verified(t, r) // a cancelled file has no result
		h.keeps(t, name, random(3<<20, seedOf(name)))
	}
	names, err := os.ReadDir(h.stored(""))
	if err == nil && len(names) != len(results) || len(results) > 6 {
		t.Errorf("%d results, on the drive: %v", len(results), names)
	}
	if after.Load() > 1 {
		t.Errorf("%d files were begun after the end", after.Load())
	}
	h.tidy(t)
}

// seedOf is the seed of the file A<n>.mov.
func seedOf(name string) byte {
	var n byte
	fmt.Sscanf(name, "A%d.mov", &n)
	return n
}

func (s *tapped) read(name string) int64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.bytes[name]
}

func TestCopyHalts(t *testing.T) {
	w, h := folderWorld(t)
	for i := range 9 {
		w.put(fmt.Sprintf("A%03d.mov", i), random(1<<20, byte(i)))
	}
	begun := 0
	w.engine.Halt = func() bool { begun++; return begun > 3 }
	results := w.copy()
	if len(results) != 3 {
		t.Errorf("%d results", len(results))
	}
	for name, r := range results {
		verified(t, r)
		h.keeps(t, name, random(1<<20, seedOf(name)))
	}
	h.tidy(t)
}

func TestCopyReadsTheSourceOnce(t *testing.T) {
	w, a := folderWorld(t)
	b := w.drive(t.TempDir())
	w.put("A001.mov", random(40<<20+5, 1))
	w.put("B002.raw", random(5000, 2))
	w.copy()
	for no := range replicate.DriveNo(2) {
		for _, r := range w.of(no + 1) {
			verified(t, r)
		}
	}
	for name, size := range map[string]int64{shoot + "/A001.mov": 40<<20 + 5, shoot + "/B002.raw": 5000} {
		if got := w.src.read(name); got != size {
			t.Errorf("%s: %d bytes read of %d", name, got, size)
		}
	}
	for _, h := range []*hooked{a, b} {
		h.keeps(t, "A001.mov", random(40<<20+5, 1))
		h.tidy(t)
	}
}
