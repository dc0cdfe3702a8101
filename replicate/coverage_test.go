package replicate

import (
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"
)

// policy is the one that a new configuration has.
var policy = Policy{Copies: 3, OffSite: 1, WarnAfter: 30 * time.Minute, VerifyEvery: 90 * aDay, Settle: 5 * time.Second}

func ask(copies, offSite int) Policy {
	p := policy
	p.Copies, p.OffSite = copies, offSite
	return p
}

// drivesLike writes drives: "Slate home", and after that as it applies
// "separate", "retired", "beside=Attic", "beside=working".
func drivesLike(words ...string) (all []Drive) {
	for i, w := range words {
		part := strings.Fields(w)
		d := Drive{ID: DriveID(part[0]), No: DriveNo(i + 1), Name: part[0], Place: Place(part[1]), Adopted: noon}
		for _, p := range part[2:] {
			beside, is := strings.CutPrefix(p, "beside=")
			switch {
			case p == "separate":
				d.Separate = true
			case p == "retired":
				d.Retired = noon
			case is && beside == "working":
				d.Beside = append(d.Beside, WorkingDisk(ternIsland.Working))
			case is:
				d.Beside = append(d.Beside, beside)
			default:
				panic("not a word for a drive: " + p)
			}
		}
		all = append(all, d)
	}
	return all
}

// fileLike writes a file by its life and who holds it: "here Slate Attic". After
// a drive's name "-91" means verified so many days ago, "~" an earlier content,
// "!" damaged, "?" written and read back differently, "%" name refused.
func fileLike(i int, words string, drives []Drive) *File {
	f := still(fmt.Sprintf("A%03d.raw", i))
	part := strings.Fields(words)
	lives := map[string]Life{"here": Here, "archived": Archived, "let-go": LetGo, "skipped": Skipped}
	f.Life = lives[part[0]]
	for _, p := range part[1:] {
		name, days, old := strings.Cut(strings.TrimRight(p, "~!?%"), "-")
		c := verified(Fleet{Drives: drives}.named(name), f.Digest)
		if old {
			n, _ := strconv.Atoi(days)
			c.VerifiedAt = noon.Add(-time.Duration(n) * aDay)
		}
		switch p[len(p)-1] {
		case '~':
			c.Digest = content("before")
		case '!':
			c.State = Damaged
		case '?':
			c = Copy{Drive: c.Drive, Attempt: Attempt{Cause: ReadBackDiffers, Count: 1, RetryAt: noon}}
		case '%':
			c = Copy{Drive: c.Drive, Attempt: Attempt{Cause: NameRefused, Count: 1, RetryAt: noon}}
		}
		f.SetCopy(c)
	}
	return f
}

func (f Fleet) named(name string) DriveNo {
	return f.Drives[slices.IndexFunc(f.Drives, func(d Drive) bool { return d.Name == name })].No
}

// line is what a test compares of a cover.
func (c Cover) line() string {
	line := fmt.Sprintf("%d copies, %d off site, %s", c.Copies, c.OffSite, c.Standing)
	if c.Archived {
		line += ", archived"
	}
	return line
}

func coverLike(drives, files []string, p Policy) Cover {
	all, tally := drivesLike(drives...), Tally{}
	for i, words := range files {
		tally.Add(fileLike(i, words, all))
	}
	return CoverOf(ternIsland, tally, NewFleet(all), p, noon)
}

var two = []string{"Slate with-me", "Attic home"}

