package replicate

import (
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
)

// Places and drives of the cases below.
var (
	slate = KnownDrive{ID: "slate", Name: "Slate", LastPath: "/media/ana/SLATE", Volume: "vol-1"}
	attic = KnownDrive{ID: "attic", Name: "Attic", LastPath: "/media/ana/ATTIC/copies"} // a FUSE drive: no UUID

	slateHome = Evidence{
		Path: "/media/ana/SLATE", ID: "slate", IDVolume: "vol-1", Volume: "vol-1",
		Mount: "101", Disk: "sdb", Folder: "8:17:2",
	}
	atticHome = Evidence{Path: "/media/ana/ATTIC/copies", ID: "attic", Mount: "102", Disk: "sdc", Folder: "8:33:7"}
)

// but returns e changed by edit.
func but(e Evidence, edit func(*Evidence)) Evidence {
	edit(&e)
	return e
}

func at(e Evidence, path, mount string) Evidence {
	e.Path, e.Mount = path, mount
	return e
}

var identifyCases = []struct {
	name  string
	known []KnownDrive
	seen  []Evidence
	want  string
}{
	{
		name:  "nothing known, nothing seen",
		known: nil, seen: nil, want: "",
	},
	{
		name:  "one at home, one away",
		known: []KnownDrive{slate, attic},
		seen:  []Evidence{slateHome},
		want: `
attic: away (not plugged in)
slate: same at "/media/ana/SLATE" (where it was last)`,
	},
	{
		name:  "moved to another mount path",
		known: []KnownDrive{slate},
		seen:  []Evidence{at(slateHome, "/mnt/red", "140")},
		want: `
slate: moved at "/mnt/red" (was last at "/media/ana/SLATE")`,
	},
	{
		name:  "known from a rebuilt ledger, never seen",
		known: []KnownDrive{{ID: "slate", Name: "Slate"}},
		seen:  []Evidence{slateHome},
		want: `
slate: moved at "/media/ana/SLATE" (seen here for the first time)`,
	},
	{
		name:  "read-only",
		known: []KnownDrive{slate},
		seen:  []Evidence{but(slateHome, func(e *Evidence) { e.ReadOnly = true })},
		want: `
slate: same at "/media/ana/SLATE" (where it was last; read-only)`,
	},
	{
		name:  "a volume without a UUID is known by its file",
		known: []KnownDrive{attic},
		seen:  []Evidence{atticHome},
		want: `
attic: same at "/media/ana/ATTIC/copies" (where it was last)`,
	},
	{
		name:  "the UUID is not told today",
		known: []KnownDrive{slate},
		seen:  []Evidence{but(slateHome, func(e *Evidence) { e.Volume = "" })},
		want: `
slate: same at "/media/ana/SLATE" (where it was last; its volume tells no UUID now, its identity file decides)`,
	},
	{
		name:  "a UUID in other letters is the same one",
		known: []KnownDrive{slate},
		seen:  []Evidence{but(slateHome, func(e *Evidence) { e.Volume = "VOL-1" })},
		want: `
slate: same at "/media/ana/SLATE" (where it was last)`,
	},
	{
		name:  "the drive's files copied to another volume, mounted at the old path",
		known: []KnownDrive{slate},
		seen:  []Evidence{but(slateHome, func(e *Evidence) { e.Volume = "vol-2" })},
		want: `
slate: cloned at "/media/ana/SLATE" (the volume is not the one recorded for "Slate", so this is taken for a clone and never written: unplug it, or adopt it as a drive of its own; if it replaces "Slate", retire that first)`,
	},
	{
		name:  "copied to another volume that words its UUID differently",
		known: []KnownDrive{slate},
		seen:  []Evidence{but(slateHome, func(e *Evidence) { e.Volume = "1A2B-3C4D" })},
		want: `
slate: cloned at "/media/ana/SLATE" (the volume is not the one recorded for "Slate", so this is taken for a clone and never written: unplug it, or adopt it as a drive of its own; if it replaces "Slate", retire that first)`,
	},
	{
		name:  "nothing recorded here, but the identity file names another volume",
		known: []KnownDrive{{ID: "slate", Name: "Slate", LastPath: "/media/ana/SLATE"}},
		seen:  []Evidence{but(slateHome, func(e *Evidence) { e.Volume = "vol-2" })},
		want: `
slate: cloned at "/media/ana/SLATE" (the volume is not the one recorded for "Slate", so this is taken for a clone and never written: unplug it, or adopt it as a drive of its own; if it replaces "Slate", retire that first)`,
	},
	{
		name:  "nothing recorded here, and another system worded the UUID",
		known: []KnownDrive{{ID: "slate", Name: "Slate", LastPath: "/media/ana/SLATE"}},
		seen:  []Evidence{but(slateHome, func(e *Evidence) { e.Volume = "1A2B-3C4D" })},
		want: `
slate: same at "/media/ana/SLATE" (where it was last)`,
	},
	{
		name:  "an image of the drive mounted beside it",
		known: []KnownDrive{slate},
		seen: []Evidence{slateHome, but(at(slateHome, "/mnt/image", "150"), func(e *Evidence) {
			e.Disk, e.Folder = "loop3", "7:3:2"
		})},
		want: `
slate: cloned at "/media/ana/SLATE" (the identity of "Slate" is at "/media/ana/SLATE" and "/mnt/image", and one is a copy of the other: none is written until only one is plugged in, or one is adopted as a drive of its own)
    also "/mnt/image"`,
	},
	{
		name:  "a partition copied to the next one of the same disk",
		known: []KnownDrive{slate},
		seen:  []Evidence{slateHome, but(at(slateHome, "/mnt/p2", "151"), func(e *Evidence) { e.Folder = "8:18:2" })},
		want: `
slate: cloned at "/media/ana/SLATE" (the identity of "Slate" is at "/media/ana/SLATE" and "/mnt/p2", and one is a copy of the other: none is written until only one is plugged in, or one is adopted as a drive of its own)
    also "/mnt/p2"`,
	},
	{
		name:  "the drive folder copied within its volume",
		known: []KnownDrive{attic},
		seen: []Evidence{atticHome, but(at(atticHome, "/media/ana/ATTIC/more", "102"), func(e *Evidence) {
			e.Folder = "8:33:9"
		})},
		want: `
attic: cloned at "/media/ana/ATTIC/copies" (the identity of "Attic" is at "/media/ana/ATTIC/copies" and "/media/ana/ATTIC/more", and one is a copy of the other: none is written until only one is plugged in, or one is adopted as a drive of its own)
    also "/media/ana/ATTIC/more"`,
	},
	{
		name:  "the same folder by a bind mount",
		known: []KnownDrive{slate},
		seen:  []Evidence{at(slateHome, "/srv/x", "160"), slateHome},
		want: `
slate: same at "/media/ana/SLATE" (where it was last; the same folder is also at "/srv/x")
    also "/srv/x"`,
	},
	{
		name:  "mounted twice, neither where it was: the shorter path",
		known: []KnownDrive{slate},
		seen:  []Evidence{at(slateHome, "/mnt/longer", "161"), at(slateHome, "/mnt/red", "160")},
		want: `
slate: moved at "/mnt/red" (was last at "/media/ana/SLATE"; the same folder is also at "/mnt/longer")
    also "/mnt/longer"`,
	},
	{
		name:  "mounted twice on a system that numbers no folders",
		known: []KnownDrive{slate},
		seen: []Evidence{
			but(slateHome, func(e *Evidence) { e.Folder = "" }),
			but(at(slateHome, "/srv/x", "160"), func(e *Evidence) { e.Folder = "" }),
		},
		want: `
slate: same at "/media/ana/SLATE" (where it was last; the same folder is also at "/srv/x")
    also "/srv/x"`,
	},
	{
		name:  "twice, and nothing tells them apart or together",
		known: []KnownDrive{attic},
		seen: []Evidence{
			but(atticHome, func(e *Evidence) { e.Folder = "" }),
			but(at(atticHome, "/mnt/attic", "160"), func(e *Evidence) { e.Folder = "" }),
		},
		want: `
attic: doubtful at "/media/ana/ATTIC/copies" (the identity of "Attic" is at "/media/ana/ATTIC/copies" and "/mnt/attic", and it cannot be told whether they are one: none is written until only one of them is left)
    also "/mnt/attic"`,
	},
	{
		name:  "one folder twice and a clone of it",
		known: []KnownDrive{slate},
		seen: []Evidence{slateHome, at(slateHome, "/srv/x", "160"), but(at(slateHome, "/mnt/image", "150"), func(e *Evidence) {
			e.Disk, e.Folder = "loop3", "7:3:2"
		})},
		want: `
slate: cloned at "/media/ana/SLATE" (the identity of "Slate" is at "/media/ana/SLATE" and "/srv/x" and "/mnt/image", and one is a copy of the other: none is written until only one is plugged in, or one is adopted as a drive of its own)
    also "/srv/x"
    also "/mnt/image"`,
	},
	{
		name:  "adopted by another computer",
		known: []KnownDrive{slate},
		seen:  []Evidence{atticHome},
		want: `
slate: away (not plugged in)
attic: new at "/media/ana/ATTIC/copies" (not known here, perhaps adopted by another computer: adopt it here to use it)`,
	},
	{
		name: "two from other computers",
		seen: []Evidence{slateHome, atticHome},
		want: `
attic: new at "/media/ana/ATTIC/copies" (not known here, perhaps adopted by another computer: adopt it here to use it)
slate: new at "/media/ana/SLATE" (not known here, perhaps adopted by another computer: adopt it here to use it)`,
	},
	{
		name: "unknown, and a clone by its own word",
		seen: []Evidence{but(slateHome, func(e *Evidence) { e.Volume = "vol-2" })},
		want: `
slate: cloned at "/media/ana/SLATE" (its identity file was written for another volume, so this is taken for a clone and never written: unplug it, or adopt it as a drive of its own)`,
	},
	{
		name: "unknown, twice",
		seen: []Evidence{slateHome, but(at(slateHome, "/mnt/image", "150"), func(e *Evidence) {
			e.Disk, e.Folder = "loop3", "7:3:2"
		})},
		want: `
slate: cloned at "/mnt/image" (the identity of a drive not known here is at "/mnt/image" and "/media/ana/SLATE", and one is a copy of the other: none is written until only one is plugged in, or one is adopted as a drive of its own)
    also "/media/ana/SLATE"`,
	},
	{
		name:  "unreadable where a known drive was last",
		known: []KnownDrive{slate},
		seen:  []Evidence{{Path: "/media/ana/SLATE", Err: "its identity file is cut short"}},
		want: `
slate: doubtful at "/media/ana/SLATE" (this is where "Slate" was last, but its identity file is cut short; it is not used until that is settled)`,
	},
	{
		name:  "unreadable at the old path, healthy at another",
		known: []KnownDrive{slate},
		seen:  []Evidence{{Path: "/media/ana/SLATE", Err: "its identity file is a link"}, at(slateHome, "/mnt/red", "140")},
		want: `
slate: moved at "/mnt/red" (was last at "/media/ana/SLATE")
(no identity): doubtful at "/media/ana/SLATE" (its identity file is a link; it is left alone)`,
	},
	{
		name: "unreadable somewhere, and one that names no drive",
		seen: []Evidence{{Path: "/mnt/odd", Err: "its identity file is a folder"}, {Path: "/mnt/z"}},
		want: `
(no identity): doubtful at "/mnt/z" (its identity file names no drive; it is left alone)
(no identity): doubtful at "/mnt/odd" (its identity file is a folder; it is left alone)`,
	},
}

