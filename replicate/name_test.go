package replicate

import (
	"strings"
	"testing"
	"unicode/utf16"
	"unicode/utf8"
)

// exFAT, as Microsoft's "exFAT file system specification" has it: Table 35 lists
// the characters no name may have, 7.6.3 and 7.7 the 255 UTF-16 code units.
// https://learn.microsoft.com/windows/win32/fileio/exfat-specification
var (
	table35 = controls() + `"*/:<>?\|`
	exFAT   = Traits{FoldsCase: true, Forbidden: strings.ReplaceAll(table35, "/", ""), UTF8Only: true, MaxName: 255, NameInUTF16: true}
	ext4    = Traits{MaxName: 255}
	utf8fs  = Traits{UTF8Only: true}                    // refuses other bytes, forbids nothing
	colons  = Traits{Forbidden: ":", NameInUTF16: true} // forbids, and takes any byte
)

func controls() (all string) {
	for r := rune(1); r < 0x20; r++ { // zero ends a name everywhere
		all += string(r)
	}
	return all
}

func TestStoredPath(t *testing.T) {
	bird := "\U0001F426" // two UTF-16 units, four bytes
	for _, c := range []struct {
		name   string
		path   string
		traits Traits
		want   string // "" = it cannot be stored
	}{
		{"plain", "2026-03-02 Tern Island/stills/A001.raw", exFAT, "2026-03-02 Tern Island/stills/A001.raw"},
		{"colon", "07:08 ferry.mov", exFAT, "07%3A08 ferry.mov"},
		{"colon where it may be", "07:08 ferry.mov", ext4, "07:08 ferry.mov"},
		{"every folder of the path", "a:b/c?d/e*f", exFAT, "a%3Ab/c%3Fd/e%2Af"},
		{"an escape that is a name", "a%3Ab", exFAT, "a%253Ab"},
		{"the same in small letters", "a%3ab", exFAT, "a%253ab"},
		{"a percent sign that is none", "100% sharp", exFAT, "100% sharp"},
		{"a percent sign before one digit", "5%3", exFAT, "5%3"},
		{"a percent sign before an escape", "%:", exFAT, "%%3A"},
		{"an escape's beginning before an escape", "%3:", exFAT, "%3%3A"},
		{"an escape where nothing is escaped", "a%3Ab", ext4, "a%3Ab"},
		{"a dot at the end", "Tern Island.", exFAT, "Tern Island%2E"},
		{"a space at the end", "Tern Island /A001.raw", exFAT, "Tern Island%20/A001.raw"},
		{"only the last of several", "Tern...", exFAT, "Tern..%2E"},
		{"a dot at the end, where nothing drops it", "Tern Island.", utf8fs, "Tern Island."},
		{"dots elsewhere", ".hidden/..a/b.c", exFAT, ".hidden/..a/b.c"},
		{"a bird", bird + ".jpg", exFAT, bird + ".jpg"},
		{"bytes that are no UTF-8", "caf\xe9.jpg", exFAT, "caf%E9.jpg"},
		{"where any byte may be", "caf\xe9.jpg", colons, "caf\xe9.jpg"},
		{"the replacement character itself", "a\uFFFDb", exFAT, "a\uFFFDb"},
		{"half a character at the end", "a\xf0\x9f", utf8fs, "a%F0%9F"},
		{"tab", "a\tb", exFAT, "a%09b"},

		{"255 bytes", strings.Repeat("a", 255), ext4, strings.Repeat("a", 255)},
		{"256 bytes", strings.Repeat("a", 256), ext4, ""},
		{"255 units of two bytes", strings.Repeat("é", 255), exFAT, strings.Repeat("é", 255)},
		{"the same in bytes", strings.Repeat("é", 255), ext4, ""},
		{"127 birds are 254 units", strings.Repeat(bird, 127), exFAT, strings.Repeat(bird, 127)},
		{"and one letter", strings.Repeat(bird, 127) + "a", exFAT, strings.Repeat(bird, 127) + "a"},
		{"and one bird", strings.Repeat(bird, 128), exFAT, ""},
		{"63 birds are 252 bytes", strings.Repeat(bird, 63), ext4, strings.Repeat(bird, 63)},
		{"64 birds are 256", strings.Repeat(bird, 64), ext4, ""},
		{"85 colons are 255 units", strings.Repeat(":", 85), exFAT, strings.Repeat("%3A", 85)},
		{"86 colons", strings.Repeat(":", 86), exFAT, ""},
		{"a long path of short names", strings.Repeat("abc/", 500) + "d", exFAT, strings.Repeat("abc/", 500) + "d"},
		{"one long name in a path", "a/" + strings.Repeat("b", 256) + "/c", exFAT, ""},
		{"no limit told means 255", strings.Repeat("a", 256), Traits{}, ""},
		{"a shorter limit", "Tern Island", Traits{MaxName: 10}, ""},
	} {
		got, ok := StoredPath(c.path, c.traits)
		if got != c.want || ok != (c.want != "") {
			t.Errorf("%s: %q is stored as %q (%v), want %q", c.name, c.path, got, ok, c.want)
		}
		if ok && OwnPath(got, c.traits) != c.path {
			t.Errorf("%s: %q comes back as %q", c.name, c.path, OwnPath(got, c.traits))
		}
	}
}