// TestStanding is a truth table. Rows that stand for an outside rule name it:
//
//	3-2-1  Ruggiero and Heckathorn, Data Backup Options, US-CERT, 2012: three
//	       copies, the primary and two backups, on two kinds of media (which
//	       Copyhold does not know), one of them off site
//	NDSA   Levels of Digital Preservation, Version 2.0, October 2019, row
//	       Storage, https://osf.io/2mkwx: level 1 asks for two complete copies
//	       in separate locations, level 2 for three of which one is in a
//	       different geographic location. Levels 3 and 4 differ in the threats
//	       to a place, which Copyhold does not know
func TestStanding(t *testing.T) {
	for _, c := range []struct {
		name   string
		drives []string
		files  []string
		policy Policy
		want   string
	}{
		{"3-2-1: the primary alone", two, []string{"here"}, ask(3, 1), "1 copies, 0 off site, one copy"},
		{"3-2-1: one backup, beside it", two, []string{"here Slate"}, ask(3, 1), "2 copies, 0 off site, short"},
		{"3-2-1: one backup, off site", two, []string{"here Attic"}, ask(3, 1), "2 copies, 1 off site, short"},
		{"3-2-1: two backups, one off site", two, []string{"here Slate Attic"}, ask(3, 1), "3 copies, 1 off site, covered"},
		{"3-2-1: two backups, none off site", []string{"Slate with-me", "Crate with-me"}, []string{"here Slate Crate"}, ask(3, 1),
			"3 copies, 0 off site, short"},
		{"3-2-1: the primary lost, both backups left", two, []string{"archived Slate Attic"}, ask(3, 1), "2 copies, 1 off site, short, archived"},

		{"NDSA 1: one copy", two, []string{"here"}, ask(2, 1), "1 copies, 0 off site, one copy"},
		{"NDSA 1: two copies in one location", two, []string{"here Slate"}, ask(2, 1), "2 copies, 0 off site, short"},
		{"NDSA 1: two copies in separate locations", two, []string{"here Attic"}, ask(2, 1), "2 copies, 1 off site, covered"},
		{"NDSA 2: two copies", two, []string{"here Attic"}, ask(3, 1), "2 copies, 1 off site, short"},
		{"NDSA 2: three copies in one location", []string{"Slate with-me", "Crate with-me"}, []string{"here Slate Crate"}, ask(3, 1),
			"3 copies, 0 off site, short"},
		{"NDSA 2: three copies, one far away", []string{"Slate with-me", "Vault off-site"}, []string{"here Slate Vault"}, ask(3, 1),
			"3 copies, 1 off site, covered"},

		{"P8: two partitions of one disk", []string{"Slate with-me", "Slate2 with-me beside=Slate"}, []string{"here Slate Slate2"}, ask(3, 0),
			"2 copies, 0 off site, short"},
		{"P8: two partitions at home are one off site", []string{"Attic home", "Attic2 home beside=Attic"}, []string{"here Attic Attic2"}, ask(3, 2),
			"2 copies, 1 off site, short"},
		{"P8: three of one disk, each met beside the next", []string{"Slate with-me", "Slate2 with-me beside=Slate", "Slate3 with-me beside=Slate2"},
			[]string{"here Slate Slate2 Slate3"}, ask(3, 0), "2 copies, 0 off site, short"},
		{"P8: met in a circle", []string{"Slate home beside=Slate3", "Slate2 home beside=Slate", "Slate3 home beside=Slate2"},
			[]string{"here Slate Slate2 Slate3"}, ask(3, 0), "2 copies, 1 off site, short"},
		{"P8: beside itself", []string{"Slate home beside=Slate"}, []string{"here Slate"}, ask(2, 1), "2 copies, 1 off site, covered"},
		{"P8: a folder beside the working folder", []string{"Slate with-me beside=working"}, []string{"here Slate"}, ask(2, 0),
			"1 copies, 0 off site, one copy"},
		{"P8: beside the working folder is not off site", []string{"Attic home beside=working", "Slate with-me"}, []string{"here Attic Slate"}, ask(2, 1),
			"2 copies, 0 off site, short"},
		{"P8: beside a drive that is beside the working folder", []string{"Slate home", "Slate2 home beside=Slate beside=working"},
			[]string{"here Slate Slate2"}, ask(2, 1), "1 copies, 0 off site, one copy"},
		{"P8: archived, on two folders of one disk", []string{"Attic home", "Attic2 home beside=Attic"}, []string{"archived Attic Attic2"}, ask(2, 1),
			"1 copies, 1 off site, one copy, archived"},
		{"declared separate", []string{"Slate with-me", "Slate2 with-me beside=Slate separate"}, []string{"here Slate Slate2"}, ask(3, 0),
			"3 copies, 0 off site, covered"},
		{"declared separate, and the other met beside it", []string{"Slate with-me separate", "Slate2 with-me beside=Slate"},
			[]string{"here Slate Slate2"}, ask(3, 0), "3 copies, 0 off site, covered"},
		{"declared separate from the working folder", []string{"Slate home beside=working separate"}, []string{"here Slate"}, ask(2, 1),
			"2 copies, 1 off site, covered"},
		{"P8: two folders met beside a separate one are still one", []string{"Slate home separate", "Slate2 home beside=Slate", "Slate3 home beside=Slate"},
			[]string{"here Slate2 Slate3"}, ask(3, 0), "2 copies, 1 off site, short"},
		{"P8: beside a separate one that is beside the working folder", []string{"Slate home separate beside=working", "Slate2 home beside=Slate"},
			[]string{"here Slate2"}, ask(2, 0), "1 copies, 0 off site, one copy"},

		{"retired drives do not count", []string{"Slate with-me retired", "Attic home"}, []string{"here Slate Attic"}, ask(3, 1),
			"2 copies, 1 off site, short"},
		{"all drives retired", []string{"Slate with-me retired", "Attic home retired"}, []string{"here Slate Attic"}, ask(2, 0),
			"1 copies, 0 off site, one copy"},
		{"retired, yet it joins two folders of its disk", []string{"Slate home retired", "Slate2 home beside=Slate", "Slate3 home beside=Slate"},
			[]string{"here Slate2 Slate3"}, ask(3, 0), "2 copies, 1 off site, short"},
		{"damaged copies do not count", two, []string{"here Slate! Attic"}, ask(3, 1), "2 copies, 1 off site, short"},
		{"written and not read back is no copy", two, []string{"here Slate? Attic"}, ask(3, 1), "2 copies, 1 off site, short"},
		{"what could not be stored is no copy", two, []string{"here Slate% Attic"}, ask(3, 1), "2 copies, 1 off site, short"},
		{"a copy of earlier content is no copy", two, []string{"here Slate~ Attic"}, ask(3, 1), "2 copies, 1 off site, short"},

		{"the least held file decides", two, []string{"here Slate Attic", "here Slate Attic", "here"}, ask(3, 1), "1 copies, 0 off site, one copy"},
		{"least held differ in copies and off site", two, []string{"here Slate", "here Attic"}, ask(2, 1), "2 copies, 0 off site, short"},
		{"let go is not counted", two, []string{"here Slate Attic", "let-go", "let-go Slate"}, ask(3, 1), "3 copies, 1 off site, covered"},
		{"links are not counted", two, []string{"here Slate Attic", "skipped"}, ask(3, 1), "3 copies, 1 off site, covered"},
		{"nothing to count", two, []string{"let-go Slate", "skipped"}, ask(3, 1), "0 copies, 0 off site, covered"},
		{"no file at all", two, nil, ask(3, 1), "0 copies, 0 off site, covered"},
		{"archived on one drive", two, []string{"archived Attic"}, ask(2, 0), "1 copies, 1 off site, one copy, archived"},
		{"archived on no drive", two, []string{"archived", "archived Slate Attic"}, ask(2, 0), "0 copies, 0 off site, one copy, archived"},
		{"archived on two", two, []string{"archived Slate Attic", "let-go"}, ask(2, 1), "2 copies, 1 off site, covered, archived"},
		{"one file came back", two, []string{"archived Slate Attic", "here Slate Attic"}, ask(2, 1), "2 copies, 1 off site, covered"},

		{"verified as long ago as allowed", two, []string{"here Slate-90 Attic"}, ask(3, 1), "3 copies, 1 off site, covered"},
		{"verified longer ago", two, []string{"here Slate-92 Attic"}, ask(3, 1), "3 copies, 1 off site, unproven"},
		{"one file of many was verified longer ago", two, []string{"here Slate Attic", "here Slate Attic-92"}, ask(3, 1), "3 copies, 1 off site, unproven"},
		{"short matters more than unproven", two, []string{"here Slate-92"}, ask(3, 1), "2 copies, 0 off site, short"},
		{"a let go file need not be proven", two, []string{"here Slate Attic", "let-go Slate-400"}, ask(3, 1), "3 copies, 1 off site, covered"},
		{"nor a retired drive", []string{"Slate with-me", "Attic home", "Crate home retired"}, []string{"here Slate Attic Crate-400"}, ask(3, 1),
			"3 copies, 1 off site, covered"},
	} {
		if got := coverLike(c.drives, c.files, c.policy).line(); got != c.want {
			t.Errorf("%s\n drives %q\n files %q\n got  %s\n want %s", c.name, c.drives, c.files, got, c.want)
		}
	}
}