func TestIdentify(t *testing.T) {
	for _, c := range identifyCases {
		t.Run(c.name, func(t *testing.T) {
			got := transcript(Identify(c.known, c.seen))
			t.Log(got)
			if want := strings.TrimPrefix(c.want, "\n"); got != want {
				t.Errorf("got\n%s\nwant\n%s", got, want)
			}
		})
	}
}

// TestIdentifyIsAFunctionOfSets shuffles what every case is given: nothing may change.
func TestIdentifyIsAFunctionOfSets(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 0))
	for _, c := range identifyCases {
		want := transcript(Identify(c.known, c.seen))
		for range 20 {
			known, seen := slices.Clone(c.known), slices.Clone(c.seen)
			r.Shuffle(len(known), func(i, j int) { known[i], known[j] = known[j], known[i] })
			r.Shuffle(len(seen), func(i, j int) { seen[i], seen[j] = seen[j], seen[i] })
			wasKnown, wasSeen := slices.Clone(known), slices.Clone(seen)
			if got := transcript(Identify(known, seen)); got != want {
				t.Fatalf("%s: got\n%s\nwant\n%s", c.name, got, want)
			}
			if !slices.Equal(known, wasKnown) || !slices.Equal(seen, wasSeen) {
				t.Fatalf("%s: arguments changed", c.name)
			}
		}
	}
}

// TestOnlyBelievedDrivesAreUsable holds P7: the zero value allows nothing.
func TestOnlyBelievedDrivesAreUsable(t *testing.T) {
	for s := Away; s <= Doubtful; s++ {
		if got, want := (Verdict{Kind: s}).Usable(), s == Same || s == Moved; got != want {
			t.Errorf("%s: usable %v, want %v", s, got, want)
		}
	}
	if (Verdict{}).Usable() {
		t.Error("the zero verdict is usable")
	}
	if got := Sight(99).String(); got != "sight 99" {
		t.Errorf("got %q", got)
	}
}

// transcript is one line per verdict, and one per further place.
func transcript(vs []Verdict) string {
	var lines []string
	for _, v := range vs {
		lines = append(lines, v.String())
		for _, o := range v.Others {
			lines = append(lines, "    also \""+o.Path+"\"")
		}
	}
	return strings.Join(lines, "\n")
}
