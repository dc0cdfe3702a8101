package lists

import (
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"copyhold/replicate"

	"github.com/google/go-cmp/cmp"
)

func sample() List {
	files := []Entry{entry("A002.raw", 2), entry("A001.raw", 1), entry("caf\xe9", 3), entry("a:b \"q\"", 4)}
	files[0].XXH128, files[0].Verified, files[0].MTime = replicate.XXH128{}, time.Time{}, time.Time{}
	files[3].StoredAs = shoot + "/a%3Ab %22q%22"
	return list(files...)
}

// The list is a published format: lines may be added here, not edited.
const sampleText = `{
 "schema": 1,
 "drive":"00112233445566778899aabbccddeeff",
 "working":"Shoots",
 "shoot":"2026-03-02 Tern Island",
 "written":"2026-03-02T12:00:00Z",
 "files": [
  {"path":"2026-03-02 Tern Island/A001.raw","size":1048576,"mtime":"2026-03-02T12:00:01.234567891Z",` +
	`"blake3":"0101000000000000000000000000000000000000000000000000000000000000",` +
	`"xxh128":"01000000000000000000000000000000","verified":"2026-03-02T12:00:00Z"},
  {"path":"2026-03-02 Tern Island/A002.raw","size":2097152,` +
	`"blake3":"0201000000000000000000000000000000000000000000000000000000000000"},
  {"path":"2026-03-02 Tern Island/a:b \"q\"","stored_as":"2026-03-02 Tern Island/a%3Ab %22q%22",` +
	`"size":4194304,"mtime":"2026-03-02T12:00:04.938271564Z",` +
	`"blake3":"0401000000000000000000000000000000000000000000000000000000000000",` +
	`"xxh128":"04000000000000000000000000000000","verified":"2026-03-02T12:00:00Z"},
  {"path_base64":"MjAyNi0wMy0wMiBUZXJuIElzbGFuZC9jYWbp","size":3145728,"mtime":"2026-03-02T12:00:03.703703673Z",` +
	`"blake3":"0301000000000000000000000000000000000000000000000000000000000000",` +
	`"xxh128":"03000000000000000000000000000000","verified":"2026-03-02T12:00:00Z"}
 ]
}
`

func TestList(t *testing.T) {
	l := sample()
	if diff := cmp.Diff(sampleText, string(l.Marshal())); diff != "" {
		t.Error(diff)
	}
	got, err := ParseList([]byte(sampleText))
	if err != nil {
		t.Fatal(err)
	}
	l.Files = byPath(l.Files)
	if diff := cmp.Diff(l, got); diff != "" {
		t.Error(diff)
	}
}

func TestListOddNames(t *testing.T) {
	var files []Entry
	for i, name := range append(append([]string{}, oddNames...), uncheckable...) {
		files = append(files, entry(name, byte(i+1)))
	}
	sameAgain(t, list(byPath(files)...))
	loose := list(Entry{Path: "sunset.raw", Digest: replicate.Digest{1}})
	loose.Shoot = replicate.LooseFiles
	sameAgain(t, loose)
	bytes := list()
	bytes.Working, bytes.Shoot, bytes.Files = "caf\xe9", "\xff\n", []Entry{}
	sameAgain(t, bytes)
}

func TestListRoundTrip(t *testing.T) {
	chance := seeded(t)
	for range 300 {
		sameAgain(t, list(append([]Entry{}, randomFiles(chance)...)...))
	}
}

func sameAgain(t *testing.T, l List) {
	t.Helper()
	if l.Files == nil {
		l.Files = []Entry{}
	}
	text := l.Marshal()
	got, err := ParseList(text)
	if err != nil {
		t.Fatalf("%v in\n%s", err, text)
	}
	if diff := cmp.Diff(l, got); diff != "" {
		t.Fatal(diff)
	}
}

// What was never read is no copy (P8), first, last or alone.
func TestListWithoutDigest(t *testing.T) {
	unread := entry("B", 0)
	unread.Digest = replicate.Digest{}
	for _, files := range [][]Entry{{unread}, {entry("A", 1), unread}, {unread, entry("C", 2)}} {
		got, err := ParseList(list(files...).Marshal())
		if err != nil || len(got.Files) != len(files)-1 {
			t.Errorf("got %d of %d files, %v", len(got.Files), len(files), err)
		}
	}
}