// TestStandingsComeWorstFirst: people see the worst first, and worse is smaller.
func TestStandingsComeWorstFirst(t *testing.T) {
	var got []string
	for s := OneCopy; s <= Covered; s++ {
		got = append(got, s.String())
	}
	if want := []string{"one copy", "short", "unproven", "covered"}; !slices.Equal(got, want) {
		t.Errorf("got %q, want %q", got, want)
	}
}

// TestLacks holds what the sentence says against the standing.
func TestLacks(t *testing.T) {
	for _, c := range []struct {
		files  string
		policy Policy
		want   string
	}{
		{"here Slate Attic", ask(3, 1), ""},
		{"here Slate-92 Attic", ask(3, 1), "a copy was last verified more than 90 days ago"},
		{"here Slate", ask(2, 1), "needs 1 copy at home or off site (has 0 of 1)"},
		{"here Slate", ask(2, 2), "needs 2 copies at home or off site (has 0 of 2)"},
		{"here Attic", ask(3, 1), "needs 1 more copy on separate devices (has 2 of 3)"},
		{"archived Attic", ask(3, 1), "needs 2 more copies on separate devices (has 1 of 3)"},
		{"here", ask(3, 1), "needs 2 more copies on separate devices (has 1 of 3), 1 of them at home or off site"},
		{"here", ask(1, 0), "needs 1 more copy on separate devices (has 1 of 2)"},
		{"here Slate", ask(1, 0), ""},
	} {
		cover := coverLike(two, []string{c.files}, c.policy)
		if got := Lacks(cover, c.policy); got != c.want {
			t.Errorf("%s of %d and %d: got %q, want %q", c.files, c.policy.Copies, c.policy.OffSite, got, c.want)
		}
	}
}

