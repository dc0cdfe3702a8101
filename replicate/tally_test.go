package replicate

import (
	"fmt"
	"maps"
	"math"
	"reflect"
	"slices"
	"testing"
	"time"
)

func TestGroupOf(t *testing.T) {
	f := still("A001.raw")
	today := int32(noon.Unix() / 86400)
	full := Attempt{}.Failed(DriveFull, noon)
	for _, c := range []struct {
		name   string
		copies []Copy
		want   []Holding
	}{
		{"never copied", nil, nil},
		{"nothing there and nothing failed", []Copy{{Drive: 1}}, nil},
		{"verified", []Copy{verified(1, f.Digest)}, []Holding{{Drive: 1, State: Verified, Day: today}}},
		{"earlier content", []Copy{verified(1, content("before"))}, nil},
		{"earlier content, and no room for the new", []Copy{{Drive: 1, State: Verified, Digest: content("before"), Attempt: full}},
			[]Holding{{Drive: 1, Cause: DriveFull}}},
		{"could not be stored", []Copy{{Drive: 1, Attempt: full}}, []Holding{{Drive: 1, Cause: DriveFull}}},
		{"damaged", []Copy{{Drive: 1, State: Damaged, Digest: f.Digest}}, []Holding{{Drive: 1, State: Damaged}}},
		{"damaged, and no room to make it anew", []Copy{{Drive: 1, State: Damaged, Attempt: full}},
			[]Holding{{Drive: 1, State: Damaged, Cause: DriveFull}}},
		{"three drives", []Copy{verified(3, f.Digest), verified(1, f.Digest), {Drive: 2, Attempt: full}},
			[]Holding{{Drive: 1, State: Verified, Day: today}, {Drive: 2, Cause: DriveFull}, {Drive: 3, State: Verified, Day: today}}},
	} {
		g := GroupOf(still("A001.raw", c.copies...))
		if !slices.Equal(g.Holdings, c.want) {
			t.Errorf("%s: got %+v, want %+v", c.name, g.Holdings, c.want)
		}
	}
}

// TestGroupOfAnyDay checks that no clock makes a group that the ledger refuses
// to read back: a copy taken over from a drive's list may have no date at all.
func TestGroupOfAnyDay(t *testing.T) {
	for _, c := range []struct {
		at   time.Time
		want int32
	}{
		{time.Time{}, 0},
		{time.Unix(-1, 0), 0},
		{time.Unix(0, 0), 0},
		{time.Unix(86399, 0), 0},
		{time.Unix(86400, 0), 1},
		{time.Date(2026, 3, 2, 23, 59, 59, 0, time.UTC), 20514},
		{time.Date(2026, 3, 3, 0, 0, 0, 0, time.UTC), 20515},
		{time.Unix(math.MaxInt64/2, 0), math.MaxInt32},
	} {
		copied := verified(1, content("A001.raw"))
		copied.VerifiedAt = c.at
		g := GroupOf(still("A001.raw", copied))
		if got := g.Holdings[0].Day; got != c.want {
			t.Errorf("%v is day %d, want %d", c.at, got, c.want)
		}
		if again, err := g.Key().Group(); err != nil || !reflect.DeepEqual(again, g) {
			t.Errorf("%v: %+v comes back as %+v, %v", c.at, g, again, err)
		}
	}
}

func TestVerifiedOn(t *testing.T) {
	for day, want := range map[int32]time.Time{
		0:             time.Unix(0, 0),
		20514:         time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC),
		math.MaxInt32: time.Unix(math.MaxInt32*86400, 0),
	} {
		if got := (Holding{Day: day}).VerifiedOn(); !got.Equal(want) {
			t.Errorf("day %d begins at %v, want %v", day, got, want)
		}
	}
}

