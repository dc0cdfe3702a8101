package main

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"
	"unicode/utf8"

	"copyhold/daemon/api"
)

// hostile are names that a file may have and a terminal must not obey.
var hostile = []string{
	"\x1b[2J\x1b[31mred.mov",
	"\x1b]0;title\x07.mov",
	"two\nlines\r.mov",
	"tab\tand\bback\x00.mov",
	"\u009b31mC1.mov",
	"bad \xff\xfe utf8 \xed\xa0\x80.mov",
	"\u202egpj.exe",
	"a\u2066b\u2069c\u2028d\u2029e",
	"del\x7f.mov",
}

func TestClean(t *testing.T) {
	for _, tt := range []struct{ in, want string }{
		{"2026-03-02 Tern Island", "2026-03-02 Tern Island"},
		{"Möwe 鷗 🐦 é", "Möwe 鷗 🐦 é"},
		{"\x1b[31mred", "�[31mred"},
		{"two\nlines", "two�lines"},
		{"\u009b31m", "�31m"},
		{"a\xffb", "a�b"},
		{"\u202egpj.exe", "�gpj.exe"},
		{"", ""},
	} {
		if got := clean(tt.in); got != tt.want {
			t.Errorf("clean(%q) = %q, want %q", tt.in, got, tt.want)
		}
	}
}

func FuzzClean(f *testing.F) {
	for _, s := range hostile {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		got := clean(s)
		harmless(t, got)
		if strings.Contains(got, "\n") {
			t.Errorf("clean(%q) = %q is not one line", s, got)
		}
		if again := clean(got); again != got {
			t.Errorf("clean(%q) = %q, and cleaned again %q", s, got, again)
		}
	})
}

// harmless reports whatever a terminal could obey, line ends aside.
func harmless(t *testing.T, text string) {
	t.Helper()
	if !utf8.ValidString(text) {
		t.Errorf("not valid UTF-8: %q", text)
	}
	for _, r := range text {
		if r != '\n' && harmful(r) {
			t.Errorf("holds %U: %q", r, text)
			return
		}
	}
}

// Every string of every answer is made hostile, and the page stays harmless and
// has as many lines as with a good name.
func TestPagesOfHostileNames(t *testing.T) {
	for _, bad := range hostile {
		for _, width := range []int{0, 80} {
			good := strings.Repeat("x", cells(clean(bad)))
			got, want := everyPage(bad, width), everyPage(good, width)
			harmless(t, got)
			if strings.Count(got, "\n") != strings.Count(want, "\n") && width == 0 {
				t.Errorf("%q makes %d lines, a good name %d", bad, strings.Count(got, "\n"), strings.Count(want, "\n"))
			}
		}
	}
}

// everyPage renders answers in which every text is name.
func everyPage(name string, width int) string {
	var out bytes.Buffer
	p := &page{out: &out, now: now, width: width}
	at := []api.Location{{Drive: name, Place: name, Path: name, Files: 1}}
	d := api.Drive{
		ID: name, Name: name, Place: name, Path: name, Trouble: &name, SharesWith: []string{name}, Copies: 1, Online: true,
		Activity: api.Activity{Doing: "copy", Path: name},
	}
	s := api.ShootDetail{
		Shoot:   api.Shoot{Working: name, Name: name, Standing: name, On: []string{name}, Archived: true},
		Missing: name, LetGo: 1, Skipped: 1, Unread: 1,
		Shares:  []api.Share{{Drive: name, Place: name, Refused: []api.Refused{{Files: 1, Cause: name}}}},
		Folders: []api.FolderShare{{Folder: name, Files: 1, Held: []int64{1}}},
	}
	other := s
	other.Working = "Shoots"
	shoots := []api.ShootDetail{s, other}
	st := statusOf(shoots)
	st.Working, st.Drives = []api.Working{{Name: name, Path: name, Scanning: true}}, []api.Drive{d}
	st.Notices = []api.Notice{{Code: name, Severity: name, About: name, Text: name, Safe: name, Do: name}}
	renderStatus(p, st, shoots)
	renderDriveList(p, api.Drives{Drives: []api.Drive{d}})
	renderAdopted(p, d)
	renderShoots(p, api.Shoots{Shoots: shoots}, name)
	renderShoots(p, api.Shoots{}, name)
	renderShoot(p, s)
	renderWhere(p, api.Where{
		Shoots: []api.ShootPath{{Working: name, Shoot: name, Files: 1, At: at}},
		Files:  []api.FilePath{{Working: name, Path: name, At: at}},
	}, name)
	renderWhere(p, api.Where{}, name)
	renderExplanation(p, api.Explanation{
		Working: name, Path: name, Digest: name, Life: name, Known: true, Note: name,
		Drives: []api.Decision{{Drive: name, Action: name, StoredAs: name}},
	})
	return out.String()
}

func TestJSONIsHarmlessAndTheSame(t *testing.T) {
	for _, name := range hostile {
		var out bytes.Buffer
		if err := writeJSON(&out, api.Working{Name: name}); err != nil {
			t.Fatal(err)
		}
		harmless(t, out.String())
		if strings.Count(out.String(), "\n") != 1 {
			t.Errorf("not one line: %q", out.String())
		}
		var back api.Working
		if err := json.Unmarshal(out.Bytes(), &back); err != nil {
			t.Fatal(err)
		}
		if valid := strings.ToValidUTF8(name, ""); utf8.ValidString(name) && back.Name != valid {
			t.Errorf("%q came back as %q", name, back.Name)
		}
	}
}