// TestShares looks at the drives' parts in a shoot.
func TestShares(t *testing.T) {
	c := coverLike([]string{"Slate with-me", "Attic home", "Crate home retired"}, []string{
		"here Slate Attic-10 Crate", "here Slate-3 Attic%", "here Slate! Attic?", "archived Slate~", "let-go Slate Attic", "skipped",
	}, policy)
	mb := int64(42_000_000) // of each file
	sum := func(n int64) Sum { return Sum{n, n * mb} }
	if c.Counted != sum(4) || c.LetGo != sum(1) || c.Skipped != sum(1) || c.Unread != (Sum{}) || c.Archived {
		t.Errorf("got %+v", c)
	}
	if got := slices.Sorted(maps.Keys(c.Drives)); !slices.Equal(got, []DriveNo{1, 2}) {
		t.Errorf("shares of the drives %v; a retired drive has none", got)
	}
	slate, attic := c.Drives[1], c.Drives[2]
	if slate.Held != sum(2) || slate.Wanted != sum(2) || slate.Damaged != sum(1) || len(slate.Refused) != 0 {
		t.Errorf("Slate: %+v", slate)
	}
	if attic.Held != sum(1) || attic.Wanted != sum(3) || attic.Damaged != (Sum{}) ||
		!maps.Equal(attic.Refused, map[Cause]Sum{NameRefused: sum(1), ReadBackDiffers: sum(1)}) {
		t.Errorf("Attic: %+v", attic)
	}
	for _, s := range []struct {
		share Share
		ago   int
	}{{slate, 3}, {attic, 10}} { // the oldest of each; only the day is kept, and no date is later than the truth (P8)
		if late := s.share.Verified.Sub(noon.Add(-time.Duration(s.ago) * aDay)); late < -aDay || late > 0 {
			t.Errorf("verified %v, want %d days before %v", s.share.Verified, s.ago, noon)
		}
	}
}

// TestUnreadSources are counted, and not as copies.
func TestUnreadSources(t *testing.T) {
	tally := Tally{}
	for i, cause := range []Cause{NoCause, SourceUnreadable} {
		f := still(fmt.Sprintf("A%03d.raw", i))
		f.Attempt = Attempt{}.Failed(cause, noon)
		tally.Add(f)
	}
	if c := CoverOf(ternIsland, tally, NewFleet(nil), policy, noon); c.Unread.Files != 1 || c.Counted.Files != 2 || c.Copies != 1 {
		t.Errorf("got %+v", c)
	}
}

// TestUnknownDriveHoldsNothing: a tally may name a drive that the fleet lacks.
func TestUnknownDriveHoldsNothing(t *testing.T) {
	tally := Tally{}
	tally.Add(still("A001.raw", verified(9, content("A001.raw"))))
	if got := CoverOf(ternIsland, tally, NewFleet(drivesLike(two...)), policy, noon).line(); got != "1 copies, 0 off site, one copy" {
		t.Errorf("got %s", got)
	}
}

