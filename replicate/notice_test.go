package replicate

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"
)

// allCodes are the notices of the JSON contract.
var allCodes = []Code{
	NoticeOneCopy, NoticeDamaged, NoticeDoubtful, NoticeDriveFull, NoticeReadOnly, NoticeDriveFails, NoticeUnreadable,
	NoticeNotStored, NoticeSkipped, NoticeWorkingAway, NoticeWatchLimit, NoticeNoDrive, NoticePaused,
}

// calm is a day on which nothing need be said.
func calm() Facts {
	drives := drivesLike(two...)
	return Facts{
		Now: noon, Policy: policy,
		Shoots:   []ShootFacts{ternFacts(coverLike(two, []string{"here Slate Attic"}, policy))},
		Drives:   []DriveFacts{{Drive: drives[0], Present: true}, {Drive: drives[1]}},
		Workings: []WorkingFacts{{Name: "Shoots", Path: "/media/ana/WORK/Shoots", Online: true}},
	}
}

// ternFacts is Tern Island, standing so for an hour.
func ternFacts(c Cover) ShootFacts { return ShootFacts{ternIsland, c, noon.Add(-time.Hour)} }

// refused is a cover in which drives refused files.
func refused(sums map[Cause]int64) Cover {
	c := coverLike(two, []string{"here Slate Attic"}, policy)
	share := c.Drives[2]
	share.Refused = map[Cause]Sum{}
	for cause, n := range sums {
		share.Refused[cause] = Sum{Files: n}
	}
	c.Drives[2] = share
	return c
}

// unread is a cover with so many files that cannot be read.
func unread(n int64) Cover {
	c := coverLike(two, []string{"here Slate Attic"}, policy)
	c.Unread.Files = n
	return c
}

