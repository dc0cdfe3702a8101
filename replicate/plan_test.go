package replicate

import (
	"fmt"
	"slices"
	"testing"
	"time"
)

// rest is a scene in which nothing stands against copying.
var rest = Scene{Present: true, Working: true, Settle: 5 * time.Second}

var nextCases = []struct {
	name  string
	edit  func(f *File, d *Drive, s *Scene)
	want  string
	until time.Duration // from noon; 0 = no time helps
}{
	{"a new file", func(f *File, d *Drive, s *Scene) {}, "copy (never copied)", 0},
	{"a file not read yet", func(f *File, d *Drive, s *Scene) { f.Digest = Digest{} }, "copy (never copied)", 0},
	{"tried and failed long ago", func(f *File, d *Drive, s *Scene) {
		f.SetCopy(Copy{Drive: 1, Attempt: Attempt{Cause: DriveFull, Count: 1, RetryAt: noon.Add(-time.Second)}})
	}, "copy (never copied)", 0},
	{"verified", func(f *File, d *Drive, s *Scene) { f.SetCopy(verified(1, f.Digest)) }, "nothing (verified)", 0},
	{"verified on another drive", func(f *File, d *Drive, s *Scene) { f.SetCopy(verified(2, f.Digest)) }, "copy (never copied)", 0},
	{"changed since", func(f *File, d *Drive, s *Scene) { f.SetCopy(verified(1, content("before"))) },
		"keep, then copy (content changed)", 0}, // P3
	{"changed since and not read yet", func(f *File, d *Drive, s *Scene) {
		f.SetCopy(verified(1, f.Digest))
		f.Digest = Digest{}
	}, "keep, then copy (content changed)", 0},
	{"damaged", func(f *File, d *Drive, s *Scene) {
		f.SetCopy(Copy{Drive: 1, State: Damaged, Digest: f.Digest})
	}, "keep, then copy (the copy is damaged)", 0},
	{"drive retired", func(f *File, d *Drive, s *Scene) { d.Retired = noon }, "nothing (drive retired)", 0},
	{"a link", func(f *File, d *Drive, s *Scene) { f.Life = Skipped }, "nothing (not a regular file)", 0},
	{"let go", func(f *File, d *Drive, s *Scene) { f.Life = LetGo }, "nothing (let go)", 0},
	{"archived and there", func(f *File, d *Drive, s *Scene) {
		f.Life = Archived
		f.SetCopy(verified(1, f.Digest))
	}, "nothing (verified)", 0},
	{"archived and not there", func(f *File, d *Drive, s *Scene) { f.Life = Archived },
		"wait (archived, the working folder no longer has it)", 0},
	{"drive away", func(f *File, d *Drive, s *Scene) { s.Present = false }, "wait (drive away)", 0},
	{"drive away, verified before", func(f *File, d *Drive, s *Scene) {
		s.Present = false
		f.SetCopy(verified(1, f.Digest))
	}, "nothing (verified)", 0},
	{"drive read-only", func(f *File, d *Drive, s *Scene) { s.Troubled = true }, "wait (drive not usable)", 0},
	{"working folder away", func(f *File, d *Drive, s *Scene) { s.Working = false }, "wait (working folder away)", 0},
	{"paused", func(f *File, d *Drive, s *Scene) { s.Paused = true }, "wait (paused)", 0},
	{"still settling", func(f *File, d *Drive, s *Scene) { f.SeenAt = noon.Add(-4 * time.Second) },
		"wait (still settling)", time.Second},
	{"settled this moment", func(f *File, d *Drive, s *Scene) { f.SeenAt = noon.Add(-5 * time.Second) }, "copy (never copied)", 0},
	{"the source failed", func(f *File, d *Drive, s *Scene) {
		f.Attempt = Attempt{Cause: SourceUnreadable, Count: 1, RetryAt: noon.Add(7 * time.Second)}
	}, "wait (tried a moment ago: cannot be read on the working drive)", 7 * time.Second},
	{"the drive failed", func(f *File, d *Drive, s *Scene) {
		f.SetCopy(Copy{Drive: 1, Attempt: Attempt{Cause: NameRefused, Count: 1, RetryAt: noon.Add(9 * time.Second)}})
	}, "wait (tried a moment ago: the drive cannot store this name)", 9 * time.Second},
	{"another drive failed", func(f *File, d *Drive, s *Scene) {
		f.SetCopy(Copy{Drive: 2, Attempt: Attempt{Cause: DriveFull, Count: 1, RetryAt: noon.Add(9 * time.Second)}})
	}, "copy (never copied)", 0},
	{"changed, and the drive was full", func(f *File, d *Drive, s *Scene) {
		c := verified(1, content("before"))
		c.Attempt = Attempt{Cause: DriveFull, Count: 1, RetryAt: noon.Add(9 * time.Second)}
		f.SetCopy(c)
	}, "wait (tried a moment ago: no room on the drive)", 9 * time.Second},
	{"time to try again", func(f *File, d *Drive, s *Scene) {
		f.Attempt = Attempt{Cause: SourceChanging, Count: 1, RetryAt: noon}
	}, "copy (never copied)", 0},
}

