package lists

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"copyhold/replicate"

	"github.com/google/go-cmp/cmp"
	"github.com/zeebo/blake3"
	second "lukechampine.com/blake3"
)

func TestSums(t *testing.T) {
	files := []Entry{
		entry("b", 2), entry("line\nbreak", 3), entry(`back\slash`, 4), entry("a:b", 1),
		entry("caf\xe9", 5), entry("cr\r", 6), entry("\uFFFD", 7), {Path: shoot + "/never read"},
	}
	files[3].StoredAs = shoot + "/a%3Ab"
	hex := func(n string) string { return n + "01" + strings.Repeat("00", 30) + "  Sho%6Fts/" + shoot }
	want := hex("01") + "/a%3Ab\n" + hex("02") + "/b\n" + `\` + hex("04") + "/back\\\\slash\n" + `\` + hex("03") + "/line\\nbreak\n"
	if diff := cmp.Diff(want, string(Sums(working, files, "Sho%6Fts"))); diff != "" {
		t.Error(diff)
	}
	wantSame := strings.ReplaceAll(want, "Sho%6Fts", working)
	if diff := cmp.Diff(wantSame, string(Sums(working, files, ""))); diff != "" {
		t.Error(diff)
	}
	if got := Sums(working, nil, ""); len(got) != 0 {
		t.Errorf("no files make %q", got)
	}
}

func TestSumsRoundTrip(t *testing.T) {
	chance := seeded(t)
	for range 300 {
		files := randomFiles(chance)
		got, err := ParseSums(Sums(working, files, ""))
		if err != nil {
			t.Fatal(err)
		}
		var want []Line
		for _, e := range files {
			if path := e.OnDrive(working); checkable(path) {
				want = append(want, Line{Path: path, Digest: e.Digest})
			}
		}
		slices.SortFunc(want, func(a, b Line) int { return strings.Compare(a.Path, b.Path) })
		if diff := cmp.Diff(want, got); diff != "" {
			t.Fatal(diff)
		}
	}
}

func TestSumsRefused(t *testing.T) {
	d := strings.Repeat("ab", 32)
	tests := []struct{ text, want string }{
		{d + "  a", "line 1 is cut short"},
		{d + "  a\n" + d + "  b", "line 2 is cut short"},
		{"\n", "line 1 is not a digest"},
		{d + "  a\n\n", "line 2 is not a digest"},
		{"# note\n", "is not a digest"},
		{d + " *a\n", "is not a digest"},
		{d + " a\n", "is not a digest"},
		{d + "\n", "is not a digest"},
		{strings.ToUpper(d) + "  a\n", "64 lower-case hex"},
		{d[:40] + "  a\n", "64 lower-case hex"},
		{d + d + "  a\n", "64 lower-case hex"},
		{"g" + d[1:] + "  a\n", "64 lower-case hex"},
		{" " + d + "  a\n", "64 lower-case hex"},
		{strings.Repeat("0", 64) + "  a\n", "zeros"},
		{d + "  \n", "empty path"},
		{d + "  /a\n", "absolute"},
		{d + "  ../a\n", `part ".."`},
		{d + "  a/../b\n", `part ".."`},
		{d + "  a/..\n", `part ".."`},
		{d + "  ./a\n", `part "."`},
		{d + "  a//b\n", `part ""`},
		{d + "  a/\n", `part ""`},
		{d + "  a\x00\n", "NUL"},
		{d + "  a\r\n", "cannot be checked"},
		{d + "  \uFFFD\n", "cannot be checked"},
		{d + "  \xff\n", "cannot be checked"},
		{`\` + d + "  a\\r\n", "escapes neither"},
		{`\` + d + "  a\\\n", "escapes neither"},
		{`\` + d + "  \\n/../a\n", `part ".."`},
		{d + "  a\n" + d + "  b\n" + d + "  a\n", `line 3 names "a" again, as line 1 does`},
		{d + "  a\\n\n" + `\` + d + "  a\\\\n\n", "again"},
	}
	for _, test := range tests {
		_, err := ParseSums([]byte(test.text))
		wantErr(t, err, test.want)
	}
}

// Backslashes are plain where the line does not begin with one.
func TestParseSumsBackslash(t *testing.T) {
	d := strings.Repeat("ab", 32)
	got, err := ParseSums([]byte(d + "  a\\n\n" + `\` + d + "  a\\n\n" + d + "    b  c \n"))
	if err != nil {
		t.Fatal(err)
	}
	var paths []string
	for _, l := range got {
		paths = append(paths, l.Path)
	}
	if diff := cmp.Diff([]string{`a\n`, "a\n", "  b  c "}, paths); diff != "" {
		t.Error(diff)
	}
}

// stockB3sum is the b3sum of the system, or skips the test.
func stockB3sum(t *testing.T) string {
	path, err := exec.LookPath("b3sum")
	if err != nil {
		without(t, "b3sum is not installed")
	}
	return path
}

// without skips the test, or fails it where the laboratory is required.
func without(t *testing.T, why string) {
	t.Helper()
	if os.Getenv("COPYHOLD_LAB") == "require" {
		t.Fatal(why)
	}
	t.Skip(why)
}

// layOut puts real files on a drive folder, under their stored names.
func layOut(t *testing.T, names []string, traits replicate.Traits) (drive string, files []Entry) {
	drive = t.TempDir()
	for i, name := range names {
		e := entry("photos/"+name, byte(i))
		if stored, ok := replicate.StoredPath(e.Path, traits); !ok {
			t.Fatalf("%q cannot be stored", name)
		} else if stored != e.Path {
			e.StoredAs = stored
		}
		content := bytes.Repeat([]byte{byte(i)}, i*509)
		e.Size, e.Digest = int64(len(content)), blake3.Sum256(content)
		write(t, filepath.Join(drive, e.OnDrive(working)), content)
		files = append(files, e)
	}
	return drive, files
}

func write(t *testing.T, path string, content []byte) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, content, 0o666); err != nil {
		without(t, "this file system has no such name: "+err.Error())
	}
}

// b3sum prints the same lines for the same files, and finds each of them right.
func TestStockB3sum(t *testing.T) {
	b3sum := stockB3sum(t)
	for _, traits := range []replicate.Traits{{}, exfat} {
		drive, files := layOut(t, oddNames, traits)
		sums, _, ok := Names(working, shoot, traits)
		if !ok {
			t.Fatal("no names")
		}
		text := Sums(working, files, "")
		write(t, filepath.Join(drive, sums), text)
		write(t, filepath.Join(drive, working, shoot, "not in the list"), nil)

		if out, err := run(drive, b3sum, "--check", sums); err != nil || counted(out, ": OK") != len(oddNames) {
			t.Errorf("%d of %d files are OK: %v\n%s", counted(out, ": OK"), len(oddNames), err, out)
		}
		var paths []string
		for _, e := range files {
			paths = append(paths, e.OnDrive(working))
		}
		slices.Sort(paths)
		printed, err := run(drive, b3sum, paths...)
		if err != nil {
			t.Error(err)
		}
		if diff := cmp.Diff(printed, string(text)); diff != "" {
			t.Error(diff)
		}
	}
}

// One flipped bit is one FAILED line.
func TestStockB3sumBites(t *testing.T) {
	b3sum := stockB3sum(t)
	drive, files := layOut(t, oddNames, replicate.Traits{})
	sums, _, _ := Names(working, shoot, replicate.Traits{})
	write(t, filepath.Join(drive, sums), Sums(working, files, ""))
	damaged := filepath.Join(drive, files[6].OnDrive(working))
	content, err := os.ReadFile(damaged)
	if err != nil {
		t.Fatal(err)
	}
	content[700] ^= 4
	write(t, damaged, content)
	out, err := run(drive, b3sum, "--check", sums)
	if err == nil || counted(out, ": FAILED") != 1 || counted(out, ": OK") != len(oddNames)-1 {
		t.Errorf("got %v\n%s", err, out)
	}
}

// Names that b3sum cannot check fail its whole run: hence they are left out.
func TestStockB3sumUncheckable(t *testing.T) {
	b3sum := stockB3sum(t)
	drive, files := layOut(t, append(slices.Clone(uncheckable), "A001.raw"), replicate.Traits{})
	sums, _, _ := Names(working, shoot, replicate.Traits{})
	write(t, filepath.Join(drive, sums), Sums(working, files, ""))
	if out, err := run(drive, b3sum, "--check", sums); err != nil || counted(out, ": OK") != 1 {
		t.Errorf("got %v\n%s", err, out)
	}
	var list []byte
	for _, e := range files {
		list = Line{Path: e.OnDrive(working), Digest: e.Digest}.append(list)
	}
	write(t, filepath.Join(drive, "all"), list)
	if out, err := run(drive, b3sum, "--check", "all"); err == nil {
		t.Errorf("b3sum could check all of them\n%s", out)
	}
}

func run(dir, name string, args ...string) (string, error) {
	cmd := exec.Command(name, args...)
	cmd.Dir = dir
	out, err := cmd.Output()
	return string(out), err
}

// counted is how many lines end so.
func counted(out, suffix string) int { return strings.Count(out, suffix+"\n") }

// The values are from BLAKE3-team/BLAKE3, test_vectors/test_vectors.json: the
// first 32 bytes of "hash" for an input of so many bytes i mod 251.
func TestBLAKE3(t *testing.T) {
	vectors := []struct {
		length int
		want   string
	}{
		{0, "af1349b9f5f9a1a6a0404dea36dcc9499bcb25c9adc112b7cc9a93cae41f3262"},
		{1, "2d3adedff11b61f14c886e35afa036736dcd87a74d27b5c1510225d0f592e213"},
		{1024, "42214739f095a406f3fc83deb889744ac00df831c10daa55189b5d121c855af7"},
		{1025, "d00278ae47eb27b34faecf67b4fe263f82d5412916c1ffd97c8cb7fb814b8444"},
		{102400, "bc3e3d41a1146b069abffad3c0d44860cf664390afce4d9661f7902e7943e085"},
	}
	for _, v := range vectors {
		input := make([]byte, v.length)
		for i := range input {
			input[i] = byte(i % 251)
		}
		if got := replicate.Digest(second.Sum256(input)).String(); got != v.want {
			t.Errorf("length %d: the second implementation has %s, want %s", v.length, got, v.want)
		}
		for _, chunk := range []int{1, 63, 1023, 1025, 65537} {
			h := blake3.New()
			for part := range slices.Chunk(input, chunk) {
				h.Write(part)
			}
			if got := replicate.Digest(h.Sum(nil)).String(); got != v.want {
				t.Errorf("length %d in parts of %d: got %s, want %s", v.length, chunk, got, v.want)
			}
		}
	}
}

// The two implementations agree where there are no published values.
func TestBLAKE3Agree(t *testing.T) {
	chance := seeded(t)
	for range 200 {
		input := make([]byte, chance.IntN(1<<16))
		for i := range input {
			input[i] = byte(chance.Uint32())
		}
		if blake3.Sum256(input) != second.Sum256(input) {
			t.Fatalf("they differ for %d bytes", len(input))
		}
	}
}

func FuzzParseSums(f *testing.F) {
	d := strings.Repeat("ab", 32)
	f.Add([]byte(d + "  a/b\n" + `\` + d + "  a\\n/\\\\\n"))
	f.Add([]byte(d + "  ../a\n"))
	f.Add([]byte(`\` + d + "  a\\"))
	f.Fuzz(func(t *testing.T, text []byte) {
		lines, err := ParseSums(text)
		if err != nil {
			return
		}
		var list []byte
		for _, l := range lines {
			if err := checkPath(l.Path); err != nil {
				t.Fatal(err)
			}
			list = l.append(list)
		}
		again, err := ParseSums(list)
		if err != nil {
			t.Fatal(err)
		}
		if !slices.Equal(again, lines) {
			t.Errorf("%q\nbecame %q", lines, again)
		}
	})
}