var noticeCases = []struct {
	name string
	edit func(f *Facts)
	want string // the keys, worst first
}{
	{"nothing to say", func(f *Facts) {}, ""},

	{"one copy", func(f *Facts) { f.Shoots[0] = ternFacts(coverLike(two, []string{"here"}, policy)) }, "one-copy Shoots/2026-03-02 Tern Island"},
	{"one copy, for a moment", func(f *Facts) {
		f.Shoots[0] = ternFacts(coverLike(two, []string{"here"}, policy))
		f.Shoots[0].Since = noon.Add(-policy.WarnAfter + time.Second)
	}, ""},
	{"one copy, for just long enough", func(f *Facts) {
		f.Shoots[0] = ternFacts(coverLike(two, []string{"here"}, policy))
		f.Shoots[0].Since = noon.Add(-policy.WarnAfter)
	}, "one-copy Shoots/2026-03-02 Tern Island"},
	{"one copy, no drive left to plug in", func(f *Facts) {
		f.Shoots[0] = ternFacts(coverLike(two, []string{"here"}, policy))
		f.Drives[1].Present = true
	}, "one-copy Shoots/2026-03-02 Tern Island"},
	{"one copy, two drives to choose from", func(f *Facts) {
		f.Shoots[0] = ternFacts(coverLike(two, []string{"here"}, policy))
		f.Drives[0].Present = false
	}, "one-copy Shoots/2026-03-02 Tern Island"},
	{"one copy, the drive is here and released", func(f *Facts) {
		f.Shoots[0] = ternFacts(coverLike(two, []string{"here"}, policy))
		f.Drives = f.Drives[:1]
		f.Drives[0].Present, f.Drives[0].Released = true, true
	}, "one-copy Shoots/2026-03-02 Tern Island"},
	{"archived on one drive", func(f *Facts) { f.Shoots[0] = ternFacts(coverLike(two, []string{"archived Attic"}, policy)) },
		"one-copy Shoots/2026-03-02 Tern Island"},
	{"archived on none", func(f *Facts) { f.Shoots[0] = ternFacts(coverLike(two, []string{"archived"}, policy)) },
		"one-copy Shoots/2026-03-02 Tern Island"},
	{"short is not said", func(f *Facts) { f.Shoots[0] = ternFacts(coverLike(two, []string{"here Slate"}, policy)) }, ""},
	{"unproven is not said", func(f *Facts) { f.Shoots[0] = ternFacts(coverLike(two, []string{"here Slate Attic-99"}, policy)) }, ""},

	{"one file damaged", func(f *Facts) {
		f.Shoots[0] = ternFacts(coverLike([]string{"Slate with-me", "Attic home", "Crate home"}, []string{"here Slate! Attic Crate"}, policy))
	}, "damaged Shoots/2026-03-02 Tern Island"},
	{"damaged on two drives", func(f *Facts) {
		f.Shoots[0] = ternFacts(coverLike(two, []string{"here Slate! Attic!", "here Slate! Attic"}, policy))
	},
		"damaged Shoots/2026-03-02 Tern Island\none-copy Shoots/2026-03-02 Tern Island"},
	{"a file that cannot be read", func(f *Facts) { f.Shoots[0] = ternFacts(unread(1)) }, "unreadable Shoots/2026-03-02 Tern Island"},
	{"files that cannot be read", func(f *Facts) { f.Shoots[0] = ternFacts(unread(12)) }, "unreadable Shoots/2026-03-02 Tern Island"},
	{"a name that is refused", func(f *Facts) { f.Shoots[0] = ternFacts(refused(map[Cause]int64{NameRefused: 1})) },
		"not-stored Shoots/2026-03-02 Tern Island"},
	{"refused for several reasons", func(f *Facts) {
		f.Shoots[0] = ternFacts(refused(map[Cause]int64{NameRefused: 2, TooLarge: 5, ReadBackDiffers: 2, DriveRefused: 2, NameTaken: 5, NoPlaceOnDrive: 1, DriveFull: 90}))
	}, "not-stored Shoots/2026-03-02 Tern Island"},
	{"what is wrong with the whole drive is said there", func(f *Facts) {
		f.Shoots[0] = ternFacts(refused(map[Cause]int64{DriveFull: 5, DriveReadOnly: 5, DriveLost: 5}))
	}, ""},
	{"a link", func(f *Facts) {
		f.Shoots[0] = ternFacts(coverLike(two, []string{"here Slate Attic", "skipped"}, policy))
	},
		"skipped Shoots/2026-03-02 Tern Island"},

	{"a clone", func(f *Facts) { f.Drives[0].Doubt = "its identity is on two volumes" }, "drive-doubtful Slate"},
	{"there and not to be read", func(f *Facts) {
		f.Drives[0].Doubt, f.Drives[0].Unreadable = "its identity file cannot be read: input/output error", true
	}, "drive-doubtful Slate"},
	{"full", func(f *Facts) { f.Drives[0].Trouble, f.Drives[0].Missing = DriveFull, 45_000_000_000 }, "drive-full Slate"},
	{"read-only", func(f *Facts) { f.Drives[0].Trouble = DriveReadOnly }, "drive-read-only Slate"},
	{"failing", func(f *Facts) { f.Drives[0].Trouble = DriveLost }, "drive-fails Slate"},
	{"in doubt and full", func(f *Facts) {
		f.Drives[0].Doubt, f.Drives[0].Trouble = "its identity is on two volumes", DriveFull
	}, "drive-doubtful Slate"},
	{"retired and failing", func(f *Facts) { f.Drives[0].Drive.Retired, f.Drives[0].Trouble = noon, DriveLost }, ""},

	{"working folder away", func(f *Facts) { f.Workings[0].Online, f.Workings[0].Why = false, "its drive is not plugged in" }, "working-away Shoots"},
	{"not enough watches", func(f *Facts) { f.Workings[0].WatchLimit = 8192 }, "watch-limit Shoots"},
	{"a closed folder", func(f *Facts) { f.Workings[0].ClosedPaths = []string{"2026-03-02 Tern Island/private/"} }, "unreadable Shoots"},
	{"closed folders", func(f *Facts) { f.Workings[0].ClosedPaths = []string{"a/", "b/"} }, "unreadable Shoots"},

	{"no drive", func(f *Facts) { f.Drives = nil }, "no-drive "},
	{"only retired drives", func(f *Facts) { f.Drives = f.Drives[:1]; f.Drives[0].Drive.Retired = noon }, "no-drive "},
	{"paused", func(f *Facts) { f.Paused = true }, "paused "},
	{"paused for a while", func(f *Facts) { f.Paused, f.PausedUntil = true, noon.Add(2*time.Hour) }, "paused "},

	{"the worst first", func(f *Facts) {
		f.Paused = true
		f.Workings[0].WatchLimit = 8192
		f.Drives[1].Trouble = DriveLost
		f.Drives[0].Doubt = "its identity is on two volumes"
		f.Shoots = append(f.Shoots, ternFacts(coverLike(two, []string{"here"}, policy)), ternFacts(coverLike(two, []string{"here"}, policy)))
		f.Shoots[1].ID.Name = "2026-02-14 Saltworks"
	}, `drive-doubtful Slate
one-copy Shoots/2026-02-14 Saltworks
one-copy Shoots/2026-03-02 Tern Island
drive-fails Attic
watch-limit Shoots
paused `},
}

