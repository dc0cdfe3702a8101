package config

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"runtime"
	"strings"
	"testing"
	"time"
)

// Tables are written with paths like '/shoots', which are absolute on Windows
// only with a drive's letter before them. The two functions put it there, the
// latter for messages, in which paths are quoted.
func nativeText(s string) string {
	if runtime.GOOS != "windows" {
		return s
	}
	return regexp.MustCompile(`'/[^']*'`).ReplaceAllStringFunc(s, func(p string) string { return "'C:" + p[1:] })
}

func nativeMessage(s string) string {
	if runtime.GOOS != "windows" {
		return s
	}
	return regexp.MustCompile(`"/[^"]*"`).ReplaceAllStringFunc(s, func(p string) string {
		return fmt.Sprintf("%q", `C:`+filepath.FromSlash(strings.Trim(p, `"`)))
	})
}

func noHome() (string, error) { return "", errors.New("HOME is not set") }

func homeOfAna() (string, error) { return strings.Trim(nativeText("'/home/ana'"), "'"), nil }

// messages returns the text of each error, and proves each to be an *Error.
func messages(t *testing.T, err error) []string {
	t.Helper()
	var all []string
	for _, e := range flatten(err) {
		var ce *Error
		if !errors.As(e, &ce) {
			t.Errorf("%T is no *Error: %v", e, e)
		}
		all = append(all, e.Error())
	}
	return all
}

func wantMessages(t *testing.T, err error, want []string) {
	t.Helper()
	got := strings.Join(messages(t, err), "\n")
	if want := nativeMessage(strings.Join(want, "\n")); got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
}

const shoots = "[[working]]\nfolder = '/shoots'\n"

