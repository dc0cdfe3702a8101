package daemon

import (
	"encoding/hex"
	"errors"
	"io"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"lukechampine.com/blake3"
)

// sumOf is the BLAKE3 of a file by another implementation than the engine's.
func sumOf(t testing.TB, path string) string {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	h := blake3.New(32, nil)
	if _, err := io.Copy(h, f); err != nil {
		t.Fatal(err)
	}
	return hex.EncodeToString(h.Sum(nil))
}

// holdings is what a folder holds: the BLAKE3 of every file by its path. On a
// drive, Copyhold's own folder is left out.
func holdings(t testing.TB, folder string) map[string]string {
	t.Helper()
	held := map[string]string{}
	err := filepath.WalkDir(folder, func(path string, e fs.DirEntry, err error) error {
		switch {
		case errors.Is(err, fs.ErrNotExist):
			return nil // it moved on while we walked
		case err != nil:
			return err
		case e.IsDir() && (e.Name() == ".copyhold" || e.Name() == "lost+found"):
			return fs.SkipDir
		case e.IsDir():
			return nil
		}
		rel, err := filepath.Rel(folder, path)
		if err != nil {
			return err
		}
		held[filepath.ToSlash(rel)] = "no plain file"
		if e.Type().IsRegular() {
			held[filepath.ToSlash(rel)] = sumOf(t, path)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return held
}

// differences between what is wanted and what is there; none is an empty list.
func differences(want, got map[string]string) (all []string) {
	for _, path := range slices.Sorted(maps.Keys(want)) {
		switch got[path] {
		case want[path]:
		case "":
			all = append(all, "missing: "+path)
		default:
			all = append(all, "another content: "+path)
		}
	}
	for _, path := range slices.Sorted(maps.Keys(got)) {
		if _, wanted := want[path]; !wanted {
			all = append(all, "too many: "+path)
		}
	}
	return all
}

// checkDrive proves that a drive holds what the working folder holds, name by
// name and byte by byte, nothing else, and that a stock b3sum agrees.
func (b *bench) checkDrive(drive string) {
	b.t.Helper()
	b.checkDriveBut(drive)
}

// checkDriveBut is checkDrive for a drive that holds other files too.
func (b *bench) checkDriveBut(drive string, others ...string) {
	b.t.Helper()
	want := map[string]string{}
	for path, sum := range holdings(b.t, b.working) {
		want["Shoots/"+path] = sum
	}
	held := holdings(b.t, drive)
	for _, other := range others {
		delete(held, other)
	}
	if diff := differences(want, held); len(diff) > 0 {
		b.t.Errorf("%s does not hold what was shot:\n%s", drive, strings.Join(diff[:min(len(diff), 20)], "\n"))
	}
	if got := sums(b.t, drive); got != len(want) {
		b.t.Errorf("b3sum found %d files OK on %s, want %d", got, drive, len(want))
	}
	if left, _ := filepath.Glob(filepath.Join(drive, ".copyhold", "partial", "*")); len(left) > 0 {
		b.t.Errorf("partials are left: %v", left)
	}
}

// nothingIn proves that the folder a drive leaves behind stays empty. (P7)
func nothingIn(t testing.TB, mountPoint string) {
	t.Helper()
	inside, err := os.ReadDir(mountPoint)
	if err != nil {
		t.Fatal(err)
	}
	if len(inside) > 0 {
		t.Errorf("written into the mount point of a drive that is away: %v", inside)
	}
}

func TestDifferencesBite(t *testing.T) {
	dir := t.TempDir()
	for name, content := range map[string]string{"whole": "abc", "short": "ab", "extra": ""} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(content), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	whole := "6437b3ac38465133ffb63b75273a8db548c558465d79db03fd359c6cd5bd9d85" // of "abc", by b3sum
	got := differences(map[string]string{"whole": whole, "short": whole, "gone": whole}, holdings(t, dir))
	if want := []string{"missing: gone", "another content: short", "too many: extra"}; !slices.Equal(got, want) {
		t.Errorf("found %q, want %q", got, want)
	}
}
