package transfer

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"copyhold/replicate"
	"copyhold/replicate/lists"
	"copyhold/replicate/volume"
	"copyhold/replicate/volume/volumetest/lab"
)

// step is how fine a kind keeps times: exfat-fuse drops what is below a second.
func step(kind lab.Kind) time.Duration {
	if kind == lab.ExFAT {
		return time.Second
	}
	return 1
}

func TestCopyOnDrives(t *testing.T) {
	onDrives(t, func(t *testing.T, w *world, h *hooked, d *lab.Drive) {
		for i := range 40 {
			w.put(fmt.Sprintf("A%03d.raw", i), random(i*997, byte(i)))
		}
		w.put("DCIM/100/clip.mov", random(5<<20, 99))
		for _, r := range w.copy() {
			verified(t, r)
		}
		h.tidy(t)
		again := func() {
			for i := range 40 {
				h.keeps(t, fmt.Sprintf("A%03d.raw", i), random(i*997, byte(i)))
			}
			h.keeps(t, "DCIM/100/clip.mov", random(5<<20, 99))
			info, err := os.Stat(h.stored("A007.raw"))
			check(t, err)
			if want := taken.Truncate(step(d.Kind())); !info.ModTime().Equal(want) {
				t.Errorf("it is of %v on the drive, want %v", info.ModTime(), want)
			}
		}
		again()
		h.Close() // or it cannot be pulled and plugged in
		d.Pull()  // P5: what was told of lasts, whatever was not flushed by then
		back(t, d)
		again()
	})
}

func TestCopyOntoAFullDrive(t *testing.T) {
	onDrives(t, func(t *testing.T, w *world, h *hooked, d *lab.Drive) {
		w.put("A001.mov", random(16<<20, 1)) // does not fit
		w.put("B002.raw", random(1000, 2))
		w.put("C003.raw", random(50_000, 3))
		d.Fill(20 << 20) // with the margin there is no room for A001.mov
		results := w.copy()
		failed(t, results["A001.mov"], replicate.DriveFull)
		verified(t, results["B002.raw"])
		verified(t, results["C003.raw"])
		h.lacks(t, "A001.mov")
		h.tidy(t)
		empty(t, d)
		for _, r := range w.copy() {
			verified(t, r)
		}
	})
}

// empty removes the filler; xfs gives its room back a moment later.
func empty(t *testing.T, d *lab.Drive) {
	t.Helper()
	d.Unfill()
	for end := time.Now().Add(3 * time.Second); d.Free() < 60<<20; time.Sleep(10 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("%d bytes are free without the filler", d.Free())
		}
	}
}

// Somebody else takes the room while a file is being written.
func TestCopyRunsOutOfRoom(t *testing.T) {
	onDrives(t, func(t *testing.T, w *world, h *hooked, d *lab.Drive) {
		w.put("A001.mov", random(12<<20, 1))
		w.put("B002.raw", random(1000, 2))
		filled := false
		h.hook = func(op, _ string) error {
			if op == "write" && !filled {
				filled = true
				d.Fill(2 << 20)
			}
			return nil
		}
		results := w.copy()
		failed(t, results["A001.mov"], replicate.DriveFull)
		h.lacks(t, "A001.mov")
		h.tidy(t)
		empty(t, d)
		for _, r := range w.copy() {
			verified(t, r)
		}
	})
}

func TestCopyOntoAReadOnlyDrive(t *testing.T) {
	onDrives(t, func(t *testing.T, w *world, h *hooked, d *lab.Drive) {
		w.put("A001.mov", random(1<<20, 1))
		h.Close() // or the system does not turn it read-only
		d.Remount(true)
		v, err := volume.OpenDrive(h.dir)
		check(t, err)
		defer v.Close()
		h.Volume = v
		failed(t, w.copy()["A001.mov"], replicate.DriveReadOnly)
		h.lacks(t, "A001.mov")
	})
}

