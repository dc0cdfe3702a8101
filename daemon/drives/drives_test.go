package drives

import (
	"os"
	"path/filepath"
	"testing"
)

// TestSharesDisk counts devices, not names. (P8)
func TestSharesDisk(t *testing.T) {
	for _, c := range []struct {
		what string
		a, b Place
		want bool
	}{
		{"two disks", Place{Disk: "sda", Mount: "1"}, Place{Disk: "sdb", Mount: "2"}, false},
		{"two partitions", Place{Disk: "sda", Mount: "1"}, Place{Disk: "sda", Mount: "2"}, true},
		{"two folders", Place{Mount: "1"}, Place{Mount: "1"}, true},
		{"nothing known of either", Place{}, Place{}, true},
		{"one is known", Place{Disk: "sda"}, Place{}, false},
		{"a clone on another disk", Place{Disk: "sda", Volume: "v"}, Place{Disk: "sdb", Volume: "v"}, false},
	} {
		if got := SharesDisk(c.a, c.b); got != c.want || SharesDisk(c.b, c.a) != c.want {
			t.Errorf("%s: %v, want %v", c.what, got, c.want)
		}
	}
}

// TestDescribe describes what any system has: a folder.
func TestDescribe(t *testing.T) {
	dir := t.TempDir()
	p, err := Describe(dir)
	must(t, err)
	t.Logf("%+v", p)
	if p.Path != dir {
		t.Errorf("path %q, want %q", p.Path, dir)
	}
	below := filepath.Join(dir, "below")
	must(t, os.Mkdir(below, 0o755))
	q, err := Describe(below)
	must(t, err)
	if !SharesDisk(p, q) {
		t.Errorf("a folder and one below it do not share a disk: %+v %+v", p, q)
	}
	must(t, os.WriteFile(filepath.Join(dir, "file"), nil, 0o644))
	for _, name := range []string{"file", "absent"} {
		if _, err := Describe(filepath.Join(dir, name)); err == nil {
			t.Errorf("%s was described", name)
		} else {
			t.Log(err)
		}
	}
}
