package media

import (
	"crypto/sha256"
	"fmt"
	"io"
	"io/fs"
	"math"
	"strings"
	"testing"
)

func day(t testing.TB, scale Scale, seed uint64) []File {
	t.Helper()
	files, err := Day(scale, seed)
	if err != nil {
		t.Fatal(err)
	}
	return files
}

func TestDayAtFullScale(t *testing.T) {
	count, total, seen := map[string]int{}, int64(0), map[string]bool{}
	for _, f := range day(t, 1, 1) {
		parts := strings.Split(f.Rel, "/")
		if len(parts) != 3 || !fs.ValidPath(f.Rel) || seen[strings.ToLower(f.Rel)] {
			t.Errorf("%q is not a new path of shoot, folder and name", f.Rel)
		}
		if day, _, _ := strings.Cut(parts[0], " "); f.Taken.Format("2006-01-02") != day {
			t.Errorf("%q was made on %v", f.Rel, f.Taken)
		}
		if f.Kind.Original() == strings.HasSuffix(f.Rel, ".xmp") {
			t.Errorf("%q: original is %v", f.Rel, f.Kind.Original())
		}
		seen[strings.ToLower(f.Rel)] = true
		count[fmt.Sprintf("%s/%s %s", parts[0], parts[1], f.Kind)]++
		total += f.Size
	}
	want := map[string]int{
		TernIsland + "/Stills still": 40, TernIsland + "/Stills sidecar": 10,
		TernIsland + "/Seabird I clip": 3, TernIsland + "/Seabird II clip": 3, TernIsland + "/Sound sound": 4,
		FerryCrossing + "/Stills still": 6, FerryCrossing + "/Seabird I clip": 1,
	}
	if fmt.Sprint(count) != fmt.Sprint(want) {
		t.Errorf("a day has\n%v\nwant\n%v", count, want)
	}
	if total < 270e6 || total > 330e6 {
		t.Errorf("a day has %d bytes, want about 300 MB", total)
	}
}

func TestDayRefusesScales(t *testing.T) {
	for _, scale := range []Scale{0, -1, maxScale + 1, Scale(math.NaN())} {
		if _, err := Day(scale, 1); err == nil {
			t.Errorf("a day of scale %v was planned", scale)
		}
	}
	for _, f := range day(t, maxScale, 1) {
		if f.Kind == KindClip && f.Size > maxClip {
			t.Errorf("%s of %d bytes cannot be written", f.Rel, f.Size)
		}
	}
}

// Every original of a small day is written twice and for another seed: files keep to
// their size, follow from the seed, and no block of 4 KiB is there twice.
func TestDayIsWritten(t *testing.T) {
	t.Parallel()
	blocks := map[[sha256.Size]byte]string{}
	files, others := day(t, 0.1, 1), day(t, 0.1, 2)
	for i, f := range files {
		b := made(t, f.Write)
		if again := made(t, f.Write); string(again) != string(b) {
			t.Errorf("%s: written twice, two contents", f.Rel)
		}
		if !f.Kind.Original() {
			if int64(len(b)) != f.Size {
				t.Errorf("%s has %d bytes, foretold %d", f.Rel, len(b), f.Size)
			}
			continue
		}
		if off := float64(len(b)) - float64(f.Size); math.Abs(off) > 250e3 {
			t.Errorf("%s has %d bytes, foretold %d", f.Rel, len(b), f.Size)
		}
		addBlocks(t, blocks, f.Rel, b)
		addBlocks(t, blocks, others[i].Rel+" of seed 2", made(t, others[i].Write))
	}
}

func addBlocks(t *testing.T, blocks map[[sha256.Size]byte]string, name string, b []byte) {
	t.Helper()
	for at := 0; at+4096 <= len(b); at += 4096 {
		sum, here := sha256.Sum256(b[at:at+4096]), fmt.Sprintf("%s at %d", name, at)
		if there, ok := blocks[sum]; ok {
			t.Fatalf("the same block is in %s and %s", there, here)
		}
		blocks[sum] = here
	}
}

// BenchmarkDay writes a whole day of a new seed, plates included.
func BenchmarkDay(b *testing.B) {
	seed := uint64(100)
	for b.Loop() {
		seed++
		var total writeCount
		for _, f := range day(b, 1, seed) {
			if err := f.Write(&total); err != nil {
				b.Fatal(err)
			}
		}
		b.SetBytes(int64(total))
	}
}

// writeCount counts what is written to it.
type writeCount int64

func (c *writeCount) Write(p []byte) (int, error) { *c += writeCount(len(p)); return len(p), nil }

var _ io.Writer = (*writeCount)(nil)