// P2, P5, P7: a drive that leaves in the middle has whole files only, takes nothing
// more, and all is well when it is back.
func TestCopyOntoADriveThatLeaves(t *testing.T) {
	ways := map[string]func(d *lab.Drive){
		"pulled":           (*lab.Drive).Pull,
		"unplugged lazily": (*lab.Drive).LazyUnplug,
	}
	for way, leave := range ways {
		t.Run(way, func(t *testing.T) {
			onDrives(t, func(t *testing.T, w *world, h *hooked, d *lab.Drive) {
				for i := range 12 {
					w.put(fmt.Sprintf("A%03d.mov", i), random(3<<20, byte(i)))
				}
				writes := 0
				h.hook = func(op, _ string) error {
					if op == "write" {
						if writes++; writes == 8 {
							leave(d)
						}
					}
					return nil
				}
				results := w.copy()
				lost := 0
				for _, r := range results {
					if r.Err == nil {
						continue
					}
					if lost++; !errors.Is(r.Err, syscall.ENOMEM) { // as ext4 puts it when its device has shrunk
						failed(t, r, replicate.DriveLost)
					}
				}
				if lost == 0 || len(results) != 12 {
					t.Errorf("%d results, %d lost", len(results), lost)
				}
				if left, _ := os.ReadDir(h.dir); len(left) > 0 {
					t.Errorf("in the empty mount point: %v", left)
				}
				h.Close()
				again := back(t, d)
				check(t, Prepare(again))
				for i := range 12 {
					name := fmt.Sprintf("A%03d.mov", i)
					got, err := os.ReadFile(h.stored(name))
					told := results[name].Err == nil
					if whole := bytes.Equal(got, random(3<<20, byte(i))); err == nil && !whole || told && !whole {
						t.Errorf("%s: told %t, %d bytes, %v", name, told, len(got), err)
					}
				}
				h.Volume, h.hook = again, nil
				for _, r := range w.copy() {
					verified(t, r)
				}
				h.tidy(t)
			})
		})
	}
}

// An old file with a bad place on the disk gets out of the way of its new copy.
func TestCopyOverRot(t *testing.T) {
	onDrives(t, func(t *testing.T, w *world, h *hooked, d *lab.Drive) {
		w.put("A001.mov", random(1<<20, 1))
		verified(t, w.copy()["A001.mov"])
		rel, err := filepath.Rel(h.dir, h.stored("A001.mov"))
		check(t, err)
		d.RotFile(rel)
		r := w.copy()["A001.mov"]
		verified(t, r)
		if r.Found || r.Kept == "" {
			t.Errorf("%+v", r)
		}
		h.keeps(t, "A001.mov", random(1<<20, 1))
	})
}

// oddNames is what a drive of each kind stores names as.
var oddNames = []struct{ own, onExFAT string }{
	{"a:b.raw", "a%3Ab.raw"},
	{"line\nbreak.raw", "line%0Abreak.raw"},
	{"caf\xe9.raw", "caf%E9.raw"},
	{`back\slash "quoted" <&>|?*`, "back%5Cslash %22quoted%22 %3C&%3E%7C%3F%2A"},
	{"dot.", "dot%2E"},
	{"blank ", "blank%20"},
	{"100%41.raw", "100%2541.raw"},
	{"Küste ☼ 灯台 😀.raw", "Küste ☼ 灯台 😀.raw"},
	{"\x01", "%01"},
}

func TestCopyOddNames(t *testing.T) {
	onDrives(t, func(t *testing.T, w *world, h *hooked, d *lab.Drive) {
		for _, n := range oddNames {
			w.put(n.own, []byte(n.own))
		}
		results := w.copy()
		for _, n := range oddNames {
			r := results[n.own]
			verified(t, r)
			stored := n.own
			if d.Kind() == lab.ExFAT {
				stored = n.onExFAT
			}
			h.keeps(t, stored, []byte(n.own))
			want := shoot + "/" + stored
			if stored == n.own {
				want = ""
			}
			if r.StoredAs != want {
				t.Errorf("%q is told to be stored as %q, want %q", n.own, r.StoredAs, want)
			}
		}
		for name, r := range w.copy() {
			if verified(t, r); !r.Found {
				t.Errorf("%q is not found again", name)
			}
		}
	})
}

