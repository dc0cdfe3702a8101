package replicate

import (
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"
)

func TestParseDigest(t *testing.T) {
	// The digest of no bytes: BLAKE3 test_vectors.json, length 0, first 32 bytes.
	const empty = "af1349b9f5f9a1a6a0404dea36dcc9499bcb25c9adc112b7cc9a93cae41f3262"
	for _, c := range []struct {
		text string
		ok   bool
	}{
		{empty, true},
		{strings.ToUpper(empty), true},
		{strings.Repeat("0", 64), true},
		{empty[:62], false},
		{empty + "00", false},
		{empty[:63], false},
		{empty[:63] + "g", false},
		{"", false},
	} {
		d, ok := ParseDigest(c.text)
		if ok != c.ok {
			t.Errorf("%q: parsed %v, want %v", c.text, ok, c.ok)
		}
		if ok && d.String() != strings.ToLower(c.text) {
			t.Errorf("%q comes back as %q", c.text, d)
		}
		if !ok && d.Known() {
			t.Errorf("%q: a digest came out of no digest", c.text)
		}
	}
	if d, _ := ParseDigest(empty); !d.Known() || (Digest{}).Known() {
		t.Error("only the zero digest is unknown")
	}
}

func TestShootOfAFile(t *testing.T) {
	for _, c := range []struct{ path, shoot, inside string }{
		{"2026-03-02 Tern Island/stills/A001.raw", "2026-03-02 Tern Island", "stills/A001.raw"},
		{"2026-03-02 Tern Island/notes.txt", "2026-03-02 Tern Island", "notes.txt"},
		{"notes.txt", LooseFiles, "notes.txt"},
		{"a.b/c", "a.b", "c"},
	} {
		id := FileID{Working: "Shoots", Path: c.path}
		if got, want := id.Shoot(), (ShootID{"Shoots", c.shoot}); got != want {
			t.Errorf("%q belongs to %q, want %q", c.path, got, want)
		}
		if got := id.InShoot(); got != c.inside {
			t.Errorf("%q is %q inside its shoot, want %q", c.path, got, c.inside)
		}
		if got := id.String(); got != "Shoots/"+c.path {
			t.Errorf("%q prints as %q", c.path, got)
		}
	}
}

func TestSameStat(t *testing.T) {
	was := Stat{Size: 5, MTime: noon, Inode: 1}
	for _, c := range []struct {
		name string
		now  Stat
		same bool
	}{
		{"untouched", was, true},
		{"moved to another computer", Stat{5, noon, 2}, true},
		{"read in another zone", Stat{5, noon.In(time.FixedZone("", 3600)), 1}, true},
		{"grown", Stat{6, noon, 1}, false},
		{"written again", Stat{5, noon.Add(time.Nanosecond), 1}, false},
	} {
		if got := was.Same(c.now); got != c.same {
			t.Errorf("%s: same %v, want %v", c.name, got, c.same)
		}
	}
}

// TestSetCopyKeepsOrder puts copies in at random: one per drive, by number, the
// last word counts.
func TestSetCopyKeepsOrder(t *testing.T) {
	r := seeded(t)
	for range 300 {
		var f File
		last := map[DriveNo]Copy{}
		for range r.IntN(20) {
			c := Copy{Drive: DriveNo(1 + r.IntN(8)), Size: r.Int64()}
			f.SetCopy(c)
			last[c.Drive] = c
		}
		if len(f.Copies) != len(last) {
			t.Fatalf("%d copies for %d drives: %v", len(f.Copies), len(last), f.Copies)
		}
		if !slices.IsSortedFunc(f.Copies, func(a, b Copy) int { return int(a.Drive) - int(b.Drive) }) {
			t.Fatalf("out of order: %v", f.Copies)
		}
		for no, want := range last {
			if got := f.CopyOn(no); got != want {
				t.Fatalf("drive %d: got %v, want %v", no, got, want)
			}
		}
		if got := f.CopyOn(99); got != (Copy{Drive: 99}) {
			t.Fatalf("a drive without a copy has %v", got)
		}
	}
}

func TestHolds(t *testing.T) {
	f := still("A001.raw")
	for _, c := range []struct {
		name string
		copy Copy
		want bool
	}{
		{"nothing there", Copy{Drive: 1}, false},
		{"verified", verified(1, f.Digest), true},
		{"verified, of earlier content", verified(1, content("before")), false},
		{"damaged", Copy{Drive: 1, State: Damaged, Digest: f.Digest}, false},
		{"written, not read back", Copy{Drive: 1, Digest: f.Digest}, false},
	} {
		if got := f.Holds(c.copy); got != c.want {
			t.Errorf("%s: holds %v, want %v", c.name, got, c.want)
		}
	}
	unread := File{}
	if unread.Holds(Copy{State: Verified}) {
		t.Error("nothing holds a file that was never read")
	}
}

