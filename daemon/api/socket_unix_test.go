//go:build unix

package api

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func TestSocketPath(t *testing.T) {
	long := "/" + strings.Repeat("tern/", 30)
	fits := "/" + strings.Repeat("x", maxSocketPath()-len("//"+socketName))
	for _, tt := range []struct {
		name, dir, runtime string
		want               string // "" = a fault
	}{
		{"inside the state folder", "/s", "/r", "/s/control.sock"},
		{"the longest", fits, "/r", fits + "/control.sock"},
		{"one byte too long", fits + "x", "", ""},
		{"too long", long, "/r", "/r/copyhold-630c80b12d022742/control.sock"},
		{"the same without the last slash", strings.TrimSuffix(long, "/"), "/r", "/r/copyhold-630c80b12d022742/control.sock"},
		{"no runtime folder", long, "", ""},
		{"relative runtime folder", long, "r", ""},
		{"runtime folder too long as well", long, long, ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			got, err := SocketPath(tt.dir, func(string) string { return tt.runtime })
			if _, fault := errors.AsType[*Fault](err); got != tt.want || fault != (tt.want == "") {
				t.Errorf("SocketPath = %q, %v, want %q", got, err, tt.want)
			}
		})
	}
}

func TestModes(t *testing.T) {
	dir := stateDir(t)
	listen(t, dir)
	for name, want := range map[string]fs.FileMode{".": 0o700, lockName: 0o600, socketName: 0o600} {
		fi, err := os.Lstat(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		if fi.Mode().Perm() != want {
			t.Errorf("%s: %v, want %v", name, fi.Mode().Perm(), want)
		}
	}
}

// TestFolder tells which folders become the state folder, and that one which
// does not is left as it was.
func TestFolder(t *testing.T) {
	for _, tt := range []struct {
		name string
		make func(dir string) error
		want string // in the fault; "" = taken, and closed to others
	}{
		{"missing", func(string) error { return nil }, ""},
		{"empty and open", func(dir string) error { return os.Mkdir(dir, 0o755) }, ""},
		{"in use and open", func(dir string) error { return os.MkdirAll(filepath.Join(dir, "photos"), 0o755) }, "open to other users"},
		{"link", func(dir string) error {
			return errors.Join(os.Mkdir(dir+"-real", 0o700), os.Symlink(dir+"-real", dir))
		}, "is a link"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			dir := stateDir(t)
			if err := tt.make(dir); err != nil {
				t.Fatal(err)
			}
			before, _ := os.Stat(dir)
			l, err := Listen(dir)
			if err == nil {
				defer l.Close()
			}
			after, statErr := os.Stat(dir)
			if statErr != nil {
				t.Fatal(statErr)
			}
			if tt.want == "" {
				if err != nil || after.Mode().Perm() != 0o700 {
					t.Errorf("Listen: %v; mode %v", err, after.Mode())
				}
				return
			}
			if fault, ok := errors.AsType[*Fault](err); !ok || !strings.Contains(fault.What, tt.want) {
				t.Errorf("Listen: %v, want a fault with %q", err, tt.want)
			}
			if after.Mode() != before.Mode() {
				t.Errorf("mode became %v, was %v", after.Mode(), before.Mode())
			}
		})
	}
}