func TestLoadErrors(t *testing.T) {
	tests := []struct {
		name, text string
		want       []string
	}{
		// What is not TOML.
		{"unfinished", "[policy]\ncopies =\n", []string{
			`c.toml:2:9: unexpected character U+000A at start of value; expected TOML, as at https://toml.io`}},
		{"twice", shoots + "[policy]\ncopies = 2\ncopies = 3\n", []string{
			`c.toml:5:1: key copies is already defined; expected TOML, as at https://toml.io`}},
		{"backslash in double quotes", "[[working]]\nfolder = \"D:\\Shoots\"\n", []string{
			`c.toml:2:13: invalid escape character U+0053 'S'; expected single quotes around a value that has a backslash, as in 'D:\Shoots'`}},
		{"backslash and u", "[[working]]\nfolder = \"D:\\user\"\n", []string{
			`c.toml:2:15: invalid hexadecimal digit in unicode escape sequence; expected single quotes around a value that has a backslash, as in 'D:\Shoots'`}},
		{"columns are characters", "a = [\"Töröö\", \"D:\\S\"]", []string{
			`c.toml:1:18: invalid escape character U+0053 'S'; expected single quotes around a value that has a backslash, as in 'D:\Shoots'`}},

		// Unknown names.
		{"misspelt key", shoots + "[policy]\ncopys = 2\n", []string{
			`c.toml:4:1: unknown key copys in [policy]; expected copies`}},
		{"nothing like it", shoots + "[limits]\n  colour = 2\n", []string{
			`c.toml:4:3: unknown key colour in [limits]; expected rate or quiet_hours`}},
		{"another table's key", shoots + "[limits]\ncopies = 2\n", []string{
			`c.toml:4:1: unknown key copies in [limits]; expected copies under [policy]`}},
		{"outside of any table", "off_site = 1\n" + shoots, []string{
			`c.toml:1:1: unknown key off_site outside of any table; expected off_site under [policy]`}},
		{"outside and unknown", "colour = 1\n" + shoots, []string{
			`c.toml:1:1: unknown key colour outside of any table; expected [[working]], [policy], [watch] or [limits]`}},
		{"inline", "policy = {copies = 2, copys = 2}\n" + shoots, []string{
			`c.toml:1:23: unknown key copys in [policy]; expected copies`}},
		{"dotted too deep", "policy.copies.least = 2\n" + shoots, []string{
			`c.toml:1:1: unknown key copies.least in [policy]; expected copies, off_site, warn_after, verify_every or keep_versions`}},
		{"dots in quotes", "\"policy.copies\" = 2\n" + shoots, []string{
			`c.toml:1:1: unknown key "policy.copies" outside of any table; expected [[working]], [policy], [watch] or [limits]`}},
		{"empty key", "\"\" = 2\n" + shoots, []string{
			`c.toml:1:1: unknown key "" outside of any table; expected [[working]], [policy], [watch] or [limits]`}},
		{"misspelt table, once", shoots + "[polcy]\ncopies = 2\noff_site = 1\n", []string{
			`c.toml:3:2: unknown table [polcy]; expected [policy]`}},
		{"misspelt list", "[[workng]]\nfolder = '/shoots'\n", []string{
			`c.toml:1:3: unknown table [[workng]]; expected [[working]]`}},
		{"unknown table", shoots + "[drives]\n", []string{
			`c.toml:3:2: unknown table [drives]; expected [[working]], [policy], [watch] or [limits]`}},
		{"table for a value", shoots + "[policy.copies]\n", []string{
			`c.toml:3:2: unknown table [policy.copies]; expected [[working]], [policy], [watch] or [limits]`}},
		{"one working table", "[working]\nfolder = '/shoots'\n", []string{
			`c.toml:1:2: [working] is a single table; expected [[working]], once for each working folder`}},
		{"many policies", shoots + "[[policy]]\ncopies = 0\n", []string{
			`c.toml:3:3: [[policy]] is a list of tables; expected [policy]`,
			`c.toml:4:10: policy.copies is 0; expected at least 1, the working drive's own`}},
		{"dotted working", "working.folder = '/shoots'\n", []string{
			`c.toml:1:1: working.folder belongs to no working folder; expected it under [[working]]`}},
		{"value for a table", "policy = 3\n" + shoots, []string{
			`c.toml:1:10: policy is a whole number; expected the table [policy]`}},
		{"value for working", "working = '/shoots'\n", []string{
			`c.toml:1:11: working is text; expected the table [[working]]`}},
		{"working of texts", "working = ['/shoots']\n", []string{
			`c.toml:1:1: no working folder is named; expected [[working]] with its folder, at least once`,
			`c.toml:1:12: a working folder is text; expected the table [[working]]`}},

		// Values of the wrong kind.
		{"text for a number", shoots + "[policy]\ncopies = \"3\"\noff_site = 7", []string{
			`c.toml:4:10: policy.copies is text; expected a whole number such as 3`}},
		{"fraction for a number", shoots + "[policy]\ncopies = 2.5\n", []string{
			`c.toml:4:10: policy.copies is a number with a fraction; expected a whole number such as 3`}},
		{"huge number", shoots + "[policy]\ncopies = 9_999_999_999\n", []string{
			`c.toml:4:10: policy.copies is 9_999_999_999; expected a number that a shelf of drives could meet`}},
		{"number for a duration", shoots + "[watch]\nsettle = 5\n", []string{
			`c.toml:4:10: watch.settle is a whole number; expected text in quotes: a duration such as "30m", "1d12h" or "90d"`}},
		{"date for a duration", shoots + "[watch]\nsettle = 2026-03-02\n", []string{
			`c.toml:4:10: watch.settle is a date or a time; expected text in quotes: a duration such as "30m", "1d12h" or "90d"`}},
		{"number for a rate", shoots + "[limits]\nrate = 0\n", []string{
			`c.toml:4:8: limits.rate is a whole number; expected text in quotes: a rate such as "40 MB/s", or "0" for no limit`}},
		{"list for a folder", "[[working]]\nfolder =  ['/shoots']\n", []string{
			`c.toml:2:11: working.folder is a list; expected text in quotes`}},
		{"table for a folder", "[[working]]\nfolder = {path = '/shoots'}\n", []string{
			`c.toml:2:10: working.folder is a table; expected text in quotes`}},
		{"truth for a name", shoots + "name = true\n", []string{
			`c.toml:3:8: working.name is true or false; expected text in quotes`}},
		{"text for patterns", shoots + "[watch]\nignore = '**/*.tmp'\n", []string{
			`c.toml:4:10: watch.ignore is text; expected a list of patterns such as ["**/*.tmp"]`}},
		{"number for a pattern", shoots + "[watch]\nignore = [\n  '**/*.tmp',\n  7,\n]\n", []string{
			`c.toml:6:3: watch.ignore[1] is a whole number; expected text in quotes`}},

		// Values of the right kind that cannot be taken.
		{"duration", shoots + "[policy]\nwarn_after = \"3 days\"\n", []string{
			`c.toml:4:14: policy.warn_after is "3 days"; expected a duration such as "30m", "1d12h" or "90d"`}},
		{"rate", shoots + "[limits]\nrate = \"40 Mb/s\"\n", []string{
			`c.toml:4:8: limits.rate is "40 Mb/s"; expected a rate such as "40 MB/s", or "0" for no limit`}},
		{"hours", shoots + "[limits]\nquiet_hours = \"9-18\"\n", []string{
			`c.toml:4:15: limits.quiet_hours is "9-18"; expected two different times such as "09:00-18:00" or "22:00-06:00", or "" for none`}},
		{"no copies", shoots + "[policy]\ncopies = 0\n", []string{
			`c.toml:4:10: policy.copies is 0; expected at least 1, the working drive's own`}},
		{"one copy, off site by default", shoots + "[policy]\ncopies = 1\n", []string{
			`c.toml:4:10: policy.copies is 1 and policy.off_site is 1 unless set; expected off_site = 0 besides`}},
		{"negative off site", shoots + "[policy]\noff_site = -1\n", []string{
			`c.toml:4:12: policy.off_site is -1; expected 0 or more`}},
		{"too many off site", shoots + "[policy]\ncopies = 2\noff_site = 2\n", []string{
			`c.toml:5:12: policy.off_site is 2; expected at most 1: one of 2 copies is the working drive's`}},
		{"no pause", shoots + "[watch]\nsettle = \"0s\"\nrescan = \"0\"\n[policy]\nverify_every = \"0d\"\n", []string{
			`c.toml:4:10: watch.settle is zero; expected more than zero`,
			`c.toml:5:10: watch.rescan is zero; expected more than zero`,
			`c.toml:7:16: policy.verify_every is zero; expected more than zero`}},
		{"patterns", shoots + "[watch]\nignore = ['', '[a', '**/*.tmp', '{a']\n", []string{
			`c.toml:4:11: a pattern is empty; expected a pattern such as "**/*.tmp"`,
			`c.toml:4:15: the pattern "[a" is malformed; expected a pattern such as "**/*.tmp", with every [ and { closed`,
			`c.toml:4:33: the pattern "{a" is malformed; expected a pattern such as "**/*.tmp", with every [ and { closed`}},
		{"pattern for everything", shoots + "[watch]\nignore = ['**/*.*', '*']\n", []string{
			`c.toml:4:11: the pattern "**/*.*" ignores every file, so nothing would be copied; expected a pattern such as "**/*.tmp"`,
			`c.toml:4:21: the pattern "*" ignores every file, so nothing would be copied; expected a pattern such as "**/*.tmp"`}},

		// Working folders.
		{"empty file", "", []string{
			`c.toml:1:1: no working folder is named; expected [[working]] with its folder, at least once`}},
		{"no working folder", "[policy]\ncopies = 2\n", []string{
			`c.toml:1:1: no working folder is named; expected [[working]] with its folder, at least once`}},
		{"no folder", "[[working]]\nname = \"Shoots\"\n", []string{
			`c.toml:1:3: working.folder is missing; expected an absolute path, or one that begins with ~/`}},
		{"empty folder", "[[working]]\nfolder = \"\"\n", []string{
			`c.toml:2:10: working.folder is empty; expected an absolute path, or one that begins with ~/`}},
		{"relative folder", "[[working]]\nfolder = \"Shoots\"\n", []string{
			`c.toml:2:10: working.folder "Shoots" is relative; expected an absolute path, or one that begins with ~/`}},
		{"another's home", "[[working]]\nfolder = \"~ben/Shoots\"\n", []string{
			`c.toml:2:10: working.folder "~ben/Shoots" is relative; expected an absolute path, or one that begins with ~/`}},
		{"no home", "[[working]]\nfolder = \"~/Shoots\"\n", []string{
			`c.toml:2:10: ~ stands for no folder: HOME is not set`}},
		{"zero character", "[[working]]\nfolder = \"/a\\u0000b\"\nname = \"Shoots\"\n", []string{
			`c.toml:2:10: working.folder "/a\x00b" holds a zero character; expected an absolute path, or one that begins with ~/`}},
		{"name with a slash", shoots + "name = \"a/b\"\n", []string{
			`c.toml:3:8: the name "a/b" holds a slash or a backslash; expected a plain name such as "Shoots"`}},
		{"name with a control character", shoots + "name = \"a\\tb\"\n", []string{
			`c.toml:3:8: the name "a\tb" holds a control character; expected a plain name such as "Shoots"`}},
		{"name of ours", shoots + "name = \".Copyhold.\"\n", []string{
			`c.toml:3:8: the name ".Copyhold." is what Copyhold itself keeps on each drive; expected a plain name such as "Shoots"`}},
		{"name of our page", shoots + "name = \"shoots.html\"\n", []string{
			`c.toml:3:8: the name "shoots.html" is what Copyhold itself keeps on each drive; expected a plain name such as "Shoots"`}},
		{"dot", shoots + "name = \".\"\n", []string{
			`c.toml:3:8: the name "." is nothing but dots and spaces; expected a plain name such as "Shoots"`}},
		{"dots", shoots + "name = \"..\"\n", []string{
			`c.toml:3:8: the name ".." is nothing but dots and spaces; expected a plain name such as "Shoots"`}},
		{"folder of our name", "[[working]]\nfolder = '/a/.copyhold'\n", []string{
			`c.toml:2:10: the name ".copyhold" is what Copyhold itself keeps on each drive; expected name = "..." besides, since the folder's own does not do`}},
		{"one name twice", shoots + "name = \"Terns\"\n[[working]]\nfolder = '/clips'\nname = \"TERNS\"\n", []string{
			`c.toml:6:8: the name "TERNS" is that of working folder 1 as well; expected a name of its own for each`}},
		{"one base name twice", shoots + "[[working]]\nfolder = '/2025/shoots'\n", []string{
			`c.toml:4:10: the name "shoots" is that of working folder 1 as well; expected a name of its own for each`}},
		{"one folder twice", shoots + "[[working]]\nfolder = '/clips/../shoots/'\nname = \"Clips\"\n", []string{
			`c.toml:4:10: working.folder "/shoots" is the same as working folder "/shoots"; expected folders apart from each other`}},
		{"inside", shoots + "[[working]]\nfolder = '/shoots/..clips'\n", []string{
			`c.toml:4:10: working.folder "/shoots/..clips" lies inside working folder "/shoots"; expected folders apart from each other`}},
		{"around", "working = [{folder = '/a/shoots'}, {folder = '/a'}]\n", []string{
			`c.toml:1:46: working.folder "/a" holds working folder "/a/shoots"; expected folders apart from each other`}},

		{"all at once, in order", "[[working]]\nfolder = \"Shoots\"\n[policy]\ncopies = 0\ncopys = 1\n[limits]\nrate = \"fast\"\n", []string{
			`c.toml:2:10: working.folder "Shoots" is relative; expected an absolute path, or one that begins with ~/`,
			`c.toml:4:10: policy.copies is 0; expected at least 1, the working drive's own`,
			`c.toml:5:1: unknown key copys in [policy]; expected copies`,
			`c.toml:7:8: limits.rate is "fast"; expected a rate such as "40 MB/s", or "0" for no limit`}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			cfg, err := parse("c.toml", []byte(nativeText(tt.text)), noHome)
			if !reflect.DeepEqual(cfg, Config{}) {
				t.Errorf("a refused file gave %+v", cfg)
			}
			if tt.name == "zero character" && runtime.GOOS == "windows" {
				t.Skip("the path is relative there")
			}
			wantMessages(t, err, tt.want)
		})
	}
}