// TestNotices checks that each notice is there exactly when it should be. What
// they say is in testdata/notices.txt: read it aloud when it changes.
func TestNotices(t *testing.T) {
	var text strings.Builder
	met := map[Code]bool{}
	for _, c := range noticeCases {
		facts := calm()
		c.edit(&facts)
		all := Notices(facts)
		var keys []string
		fmt.Fprintf(&text, "== %s\n", c.name)
		for _, n := range all {
			keys = append(keys, n.Key())
			met[n.Code] = true
			fmt.Fprintf(&text, "%s (%s, weight %d)\n  %s\n  %s\n  %s\n", n.Code, n.Severity, n.Weight, n.Text, n.Safe, n.Do)
			checkManners(t, n)
		}
		text.WriteString("\n")
		if got := strings.Join(keys, "\n"); got != c.want {
			t.Errorf("%s: got\n%s\nwant\n%s", c.name, got, c.want)
		}
	}
	for _, code := range allCodes {
		if !met[code] {
			t.Errorf("no case brings about the notice %s", code)
		}
	}
	golden(t, "testdata/notices.txt", text.String())
}

// checkManners holds what style asks of every sentence: what happened, what is
// still safe, what to do; lower case, no full stop.
func checkManners(t *testing.T, n Notice) {
	t.Helper()
	for _, line := range []string{n.Text, n.Safe, n.Do} {
		switch {
		case line == "":
			t.Errorf("%s leaves one of its three lines out", n.Key())
		case strings.HasSuffix(line, ".") || strings.HasSuffix(line, "!"):
			t.Errorf("%s ends in a full stop: %q", n.Key(), line)
		case strings.ToLower(line[:1]) != line[:1]:
			t.Errorf("%s begins with a capital: %q", n.Key(), line)
		case strings.Contains(line, "(s)"), strings.Contains(line, "failed to"), strings.Contains(line, "  "):
			t.Errorf("%s is not how one speaks: %q", n.Key(), line)
		}
	}
	if n.Since.IsZero() && !slices.Contains([]Code{NoticeDoubtful, NoticeDriveFull, NoticeReadOnly, NoticeDriveFails, NoticeWorkingAway, NoticeWatchLimit, NoticeUnreadable}, n.Code) {
		t.Errorf("%s does not say since when", n.Key())
	}
	if !slices.Contains(allCodes, n.Code) {
		t.Errorf("%s is not among the codes of the contract", n.Code)
	}
}

// TestNoticeCarriesItsDate hands on since when each thing holds.
func TestNoticeCarriesItsDate(t *testing.T) {
	f := calm()
	for i := range f.Shoots {
		f.Shoots[i] = ternFacts(coverLike(two, []string{"here Slate!", "skipped"}, policy))
	}
	since := noon.Add(-time.Hour)
	f.Drives[0].Trouble, f.Drives[0].Since = DriveLost, since
	f.Workings[0].WatchLimit, f.Workings[0].Since = 1, since
	for _, n := range Notices(f) {
		if !n.Since.Equal(since) {
			t.Errorf("%s since %v", n.Key(), n.Since)
		}
	}
}

