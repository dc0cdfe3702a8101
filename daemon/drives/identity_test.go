package drives

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

const good = `{"format": 1, "id": "slate-7", "volume": "vol-1", "name": "Slate"}`

// TestProbe reads identity files in every state they may be found in.
func TestProbe(t *testing.T) {
	write := func(text string) func(*testing.T, string) {
		return func(t *testing.T, dir string) {
			must(t, os.Mkdir(filepath.Join(dir, holdFolder), 0o755))
			must(t, os.WriteFile(filepath.Join(dir, identityFile), []byte(text), 0o644))
		}
	}
	for _, c := range []struct {
		name string
		make func(t *testing.T, dir string)
		want string // "" = not a drive
	}{
		{"healthy", write(good), "slate-7 vol-1"},
		{"healthy, volume without UUID", write(`{"format":1,"id":"a","volume":""}`), "a "},
		{"not a drive", func(*testing.T, string) {}, ""},
		{"no such folder", func(t *testing.T, dir string) { must(t, os.Remove(dir)) }, ""},
		{"a file instead of the folder", func(t *testing.T, dir string) {
			must(t, os.Remove(dir))
			must(t, os.WriteFile(dir, nil, 0o644))
		}, ""},
		{"hold folder empty", func(t *testing.T, dir string) { must(t, os.Mkdir(filepath.Join(dir, holdFolder), 0o755)) },
			"its identity file is missing"},
		{"hold folder a file", func(t *testing.T, dir string) {
			must(t, os.WriteFile(filepath.Join(dir, holdFolder), nil, 0o644))
		}, "its .copyhold is not a folder"},
		{"hold folder a link", func(t *testing.T, dir string) {
			must(t, os.MkdirAll(filepath.Join(dir, "real"), 0o755))
			must(t, os.WriteFile(filepath.Join(dir, "real", "drive.json"), []byte(good), 0o644))
			link(t, "real", filepath.Join(dir, holdFolder))
		}, "its folder .copyhold is a link"},
		{"a link inside the drive", func(t *testing.T, dir string) {
			write("")(t, dir)
			must(t, os.Remove(filepath.Join(dir, identityFile)))
			must(t, os.WriteFile(filepath.Join(dir, "else.json"), []byte(good), 0o644))
			link(t, "../else.json", filepath.Join(dir, identityFile))
		}, "its identity file is a link"},
		{"a link that leads out", func(t *testing.T, dir string) {
			write("")(t, dir)
			must(t, os.Remove(filepath.Join(dir, identityFile)))
			link(t, "/etc/hostname", filepath.Join(dir, identityFile))
		}, "its identity file is a link"},
		{"a folder", func(t *testing.T, dir string) { must(t, os.MkdirAll(filepath.Join(dir, identityFile), 0o755)) },
			"its identity file is a folder"},
		{"empty", write(""), "its identity file is empty"},
		{"cut short", write(good[:30]), "its identity file is cut short"},
		{"zeros after a power cut", write(strings.Repeat("\x00", 512)), "its identity file is not as Copyhold writes it"},
		{"a list", write(`[1]`), "its identity file is not as Copyhold writes it"},
		{"two objects", write(good + good), "its identity file is not as Copyhold writes it"},
		{"no id", write(`{"format":1}`), "its identity file holds no usable id"},
		{"an id that is a path", write(`{"format":1,"id":"../a"}`), "its identity file holds no usable id"},
		{"no format", write(`{"id":"a"}`), "its identity file tells no format"},
		{"a later format", write(`{"format":2,"id":"a"}`), "its identity file was written by a newer Copyhold (format 2)"},
		{"1 MB", write(`{"format":1,"id":"a","x":"` + strings.Repeat("x", 1<<20) + `"}`),
			"its identity file is too large: 1048604 bytes"},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := filepath.Join(t.TempDir(), "drive")
			must(t, os.Mkdir(dir, 0o755))
			c.make(t, dir)
			e, found := probe(dir)
			t.Logf("%s %q", e.ID, e.Err)
			got := e.Err
			if e.Err == "" && found {
				got = string(e.ID) + " " + e.IDVolume
			}
			if got != c.want || found != (c.want != "") {
				t.Errorf("got %q found %v, want %q", got, found, c.want)
			}
			if e.Path != dir {
				t.Errorf("path %q, want %q", e.Path, dir)
			}
			if found && e.Err != "" && e.ID != "" {
				t.Errorf("an identity that is not believed has an id: %q", e.ID)
			}
		})
	}
}

func FuzzDecode(f *testing.F) {
	for _, s := range []string{good, good[:30], "", "null", "[]", `{"id":"a"}`, `{"id":"a","format":1e9}`, "\x00", good + " x"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		id, err := decode(text)
		switch {
		case err == nil && (!plausible(id.ID) || id.Format != knownFormat || len(text) > identityLimit):
			t.Errorf("believed %+v", id)
		case err != nil && id != (identity{}):
			t.Errorf("%v, and yet %+v", err, id)
		}
	})
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func link(t *testing.T, to, at string) {
	t.Helper()
	if err := os.Symlink(to, at); err != nil {
		t.Skip("no links here:", err)
	}
}