// TestPausesDouble is the table of pauses: ten seconds, doubling to an hour.
func TestPausesDouble(t *testing.T) {
	pauses := []time.Duration{10, 20, 40, 80, 160, 320, 640, 1280, 2560, 3600, 3600, 3600}
	var a Attempt
	for i, seconds := range pauses {
		a = a.Failed(DriveLost, noon)
		if got, want := a.RetryAt.Sub(noon), seconds*time.Second; got != want {
			t.Errorf("after failure %d: a pause of %v, want %v", i+1, got, want)
		}
		if a.Count != i+1 || a.Cause != DriveLost {
			t.Errorf("after failure %d: %+v", i+1, a)
		}
	}
	for range 1000 {
		a = a.Failed(DriveLost, noon)
	}
	if a.Count != 255 || a.RetryAt.Sub(noon) != time.Hour {
		t.Errorf("after a thousand failures: %+v (the ledger keeps the count in a byte)", a)
	}
	a = a.Failed(DriveFull, noon)
	if a.Count != 1 || a.RetryAt.Sub(noon) != 10*time.Second {
		t.Errorf("another cause starts anew: %+v", a)
	}
}

// TestEverythingHasWords walks through every value that can be printed.
func TestEverythingHasWords(t *testing.T) {
	met := map[string]string{}
	say := func(kind, words string) {
		t.Helper()
		if words == "" {
			t.Errorf("a %s without words", kind)
		}
		if kind+words == met[kind+words] {
			t.Errorf("two of %s are called %q", kind, words)
		}
		met[kind+words] = kind + words
	}
	if NoCause.String() != "" {
		t.Error("no cause has words")
	}
	last := Cause(len(causes) - 1)
	for c := SourceUnreadable; c <= last; c++ {
		say("cause", c.String())
	}
	if !last.Known() || (last + 1).Known() || last != NoPlaceOnDrive {
		t.Errorf("the last cause known is %d", last)
	}
	for l := Here; l <= Skipped; l++ {
		say("life", l.String())
	}
	for k := Nothing; k <= KeepThenCopy; k++ {
		say("kind", k.String())
	}
	for s := OneCopy; s <= Covered; s++ {
		say("standing", s.String())
	}
	for s := Low; s <= Critical; s++ {
		say("severity", s.String())
	}
	for _, p := range Places() {
		say("place", string(p))
	}
}

func TestCausesOfTheSource(t *testing.T) {
	for c := NoCause; c.Known(); c++ {
		want := c == SourceUnreadable || c == SourceGone || c == SourceChanging
		if got := c.OfSource(); got != want {
			t.Errorf("%q: of the source %v, want %v", c, got, want)
		}
	}
}

func TestLivesAndPlaces(t *testing.T) {
	for life, counted := range map[Life]bool{Here: true, Archived: true, LetGo: false, Skipped: false} {
		if life.Counted() != counted {
			t.Errorf("%s: counted %v", life, life.Counted())
		}
	}
	for place, away := range map[Place]bool{WithMe: false, Home: true, OffSite: true} {
		if place.Away() != away {
			t.Errorf("%s: away %v", place, place.Away())
		}
	}
	if !(Drive{}).InUse() || (Drive{Retired: noon}).InUse() {
		t.Error("a drive is in use until it is retired")
	}
	colon := Drive{Traits: Traits{Forbidden: ":"}}
	if got := colon.Folder("Shoots: new"); got != "Shoots%3A new" {
		t.Errorf("the folder on the drive is %q", got)
	}
}

// randomFile is a file with anything the ledger can know about it, on drives
// numbered 1 to drives.
func randomFile(r *rand.Rand, path string, drives int) *File {
	f := &File{
		FileID: FileID{Working: "Shoots", Path: path},
		Stat:   Stat{Size: r.Int64N(1000), MTime: noon, Inode: r.Uint64()},
		SeenAt: noon.Add(-time.Duration(r.IntN(10)) * time.Second),
		Life:   oneOf(r, Here, Here, Here, LetGo, Archived, Skipped),
	}
	if r.IntN(4) > 0 {
		f.Digest = content(oneOf(r, "one", "two"))
	}
	if r.IntN(5) == 0 {
		f.Attempt = Attempt{}.Failed(oneOf(r, SourceUnreadable, SourceGone, SourceChanging), noon)
	}
	for no := range drives {
		if r.IntN(2) == 0 {
			f.SetCopy(randomCopy(r, DriveNo(no+1)))
		}
	}
	return f
}

func randomCopy(r *rand.Rand, no DriveNo) Copy {
	c := Copy{Drive: no, State: oneOf(r, Missing, Verified, Verified, Damaged)}
	if c.State != Missing {
		c.Digest, c.Size = content(oneOf(r, "one", "two")), r.Int64N(1000)
		c.VerifiedAt = noon.Add(-time.Duration(r.IntN(200)) * aDay)
	}
	if c.State == Missing || r.IntN(4) == 0 {
		c.Attempt = Attempt{}.Failed(oneOf(r, DriveFull, DriveLost, NameRefused, TooLarge), noon.Add(-time.Duration(r.IntN(20))*time.Second))
	}
	return c
}