func TestSpeak(t *testing.T) {
	oneCopy := func(s Severity, weight int) Notice { return Notice{Code: NoticeOneCopy, Severity: s, Weight: weight} }
	ago := func(d time.Duration, s Severity, weight int) Said { return Said{noon.Add(-d), s, weight} }
	for _, c := range []struct {
		name   string
		notice Notice
		before Said
		speak  bool
		why    string
	}{
		{"low", oneCopy(Low, 0), Said{}, false, "shown when asked"},
		{"low, though it was worse", oneCopy(Low, 0), ago(48*time.Hour, Critical, 9), false, "shown when asked"},
		{"never said", oneCopy(Normal, 0), Said{}, true, "new"},
		{"said just now", oneCopy(Critical, 1), ago(time.Minute, Critical, 1), false, "said before"},
		{"worse than said", oneCopy(Critical, 1), ago(time.Minute, Normal, 1), true, "worse than said"},
		{"no copy where one was", oneCopy(Critical, 2), ago(time.Minute, Critical, 1), true, "worse than said"},
		{"better than said", oneCopy(Critical, 1), ago(time.Minute, Critical, 2), false, "said before"},
		{"milder than said", oneCopy(Normal, 9), ago(time.Minute, Critical, 1), false, "said before"},
		{"more files of another kind", Notice{Code: NoticeDamaged, Severity: Critical, Weight: 9}, ago(time.Minute, Critical, 1), false, "said before"},
		{"almost a day later", oneCopy(Critical, 1), ago(24*time.Hour-time.Second, Critical, 1), false, "said before"},
		{"a day later", oneCopy(Critical, 1), ago(24*time.Hour, Critical, 1), true, "still so, a day later"},
		{"a day later, not critical", oneCopy(Normal, 1), ago(24*time.Hour, Normal, 1), false, "said before"},
		{"said by a clock that was ahead", oneCopy(Critical, 1), ago(-48*time.Hour, Critical, 1), false, "said before"},
	} {
		speak, why := Speak(c.notice, c.before, noon)
		if speak != c.speak || why != c.why {
			t.Errorf("%s: speak %v (%s), want %v (%s)", c.name, speak, why, c.speak, c.why)
		}
	}
}

// TestSize uses the decimal prefixes of the SI, as IEC 80000-13 keeps them apart
// from the binary ones; the values follow by arithmetic.
func TestSize(t *testing.T) {
	for bytes, want := range map[int64]string{
		0: "0 B", 1: "1 B", 999: "999 B",
		1000: "1.0 kB", 1049: "1.0 kB", 1051: "1.1 kB", 9949: "9.9 kB", 9950: "10 kB", 10_499: "10 kB",
		999_499: "999 kB", 999_500: "1.0 MB",
		1 << 20:           "1.0 MB", // 1.048 576 MB
		42_000_000:        "42 MB",  // 24 megapixels of 14 bits: 24e6·14/8
		150_000_000:       "150 MB", // 20 Mb/s for a minute
		999_499_999:       "999 MB",
		999_500_000:       "1.0 GB",
		1_000_000_000:     "1.0 GB",
		1 << 30:           "1.1 GB", // 1.073 741 824 GB
		4_294_967_295:     "4.3 GB", // the largest file on FAT32
		45_000_000_000:    "45 GB",  // 100 Mb/s for an hour
		64_000_000_000:    "64 GB",
		999_900_000_000:   "1.0 TB",
		4_000_000_000_000: "4.0 TB",
		math.MaxInt64:     "9223 PB",
	} {
		if got := Size(bytes); got != want {
			t.Errorf("%d bytes are %q, want %q", bytes, got, want)
		}
	}
}

// TestSizeIsCloseToTheBytes reads sizes back: never more than a rounding away.
func TestSizeIsCloseToTheBytes(t *testing.T) {
	units := map[string]float64{"B": 1, "kB": 1e3, "MB": 1e6, "GB": 1e9, "TB": 1e12, "PB": 1e15}
	r := seeded(t)
	for range 10_000 {
		bytes := r.Int64() >> r.IntN(63)
		var value float64
		var unit string
		if _, err := fmt.Sscanf(Size(bytes), "%g %s", &value, &unit); err != nil {
			t.Fatalf("%d bytes are %q: %v", bytes, Size(bytes), err)
		}
		if off := math.Abs(value*units[unit] - float64(bytes)); off > 0.051*float64(bytes) {
			t.Fatalf("%d bytes are %q, off by %.0f", bytes, Size(bytes), off)
		}
	}
}