func TestNext(t *testing.T) {
	for _, c := range nextCases {
		f, d, s := still("A001.raw"), Drive{ID: "slate", No: 1, Name: "Slate"}, rest
		c.edit(f, &d, &s)
		a := Next(f, d, s, noon)
		if a.String() != c.want {
			t.Errorf("%s: got %s, want %s", c.name, a, c.want)
		}
		if want := noon.Add(c.until); (c.until != 0) != a.Until.Equal(want) || c.until == 0 && !a.Until.IsZero() {
			t.Errorf("%s: until %v, want %v after noon", c.name, a.Until, c.until)
		}
	}
}

// TestNextHasAnOrder lets every obstacle stand at once and takes the worst away
// one by one: the answer names the one that matters most.
func TestNextHasAnOrder(t *testing.T) {
	f := still("A001.raw", Copy{Drive: 1, Attempt: Attempt{Cause: DriveFull, RetryAt: noon.Add(time.Minute)}})
	f.SeenAt = noon
	f.Attempt = Attempt{Cause: SourceGone, RetryAt: noon.Add(time.Minute)}
	f.Life = Skipped
	d := Drive{No: 1, Retired: noon}
	s := Scene{Troubled: true, Paused: true, Settle: time.Second}
	for _, step := range []struct {
		why  Why
		cure func()
	}{
		{DriveRetired, func() { d.Retired = time.Time{} }},
		{IsSkipped, func() { f.Life = LetGo }},
		{IsLetGo, func() { f.Life = Archived }},
		{IsArchived, func() { f.Life = Here }},
		{DriveAway, func() { s.Present = true }},
		{DriveTroubled, func() { s.Troubled = false }},
		{WorkingAway, func() { s.Working = true }},
		{Paused, func() { s.Paused = false }},
		{StillSettling, func() { f.SeenAt = noon.Add(-time.Hour) }},
		{TriedRecently, func() { f.Attempt = Attempt{} }},
		{TriedRecently, func() { f.SetCopy(Copy{Drive: 1}) }},
		{NeverCopied, func() {}},
	} {
		if a := Next(f, d, s, noon); a.Why != step.why {
			t.Fatalf("got %s, want the reason %q", a, step.why)
		}
		step.cure()
	}
}

func TestWanted(t *testing.T) {
	for kind, want := range map[Kind]bool{Nothing: false, Wait: true, CopyFile: true, KeepThenCopy: true} {
		if got := (Action{Kind: kind}).Wanted(); got != want {
			t.Errorf("%s: wanted %v, want %v", kind, got, want)
		}
	}
}

// TestPlanAndCoverAgree draws files and scenes at random. What the plan calls
// wanted is what the cover of a shoot counts as wanted, and nothing is done
// that the promises forbid.
func TestPlanAndCoverAgree(t *testing.T) {
	r := seeded(t)
	for i := range 5000 {
		f := randomFile(r, fmt.Sprintf("%s/%d.raw", ternIsland.Name, i), 2)
		d := Drive{ID: "slate", No: 1, Name: "Slate"}
		if r.IntN(8) == 0 {
			d.Retired = noon
		}
		s := Scene{Present: r.IntN(2) == 0, Troubled: r.IntN(4) == 0, Working: r.IntN(4) > 0, Paused: r.IntN(4) == 0, Settle: 5 * time.Second}
		a := Next(f, d, s, noon)
		tally := Tally{}
		tally.Add(f)
		cover := CoverOf(f.Shoot(), tally, NewFleet([]Drive{d}), Policy{}, noon)
		if wanted := cover.Drives[1].Wanted.Files == 1; a.Wanted() != wanted {
			t.Fatalf("%+v\nplan: %s\ncover wants it: %v", f, a, wanted)
		}
		acts := a.Kind == CopyFile || a.Kind == KeepThenCopy
		if acts && (!s.Present || s.Troubled || !s.Working || s.Paused || !d.InUse() || f.Life != Here) {
			t.Fatalf("%+v in %+v: %s", f, s, a)
		}
		if a.Kind == CopyFile && f.CopyOn(1).State != Missing { // P3
			t.Fatalf("%+v: %s over a copy that is there", f, a)
		}
		if acts && !a.Until.IsZero() || a.Kind == Wait && !a.Until.IsZero() && !a.Until.After(noon) {
			t.Fatalf("%+v: %s until %v", f, a, a.Until)
		}
	}
}

func TestOrder(t *testing.T) {
	shoots := func(name string, copies int) Candidate {
		return Candidate{ID: ShootID{"Shoots", name}, Copies: copies, Wanted: 1}
	}
	inOrder := []Candidate{
		shoots("2025-12-24 Lantern Walk", 0),
		shoots("2026-03-02 Tern Island", 1),
		shoots("2026-02-14 Saltworks", 1),
		{ID: ShootID{"Archive", "(loose files)"}, Copies: 1},
		{ID: ShootID{"Shoots", "(loose files)"}, Copies: 1},
		shoots("2026-03-01 Ferry", 3), // from two copies on, the newest comes first
		shoots("2026-02-28 Ferry", 2),
	}
	r := seeded(t)
	for range 50 {
		got := slices.Clone(inOrder)
		r.Shuffle(len(got), func(i, j int) { got[i], got[j] = got[j], got[i] })
		Order(got)
		if !slices.Equal(got, inOrder) {
			t.Fatalf("got %v, want %v", got, inOrder)
		}
	}
}