// TestTable35 takes the characters one by one.
func TestTable35(t *testing.T) {
	for _, r := range table35 {
		if r == '/' {
			continue // stands between names
		}
		path := "a" + string(r) + "b"
		got, ok := StoredPath(path, exFAT)
		want := "a%" + strings.ToUpper(string([]byte{hexDigit(byte(r) >> 4), hexDigit(byte(r) & 15)})) + "b"
		if !ok || got != want || OwnPath(got, exFAT) != path {
			t.Errorf("%q is stored as %q (%v), want %q", path, got, ok, want)
		}
	}
	if n := utf8.RuneCountInString(table35); n != 31+9 {
		t.Errorf("%d characters, want all of table 35 but zero", n)
	}
}

func hexDigit(b byte) byte { return "0123456789abcdef"[b] }

// TestStoredPathsAreOneToOne tries every name of up to five pieces that could
// be taken for one another: no two may share a stored name, not even where "A"
// and "a" are one.
func TestStoredPathsAreOneToOne(t *testing.T) {
	pieces := []string{"%", "3", "A", "a", ":", ".", " ", "\xe9"}
	names := []string{""}
	for from := 0; len(names[from]) < 5; from++ {
		for _, p := range pieces {
			names = append(names, names[from]+p)
		}
	}
	names = names[1:]
	for _, traits := range []Traits{exFAT, colons, utf8fs, ext4} {
		owner := make(map[string]string, len(names))
		for _, name := range names {
			stored, ok := StoredPath(name, traits)
			if !ok {
				t.Fatalf("%q cannot be stored", name)
			}
			if OwnPath(stored, traits) != name {
				t.Fatalf("%q is stored as %q and comes back as %q", name, stored, OwnPath(stored, traits))
			}
			key, want := stored, name
			if traits.FoldsCase {
				key, want = strings.ToLower(stored), strings.ReplaceAll(name, "A", "a")
			}
			if other, taken := owner[key]; taken && other != want {
				t.Fatalf("%q and %q are both stored as %q", name, other, stored)
			}
			owner[key] = want
		}
	}
}

// FuzzStoredPath checks that every path comes back, and that what is stored is
// what the drive takes.
func FuzzStoredPath(f *testing.F) {
	f.Add("07:08 ferry.mov", uint8(0))
	f.Add("a%3Ab/%:/100% sharp", uint8(0))
	f.Add("caf\xe9 .", uint8(1))
	f.Add(strings.Repeat("\U0001F426", 128), uint8(2))
	f.Fuzz(func(t *testing.T, path string, kind uint8) {
		traits := []Traits{exFAT, colons, utf8fs, ext4}[kind%4]
		stored, ok := StoredPath(path, traits)
		if !ok {
			return
		}
		if own := OwnPath(stored, traits); own != path {
			t.Fatalf("%q is stored as %q and comes back as %q", path, stored, own)
		}
		if strings.ContainsAny(stored, traits.Forbidden) {
			t.Fatalf("%q has characters the drive refuses", stored)
		}
		if traits.UTF8Only && !utf8.ValidString(stored) {
			t.Fatalf("%q is not UTF-8", stored)
		}
		if strings.Count(stored, "/") != strings.Count(path, "/") {
			t.Fatalf("%q has other folders than %q", stored, path)
		}
		for name := range strings.SplitSeq(stored, "/") {
			units := len(name)
			if traits.NameInUTF16 {
				units = len(utf16.Encode([]rune(name)))
			}
			if units > 255 {
				t.Fatalf("%q is %d units long", name, units)
			}
			if traits.Forbidden != "" && (strings.HasSuffix(name, ".") || strings.HasSuffix(name, " ")) {
				t.Fatalf("%q ends in what other systems drop", name)
			}
		}
	})
}