func TestGroupKeyRefusesWhatIsNone(t *testing.T) {
	good := GroupOf(still("A001.raw", verified(1, content("A001.raw")))).Key()
	for n := 1; n < len(good); n++ {
		if n == 2 {
			continue // a group without holdings
		}
		if g, err := good[:n].Group(); err == nil {
			t.Errorf("cut to %d bytes it reads as %+v", n, g)
		}
	}
	for _, k := range []GroupKey{
		"", "\x00", "\x04\x00", "\x00\x7f", // lives and causes end
		"\x00\x00\x01\x03\x00\x00",                         // so do states
		"\x00\x00\x01\x00\x7f\x00",                         // and causes of drives
		"\x00\x00\xff\xff\xff\x7f\x01\x00\x00",             // no drive has such a number
		"\x00\x00\x01\x01\x00\xff\xff\xff\xff\xff\x7f",     // no day does
		"\x00\x00\x01\x01\x00\x80\x80\x80\x80\x80\x80\x80", // a number without end
	} {
		if g, err := k.Group(); err == nil {
			t.Errorf("%q reads as %+v", string(k), g)
		}
	}
}

func FuzzGroupKey(f *testing.F) {
	f.Add("")
	f.Add("\x00\x00")
	f.Add(string(GroupOf(still("A001.raw", verified(1, content("A001.raw")), Copy{Drive: 300, Attempt: Attempt{Cause: DriveFull}})).Key()))
	f.Add("\x00\x00\x01\x01\x00\xff\xff\xff\xff\x07")
	f.Fuzz(func(t *testing.T, k string) {
		g, err := GroupKey(k).Group()
		if err != nil {
			return
		}
		again, err := g.Key().Group()
		if err != nil || !reflect.DeepEqual(again, g) {
			t.Fatalf("%q reads as %+v, which comes back as %+v, %v", k, g, again, err)
		}
		for _, h := range g.Holdings {
			if h.VerifiedOn().Before(time.Unix(0, 0)) {
				t.Fatalf("%+v was verified before there was a clock", h)
			}
		}
	})
}

// TestTallyEqualsRecount puts files in, changes and takes them out at random.
// The tally is what counting from the start gives, and nothing is left over.
func TestTallyEqualsRecount(t *testing.T) {
	r := seeded(t)
	for range 100 {
		tally, files := Tally{}, map[string]*File{}
		for range 100 {
			path := fmt.Sprintf("%s/%d.raw", ternIsland.Name, r.IntN(20))
			if before := files[path]; before != nil {
				tally.Remove(before)
				delete(files, path)
			}
			if r.IntN(3) > 0 {
				files[path] = randomFile(r, path, 3)
				tally.Add(files[path])
			}
			if want := recount(files); !maps.Equal(tally, want) {
				t.Fatalf("got %v, want %v", tally, want)
			}
		}
		kept := tally.Clone()
		for _, f := range files {
			tally.Remove(f)
		}
		if len(tally) != 0 {
			t.Fatalf("all taken out, and left is %v", tally)
		}
		if !maps.Equal(kept, recount(files)) {
			t.Fatal("a clone changed with its original")
		}
	}
}

// recount adds up without a tally.
func recount(files map[string]*File) Tally {
	sums := Tally{}
	for _, f := range files {
		key := GroupOf(f).Key()
		sums[key] = Sum{sums[key].Files + 1, sums[key].Bytes + f.Size}
	}
	return sums
}

func TestGroupsComeInOrder(t *testing.T) {
	r := seeded(t)
	tally := Tally{"not a key at all": Sum{Files: 1}}
	var total int64
	for i := range 200 {
		tally.Add(randomFile(r, fmt.Sprint(i), 3))
	}
	var before GroupKey
	for g, sum := range tally.Groups() {
		if key := g.Key(); key < before || sum != tally[key] {
			t.Fatalf("%q after %q with %v", key, before, sum)
		}
		before = g.Key()
		total += sum.Files
	}
	if total != 200 {
		t.Errorf("%d files in all groups, want 200", total)
	}
	for range tally.Groups() {
		break // leaving early is allowed
	}
}
