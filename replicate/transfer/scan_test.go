package transfer

import (
	"context"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"copyhold/replicate"
	"copyhold/replicate/volume"
)

// trouble is a tree in which some folders cannot be read.
type trouble struct {
	Tree
	at map[string]error
}

func (t trouble) ReadDir(name string) ([]volume.Info, error) {
	if err := t.at[name]; err != nil {
		return nil, fmt.Errorf("list %s: %w", name, err)
	}
	return t.Tree.ReadDir(name)
}

// told is what a scan yields, a line each.
func told(tree Tree, ignore func(string, bool) bool) (lines []string, err error) {
	for s := range Scan(context.Background(), tree, shoot, ignore, &err) {
		lines = append(lines, strings.TrimPrefix(s.Path, shoot+"/")+[...]string{"", " special", " closed"}[s.What])
	}
	return lines, err
}

func TestScan(t *testing.T) {
	w := newWorld(t)
	for _, name := range []string{
		"A001.raw", "DCIM/100/B001.raw", "DCIM/100.txt", "DCIM/.DS_Store", "empty/x/ignored.tmp", "closed/secret", "z", "DCIM-2/c",
	} {
		w.put(name, []byte(name))
	}
	root := filepath.Join(w.dir, shoot)
	check(t, os.Symlink("A001.raw", filepath.Join(root, "link")))
	check(t, os.Symlink(".", filepath.Join(root, "loop")))
	check(t, os.Symlink("nowhere", filepath.Join(root, "DCIM/dangling")))
	special := "pipe special"
	if err := pipe(filepath.Join(root, "pipe")); err != nil {
		t.Log(err)
		special = ""
	}
	ignore := func(path string, dir bool) bool {
		return strings.HasSuffix(path, ".tmp") || strings.HasSuffix(path, ".DS_Store") || dir && strings.HasSuffix(path, "DCIM-2")
	}
	want := []string{
		"A001.raw", "DCIM/100.txt", "DCIM/100/B001.raw", "DCIM/dangling special", "closed/ closed",
		"link special", "loop special", special, "z",
	}
	want = slices.DeleteFunc(want, func(s string) bool { return s == "" })
	got, err := told(trouble{w.src, map[string]error{shoot + "/closed": fs.ErrPermission}}, ignore)
	check(t, err)
	if !slices.Equal(got, want) {
		t.Errorf("got:\n%s\nwant:\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}

// errBadPlace is one folder that the disk cannot read, on a volume that is there.
var errBadPlace = fmt.Errorf("%w: one bad place", volume.ErrLost)

// A folder that leaves during the walk has nothing; one in a bad place is closed; a volume that leaves ends the walk,
// and says so: nothing may be concluded from what was not met.
func TestScanOfWhatLeaves(t *testing.T) {
	w := newWorld(t)
	for _, name := range []string{"a/1", "b/2", "c/3"} {
		w.put(name, nil)
	}
	for _, c := range []struct {
		err   error
		want  string
		fails bool
	}{
		{fs.ErrNotExist, "a/1 c/3", false},
		{volume.ErrLost, "a/1", true},
		{errBadPlace, "a/1 b/ closed c/3", false},
		{fs.ErrPermission, "a/1 b/ closed c/3", false},
	} {
		bad := map[string]error{shoot + "/b": c.err}
		if c.err == volume.ErrLost {
			bad[""] = c.err // the whole volume: its top does not answer either
		}
		got, err := told(trouble{w.src, bad}, ignoreNothing)
		if s := strings.Join(got, " "); s != c.want || (err != nil) != c.fails {
			t.Errorf("%v: %s, %v", c.err, s, err)
		}
	}
}

func TestScanStops(t *testing.T) {
	w := newWorld(t)
	for i := range 10 {
		w.put(fmt.Sprintf("%d/x", i), nil)
	}
	var failed error
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	n := 0
	for range Scan(ctx, w.src, shoot, ignoreNothing, &failed) {
		if n++; n == 3 {
			cancel()
		}
	}
	if n != 3 || failed != context.Canceled {
		t.Errorf("cancelled: %d met, %v", n, failed)
	}
	failed, n = nil, 0
	for range Scan(context.Background(), w.src, shoot, ignoreNothing, &failed) {
		if n++; n == 3 {
			break
		}
	}
	if n != 3 || failed != nil {
		t.Errorf("heard enough: %d met, %v", n, failed)
	}
}

// Diff needs the order of whole paths, byte for byte.
func TestScanOrder(t *testing.T) {
	seed := rand.Uint64()
	t.Log("seed", seed)
	chance := rand.New(rand.NewPCG(seed, 0))
	w := newWorld(t)
	alphabet := []string{"a", "A", "-", ".", "0", " ", "é", "~", "\xff", "/"}
	for range 400 {
		name := "x"
		for range chance.IntN(6) {
			name += alphabet[chance.IntN(len(alphabet))]
		}
		path := filepath.Join(w.dir, shoot, name+"y")
		os.MkdirAll(filepath.Dir(path), 0o755) // or a file has the name
		os.WriteFile(path, nil, 0o644)
	}
	got, err := told(w.src, ignoreNothing)
	check(t, err)
	var want []string
	check(t, filepath.WalkDir(filepath.Join(w.dir, shoot), func(path string, d fs.DirEntry, err error) error {
		if d.Type().IsRegular() {
			rel, _ := filepath.Rel(filepath.Join(w.dir, shoot), path)
			want = append(want, rel)
		}
		return err
	}))
	slices.Sort(want)
	if !slices.Equal(got, want) {
		t.Errorf("got:\n%q\nwant:\n%q", got, want)
	}
}

func TestLooseFilesAndFolders(t *testing.T) {
	w := newWorld(t)
	w.put("A001.raw", nil)
	for _, name := range []string{"2026-02-01 Grey Rock/x", "loose.raw", "b.tmp", ".trash/x"} {
		write(t, filepath.Join(w.dir, name), nil)
	}
	ignore := func(path string, dir bool) bool { return strings.HasSuffix(path, ".tmp") || path == ".trash" }
	folders, err := Folders(w.src, ignore)
	check(t, err)
	if want := []string{"2026-02-01 Grey Rock", shoot}; !slices.Equal(folders, want) {
		t.Errorf("%q", folders)
	}
	loose, err := ScanLoose(w.src, ignore)
	check(t, err)
	if len(loose) != 1 || loose[0].Path != "loose.raw" || loose[0].What != replicate.Regular {
		t.Errorf("%+v", loose)
	}
	lost := trouble{w.src, map[string]error{"": volume.ErrLost}}
	if _, err := ScanLoose(lost, ignore); err == nil {
		t.Error("no error")
	}
	if _, err := Folders(lost, ignore); err == nil {
		t.Error("no error")
	}
}