// Two names in which only case differs are one name on exFAT: the second one is
// refused, be the difference in the file's name or in a folder's, and the first
// one keeps its content and its place.
func TestCopyCaseTwins(t *testing.T) {
	onDrives(t, func(t *testing.T, w *world, h *hooked, d *lab.Drive) {
		w.put("A001.raw", []byte("first"))
		w.put("DCIM/B002.raw", []byte("first"))
		w.put("DCIM/C003.raw", []byte("first"))
		for _, r := range w.copy() {
			verified(t, r)
		}
		twins := map[string]string{
			"a001.RAW":      "twin!", // of one size: it would be compared
			"dcim/B002.raw": "a twin",
			"dcim/d004.raw": "new in a twin folder",
			"x/new.raw":     "new",
			"X/new2.raw":    "new in a twin of a new folder",
		}
		for name, content := range twins {
			w.put(name, []byte(content))
		}
		results := w.copy()
		refused := 0
		for name := range twins {
			r := results[name]
			if d.Kind() != lab.ExFAT {
				verified(t, r)
				continue
			}
			if r.Err != nil {
				failed(t, r, replicate.NameTaken)
				refused++
			}
		}
		if d.Kind() == lab.ExFAT && refused != 4 {
			t.Errorf("%d twins were refused", refused)
		}
		for _, name := range []string{"A001.raw", "DCIM/B002.raw", "DCIM/C003.raw"} {
			verified(t, results[name])
			h.keeps(t, name, []byte("first"))
		}
		if kept, _ := os.ReadDir(filepath.Join(h.dir, lists.KeptDir)); len(kept) != 0 {
			t.Errorf("kept: %v", kept)
		}
		h.tidy(t)
	})
}

// The digests are those that other programs print for the same files.
func TestCopyDigests(t *testing.T) {
	onDrives(t, func(t *testing.T, w *world, h *hooked, _ *lab.Drive) {
		for i, size := range []int{0, 1, 1023, 1024, 1025, 1<<20 - 1, 1 << 20, 1<<20 + 1, 3 << 20} {
			w.put(fmt.Sprintf("A%03d.raw", i), random(size, byte(i)))
		}
		for name, r := range w.copy() {
			verified(t, r)
			if got := printed(t, "b3sum", "--no-names", h.stored(name)); got != r.Digest.String() {
				t.Errorf("%s: b3sum says %s, we say %v", name, got, r.Digest)
			}
			if got := printed(t, "xxhsum", "-H2", h.stored(name)); got != fmt.Sprintf("%x", r.XXH128) {
				t.Errorf("%s: xxhsum says %s, we say %x", name, got, r.XXH128)
			}
		}
	})
}

// printed is the first word that a program prints. Without the program the test is
// skipped, or fails where the lab is required.
func printed(t *testing.T, program string, args ...string) string {
	t.Helper()
	path, err := exec.LookPath(program)
	if err != nil {
		if os.Getenv(lab.Require) == "require" {
			t.Fatalf("%s=require, but there is no %s", lab.Require, program)
		}
		t.Skipf("there is no %s", program)
	}
	out, err := exec.Command(path, args...).Output()
	check(t, err)
	word, _, _ := strings.Cut(string(out), " ")
	return strings.TrimSpace(word)
}

// What drives of each kind are like was measured by hand before.
func TestProbe(t *testing.T) {
	plain := replicate.Traits{Probed: true, MaxName: 255}
	exfat := replicate.Traits{
		Probed: true, MaxName: 255, FoldsCase: true, UTF8Only: true, NameInUTF16: true,
		Forbidden: "\"*:<>?\\|" + controls(),
	}
	onDrives(t, func(t *testing.T, w *world, h *hooked, d *lab.Drive) {
		want := plain
		if d.Kind() == lab.ExFAT {
			want = exfat
		}
		// What an interrupted probe left must not mislead the next one.
		for _, name := range []string{"Probe", "pROBE", "probexname"} {
			write(t, filepath.Join(h.dir, lists.PartialDir, name), nil)
		}
		got, err := Probe(h)
		check(t, err)
		if got != want {
			t.Errorf("%+v, want %+v", got, want)
		}
		check(t, Prepare(h))
		h.tidy(t)
		d.Pull() // the system's cache may still answer, and is right then
		if got, err := Probe(h); !errors.Is(err, volume.ErrLost) && got != want {
			t.Errorf("of a lost drive: %+v, %v", got, err)
		}
	})
}