func TestLoadTakesEverySetting(t *testing.T) {
	const text = "\xef\xbb\xbf" + `
working = [{folder = '~/Shoots'}, {name = "Clips", folder = '/clips/'}]
watch.settle = "1.5s"
[policy]
copies = 0x2
off_site = 1
warn_after = "0"
verify_every = "2w"
keep_versions = "1d12h"
[limits]
rate = "1.5MB/s"
quiet_hours = "22:30 - 06:00"
`
	cfg, err := parse("c.toml", []byte(nativeText(text)), homeOfAna)
	if err != nil {
		t.Fatal(err)
	}
	home, _ := homeOfAna()
	want := Default()
	want.Working = []Working{
		{filepath.Join(home, "Shoots"), "Shoots", place{"c.toml", 2, 22}},
		{filepath.Join(home, "../../clips"), "Clips", place{"c.toml", 2, 61}},
	}
	want.Policy = Policy{2, 1, 0, Duration(14 * 24 * time.Hour), Duration(36 * time.Hour)}
	want.Watch.Settle = Duration(1500 * time.Millisecond)
	want.Limits = Limits{1_500_000, QuietHours{22*time.Hour + 30*time.Minute, 6 * time.Hour}}
	if runtime.GOOS == "windows" { // the letter before /clips
		want.Working[1].at.column = cfg.Working[1].at.column
	}
	if !reflect.DeepEqual(cfg, want) {
		t.Errorf("got  %+v\nwant %+v", cfg, want)
	}
}

func TestLoadReadsTheFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "config.toml")
	if _, err := Load(path); !errors.Is(err, ErrNoConfig) || !strings.Contains(err.Error(), path) {
		t.Errorf("no file: got %v", err)
	}
	if _, err := Load(t.TempDir()); err == nil || errors.Is(err, ErrNoConfig) {
		t.Errorf("a folder: got %v", err)
	}
	write(t, path, Example())
	if _, err := Load(path); err != nil {
		t.Errorf("the example: got %v", err)
	}
	write(t, path, strings.Repeat("#", maxSize+1))
	if _, err := Load(path); err == nil {
		t.Error("a file above all size was read")
	}
}

func write(t *testing.T, path, text string) {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
}

// FuzzLoad holds that no text makes parse panic, that every complaint has a
// position in the text, and that what loads is valid and survives being written.
func FuzzLoad(f *testing.F) {
	f.Add(Example())
	f.Add(shoots + "name = 'a'\n[[working]]\nfolder='/b'\n[policy]\ncopies=1\noff_site=0\n")
	f.Add("working=[{folder='/a'},[],{}]\npolicy={copies=[1]}\nwatch.ignore=[[''],'\\']\n")
	f.Add("[[working]]\nfolder=\"~\\u0000\"\n[limits]\nquiet_hours='23:59-00:00'\nrate='0.5 kB/s'\n")
	f.Fuzz(func(t *testing.T, text string) {
		cfg, err := parse("c.toml", []byte(text), homeOfAna)
		if err != nil {
			checkPositions(t, text, err)
			return
		}
		doc := newDocument("", nil)
		doc.cfg = cfg
		doc.judge()
		if len(doc.errs) > 0 {
			t.Fatalf("loaded, but %v", doc.problems())
		}
		again, err := parse("c.toml", []byte(cfg.TOML()), homeOfAna)
		if err != nil {
			t.Fatalf("%v in what was written:\n%s", err, cfg.TOML())
		}
		if got, want := unplaced(again), unplaced(cfg); !reflect.DeepEqual(got, want) {
			t.Fatalf("got %+v, want %+v", got, want)
		}
	})
}

func checkPositions(t *testing.T, text string, err error) {
	lines := strings.Split(text, "\n")
	for _, e := range flatten(err) {
		var ce *Error
		if !errors.As(e, &ce) {
			t.Fatalf("%T is no *Error", e)
		}
		if ce.Line < 1 || ce.Line > len(lines) || ce.Column < 1 || ce.Column > len(lines[ce.Line-1])+1 {
			t.Fatalf("%d:%d is not in the text", ce.Line, ce.Column)
		}
	}
}

// unplaced returns cfg as if no file had been read, with no list nil.
func unplaced(cfg Config) Config {
	for i := range cfg.Working {
		cfg.Working[i].at = place{}
	}
	cfg.Watch.Ignore = append([]string{}, cfg.Watch.Ignore...)
	return cfg
}