func TestListRefused(t *testing.T) {
	tests := []struct{ old, new, want string }{
		{`{`, ``, "damaged or cut short"},
		{`A001`, "A\xff01", "not text in UTF-8"},
		{`"schema": 1,`, ``, "no schema"},
		{`"schema": 1`, `"schema": 0`, "no schema"},
		{`"files"`, `"flies"`, "no files"},
		{`"drive"`, `"dive"`, "no drive id"},
		{`ddeeff"`, `"`, "32 lower-case hex"},
		{`"Shoots"`, `"../x"`, `"../x", which cannot be a working folder`},
		{`"Shoots"`, `".."`, "cannot be a working folder"},
		{`"Shoots"`, `""`, "cannot be a working folder"},
		{`"Shoots"`, `".CopyHold"`, "cannot be a working folder"},
		{`"shoot":"2026-03-02 Tern Island"`, `"shoot":"a/b"`, "cannot be a shoot"},
		{`"shoot":"2026-03-02 Tern Island"`, `"shoot":"Gull Rock"`, "file 1 is"},
		{`"written":"2026`, `"written":"soon 2026`, "not a time"},
		{`Island/A001.raw"`, `Island/../../A001.raw"`, `file 1 has a path with a part ".."`},
		{`"2026-03-02 Tern Island/A001.raw"`, `"/etc/passwd"`, `file 1 has an absolute path`},
		{`"2026-03-02 Tern Island/A001.raw"`, `""`, `file 1 has an empty path`},
		{`"2026-03-02 Tern Island/A001.raw"`, `"A001.raw"`, `file 1 is "A001.raw", which is not in`},
		{`Island/A001.raw"`, `Island/A\u0000.raw"`, "NUL"},
		{`Island/A001.raw"`, `Island/A001.raw","path_base64":"YQ=="`, "both path and path_base64"},
		{`MjAyNi0wMy0wMiBUZXJuIElzbGFuZC9jYWbp`, `Li4v`, `file 4 has a path with a part ".."`},
		{`MjAyNi0wMy0wMiBUZXJuIElzbGFuZC9jYWbp`, `?`, `file 4`},
		{`Island/A002.raw"`, `Island/A001.raw"`, `file 2 is "2026-03-02 Tern Island/A001.raw", as file 1 is`},
		{`Island/A002.raw"`, `Island/A\u003001.raw"`, `as file 1 is`},
		{`Island/a%3Ab %22q%22"`, `Island/A001.raw"`, `file 3 is stored as`},
		{`"stored_as":"2026-03-02 Tern Island/a`, `"stored_as":"../a`, `stored_as has a path with a part`},
		{`"stored_as":"`, `"stored_as":"/`, `stored_as has an absolute path`},
		{`"size":2097152`, `"size":-1`, `A002.raw": has no size, or a negative one`},
		{`"size":2097152,`, ``, `A002.raw": has no size`},
		{`"size":2097152`, `"size":1e30`, `file 2`},
		{`"size":2097152`, `"size":"many"`, `file 2`},
		{`"0201`, `"`, `A002.raw": has a digest that is not 64`},
		{`"0201`, `"zz01`, `A002.raw": has a digest that is not 64`},
		{`"0201`, `"0000`, `A002.raw": has a digest of zeros`},
		{`"xxh128":"01`, `"xxh128":"`, `A001.raw": has an xxh128`},
		{`"mtime":"2026`, `"mtime":"26`, `A001.raw": "26`},
		{`"verified":"2026`, `"verified":"26`, `A001.raw": "26`},
		{"\n  {", "\n  7,{", `file 1`},
		{"\n  {", "\n  null,{", `file 1 has an empty path`},
	}
	for _, test := range tests {
		if !strings.Contains(sampleText, test.old) {
			t.Errorf("%q is not in the list", test.old)
		}
		_, err := ParseList([]byte(strings.Replace(sampleText, test.old, test.new, 1)))
		wantErr(t, err, test.want)
		if errors.Is(err, ErrNewer) {
			t.Errorf("%v: called newer", err)
		}
	}
}

func TestListCutShort(t *testing.T) {
	for n := range len(sampleText) - 1 { // the last line break may go
		if _, err := ParseList([]byte(sampleText[:n])); err == nil {
			t.Errorf("%d of %d bytes are taken for a list", n, len(sampleText))
		}
	}
}

func TestListNewer(t *testing.T) {
	text := strings.Replace(sampleText, `"schema": 1`, `"schema": 2`, 1)
	for _, text := range []string{text, strings.Replace(text, `"Shoots"`, `[]`, 1), `{"schema":2}`} {
		if _, err := ParseList([]byte(text)); !errors.Is(err, ErrNewer) {
			t.Errorf("got error %v, want ErrNewer", err)
		}
	}
}

func FuzzParseList(f *testing.F) {
	f.Add([]byte(sampleText))
	f.Add(list().Marshal())
	f.Add([]byte(`{"schema":2}`))
	f.Fuzz(func(t *testing.T, text []byte) {
		l, err := ParseList(text)
		if err != nil {
			return
		}
		for _, e := range l.Files {
			if err := checkPath(e.OnDrive(l.Working)); err != nil {
				t.Fatal(err)
			}
		}
		l.Files = byPath(l.Files)
		again, err := ParseList(l.Marshal())
		if err != nil {
			t.Fatal(err)
		}
		l.Schema = schema
		if diff := cmp.Diff(l, again); diff != "" {
			t.Error(diff)
		}
	})
}

func large() List {
	files := make([]Entry, 100_000)
	for i := range files {
		files[i] = entry(fmt.Sprintf("photos/card %02d/A%06d.raw", i%7, i), byte(i%255+1))
	}
	return list(files...)
}

func BenchmarkMarshal100000(b *testing.B) {
	l := large()
	for b.Loop() {
		b.SetBytes(int64(len(l.Marshal())))
	}
}

func BenchmarkParseList100000(b *testing.B) {
	text := large().Marshal()
	b.SetBytes(int64(len(text)))
	for b.Loop() {
		if _, err := ParseList(text); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkSums100000(b *testing.B) {
	l := large()
	for b.Loop() {
		b.SetBytes(int64(len(Sums(working, l.Files, ""))))
	}
}

func BenchmarkParseSums100000(b *testing.B) {
	text := Sums(working, large().Files, "")
	b.SetBytes(int64(len(text)))
	for b.Loop() {
		if _, err := ParseSums(text); err != nil {
			b.Fatal(err)
		}
	}
}
