package demo

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// drive makes a folder with files and a list of them, the last of which is wrong.
func drive(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	list := ""
	for _, name := range []string{"A: OK", "B: FAILED", "C"} {
		path := filepath.Join(dir, name)
		must(t, os.WriteFile(path, []byte(name), 0o644))
		digest, err := digestOf(path)
		must(t, err)
		list += digest.String() + "  " + name + "\n"
	}
	must(t, os.WriteFile(filepath.Join(dir, "C"), []byte("c"), 0o644))
	must(t, os.MkdirAll(filepath.Join(dir, ".copyhold", "lists", "Shoots"), 0o755))
	must(t, os.WriteFile(filepath.Join(dir, ".copyhold", "lists", "Shoots", "Tern.b3"), []byte(list), 0o644))
	return dir
}

// b3sum and what stands in for it find the same.
func TestEyesAgree(t *testing.T) {
	dir := drive(t)
	for _, e := range []eyes{{}, openEyes()} {
		v, err := e.check(t.Context(), dir)
		if err != nil || v.ok != 2 || !slices.Equal(v.failed, []string{"C"}) {
			t.Errorf("%s: %+v, %v", e.name(), v, err)
		}
		must(t, os.Rename(filepath.Join(dir, "A: OK"), filepath.Join(dir, "A")))
		if v, err := e.check(t.Context(), dir); err == nil && len(v.failed) != 2 {
			t.Errorf("%s does not miss a file: %+v", e.name(), v)
		}
		must(t, os.Rename(filepath.Join(dir, "A"), filepath.Join(dir, "A: OK")))
	}
}

func TestSameBytes(t *testing.T) {
	long := strings.Repeat("tern", 200_000)
	for _, c := range []struct {
		one, other string
		want       bool
	}{
		{"", "", true}, {"tern", "tern", true}, {long, long, true},
		{"tern", "turn", false}, {"tern", "ter", false}, {"ter", "tern", false}, {"", "t", false}, {"t", "", false},
		{long, long[1:], false}, {long[1:], long, false}, {long + "a", long + "b", false},
	} {
		dir := t.TempDir()
		one, other := filepath.Join(dir, "one"), filepath.Join(dir, "other")
		must(t, os.WriteFile(one, []byte(c.one), 0o644))
		must(t, os.WriteFile(other, []byte(c.other), 0o644))
		n, same, err := sameBytes(one, other)
		if err != nil || same != c.want || n != int64(len(c.one)) {
			t.Errorf("%.5q… and %.5q… of %d and %d bytes: %v after %d, %v", c.one, c.other, len(c.one), len(c.other), same, n, err)
		}
	}
}
