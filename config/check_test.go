package config

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// disk lays out a small disk and returns its root. A name that ends in / is a
// folder, "a -> b" a link, anything else a file.
func disk(t *testing.T, names ...string) string {
	t.Helper()
	root, err := filepath.EvalSymlinks(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range names {
		link, target, isLink := strings.Cut(name, " -> ")
		path := filepath.Join(root, link)
		switch {
		case isLink:
			err = os.Symlink(filepath.Join(root, target), path)
		case strings.HasSuffix(name, "/"):
			err = os.MkdirAll(path, 0o700)
		default:
			err = os.WriteFile(path, nil, 0o600)
		}
		if err != nil {
			t.Skipf("this system cannot lay out %q: %v", name, err)
		}
	}
	return root
}

func TestCheck(t *testing.T) {
	tests := []struct {
		name    string
		disk    []string
		working string
		drives  string
		want    []string
	}{
		{"all is well", []string{"work/", "red/", "blue/"}, "work", "red blue", nil},
		{"a drive that is away", []string{"work/"}, "work", "red", nil},
		{"names that begin alike", []string{"work/", "work2/"}, "work", "work2", nil},
		{"missing", nil, "work", "", []string{
			`c.toml:1:7: the working folder "/work" is missing; expected a folder that exists`}},
		{"link to nothing", []string{"work -> gone"}, "work", "", []string{
			`c.toml:1:7: the working folder "/work" is missing; expected a folder that exists`}},
		{"a file", []string{"work"}, "work", "", []string{
			`c.toml:1:7: the working folder "/work" is a file; expected a folder that exists`}},
		{"inside a drive", []string{"red/work/"}, "red/work", "red", []string{
			`c.toml:1:7: the working folder "/red/work" lies inside the drive "/red"; expected working folders and drives apart from each other`}},
		{"missing inside a drive", []string{"red/"}, "red/work", "red", []string{
			`c.toml:1:7: the working folder "/red/work" is missing; expected a folder that exists`,
			`c.toml:1:7: the working folder "/red/work" lies inside the drive "/red"; expected working folders and drives apart from each other`}},
		{"around a drive", []string{"work/copies/"}, "work", "red work/copies", []string{
			`c.toml:1:7: the working folder "/work" holds the drive "/work/copies"; expected working folders and drives apart from each other`}},
		{"is a drive", []string{"work/"}, "work", "work", []string{
			`c.toml:1:7: the working folder "/work" is the same as the drive "/work"; expected working folders and drives apart from each other`}},
		{"inside a drive by a link", []string{"red/work/", "work -> red/work"}, "work", "red", []string{
			`c.toml:1:7: the working folder "/work" lies inside the drive "/red"; expected working folders and drives apart from each other`}},
		{"missing below a link", []string{"red/", "link -> red"}, "link/work", "red", []string{
			`c.toml:1:7: the working folder "/link/work" is missing; expected a folder that exists`,
			`c.toml:1:7: the working folder "/link/work" lies inside the drive "/red"; expected working folders and drives apart from each other`}},
		{"a drive by a link", []string{"work/copies/", "red -> work/copies"}, "work", "red", []string{
			`c.toml:1:7: the working folder "/work" holds the drive "/red"; expected working folders and drives apart from each other`}},
		{"one folder by two names", []string{"work/", "clips -> work"}, "work clips", "", []string{
			`c.toml:2:7: the working folder "/clips" is the same as the working folder "/work"; expected folders apart from each other`}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			root := disk(t, tt.disk...)
			var drives []string
			for _, d := range strings.Fields(tt.drives) {
				drives = append(drives, filepath.Join(root, d))
			}
			err := configOf(root, strings.Fields(tt.working)...).Check(drives)
			got := strings.Join(messages(t, err), "\n")
			got = strings.ReplaceAll(filepath.ToSlash(strings.ReplaceAll(got, `\\`, `\`)), filepath.ToSlash(root), "")
			if want := strings.Join(tt.want, "\n"); got != want {
				t.Errorf("got\n%s\nwant\n%s", got, want)
			}
		})
	}
}

// configOf names each folder at column 7 of a line of its own.
func configOf(root string, folders ...string) Config {
	var cfg Config
	for i, f := range folders {
		cfg.Working = append(cfg.Working, Working{
			Folder: filepath.Join(root, f), Name: f, at: place{"c.toml", i + 1, 7},
		})
	}
	return cfg
}

func TestSplitMissing(t *testing.T) {
	root := disk(t, "work", "red/")
	missing, rest := SplitMissing(configOf(root, "away", "work", "gone").Check(nil))
	if len(missing) != 2 || missing[0].Working.Name != "away" || missing[1].Working.Name != "gone" {
		t.Errorf("got missing %v", missing)
	}
	if rest == nil || !strings.Contains(rest.Error(), "is a file") {
		t.Errorf("got rest %v", rest)
	}
	missing, rest = SplitMissing(configOf(root, "away").Check(nil))
	if len(missing) != 1 || rest != nil {
		t.Errorf("one away: got %v, %v", missing, rest)
	}
	if missing, rest = SplitMissing(nil); missing != nil || rest != nil {
		t.Errorf("no error: got %v, %v", missing, rest)
	}
}

func TestMissingFolderIsFoundByType(t *testing.T) {
	err := configOf(disk(t), "away").Check(nil)
	var m *MissingFolder
	var e *Error
	if !errors.As(err, &m) || !errors.As(err, &e) || e.Line != 1 || e.Column != 7 {
		t.Errorf("got %#v", err)
	}
}

func TestErrorOfNoFile(t *testing.T) {
	err := Config{Working: []Working{{Folder: filepath.Join(disk(t), "away")}}}.Check(nil)
	if err == nil || !strings.HasPrefix(err.Error(), `the working folder "`) {
		t.Errorf("got %v", err)
	}
}