// TestFleet looks at who shares a device.
func TestFleet(t *testing.T) {
	drives := drivesLike("Slate with-me beside=working", "Attic home", "Attic2 home beside=Attic", "Crate home beside=working separate")
	fleet := NewFleet(drives)
	for i, want := range []bool{true, false, false, false} {
		if got := fleet.SharesDevice(drives[i], ternIsland.Working); got != want {
			t.Errorf("%s shares the working drive's device: %v, want %v", drives[i].Name, got, want)
		}
		if fleet.SharesDevice(drives[i], "Elsewhere") {
			t.Errorf("%s shares a device with a folder it never met", drives[i].Name)
		}
	}
	if !fleet.SameDevice(drives[1], drives[2]) || !fleet.SameDevice(drives[3], drives[3]) || fleet.SameDevice(drives[0], drives[1]) || fleet.SameDevice(drives[0], drives[3]) {
		t.Error("only Attic and Attic2 are on one device")
	}
	if d, known := fleet.Drive(3); !known || d.Name != "Attic2" {
		t.Errorf("drive 3 is %+v", d)
	}
	if _, known := fleet.Drive(9); known {
		t.Error("there is no drive 9")
	}
}

// TestMoreCopiesNeverHurt adds a verified copy to a random shoot: neither count
// goes down, and no shoot has more copies than there are devices.
func TestMoreCopiesNeverHurt(t *testing.T) {
	r := seeded(t)
	drives := drivesLike("Slate with-me", "Attic home beside=Slate", "Crate off-site", "Vault off-site separate beside=working")
	fleet := NewFleet(drives)
	for range 1000 {
		files, tally := make([]*File, 1+r.IntN(5)), Tally{}
		for i := range files {
			files[i] = randomFile(r, fmt.Sprintf("%s/%d.raw", ternIsland.Name, i), len(drives))
			files[i].Digest = content("one")
			tally.Add(files[i])
		}
		before := CoverOf(ternIsland, tally, fleet, policy, noon)
		for _, f := range files {
			tally.Remove(f)
			f.SetCopy(verified(oneOf(r, drives...).No, f.Digest))
			tally.Add(f)
		}
		after := CoverOf(ternIsland, tally, fleet, policy, noon)
		if after.Copies < before.Copies || after.OffSite < before.OffSite {
			t.Fatalf("from %s to %s", before.line(), after.line())
		}
		if after.Copies > 4 || after.OffSite > 3 {
			t.Fatalf("more copies than devices: %s", after.line())
		}
	}
}

// BenchmarkCover counts the copies of a shoot of ten thousand files on five
// drives, verified over a month.
func BenchmarkCover(b *testing.B) {
	drives := drivesLike("Slate with-me", "Slate2 with-me beside=Slate", "Attic home", "Crate home", "Vault off-site")
	fleet, tally := NewFleet(drives), Tally{}
	for i := range 10_000 {
		f := still(fmt.Sprintf("A%05d.raw", i))
		for no := range drives {
			c := verified(DriveNo(no+1), f.Digest)
			c.VerifiedAt = noon.Add(-time.Duration(i/400) * aDay)
			f.SetCopy(c)
		}
		tally.Add(f)
	}
	b.ReportMetric(float64(len(tally)), "groups")
	b.ReportAllocs()
	for b.Loop() {
		if c := CoverOf(ternIsland, tally, fleet, policy, noon); c.Standing != Covered {
			b.Fatal(c.line())
		}
	}
}

// BenchmarkPlan asks for every one of ten thousand files on five drives.
func BenchmarkPlan(b *testing.B) {
	const n = 10_000
	drives := drivesLike("Slate with-me", "Slate2 with-me beside=Slate", "Attic home", "Crate home", "Vault off-site")
	files := make([]*File, n)
	for i := range files {
		files[i] = still(fmt.Sprintf("A%05d.raw", i))
		for no := range drives[:i%len(drives)] {
			files[i].SetCopy(verified(DriveNo(no+1), files[i].Digest))
		}
	}
	b.ReportAllocs()
	for b.Loop() {
		wanted := 0
		for _, f := range files {
			for _, d := range drives {
				if Next(f, d, rest, noon).Wanted() {
					wanted++
				}
			}
		}
		if wanted != n*3 {
			b.Fatalf("%d wanted", wanted)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/n/float64(len(drives)), "ns/decision")
}
