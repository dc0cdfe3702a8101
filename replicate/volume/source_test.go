package volume_test

import (
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"copyhold/replicate/volume"
)

var noon = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)

func repeat(s string, n int) string { return strings.Repeat(s, n) }

// random is content that is on no disk twice.
func random(size int) []byte {
	b := make([]byte, size)
	rand.NewChaCha8([32]byte{7}).Read(b)
	return b
}

// P1: there is nothing to write a source with.
func TestSourceCannotWrite(t *testing.T) {
	wantMethods(t, reflect.TypeFor[*volume.Source](), "Close", "Identity", "Lstat", "Open", "Path", "ReadDir", "Same")
	p := folder(t)
	p.put(t, "A001.raw", "x")
	s, err := volume.OpenSource(p.dir)
	check(t, err)
	defer s.Close()
	f, err := s.Open("A001.raw")
	check(t, err)
	defer f.Close()
	wantMethods(t, reflect.TypeOf(f), "Close", "Forget", "Read", "ReadAt", "Stat")
}

func wantMethods(t *testing.T, of reflect.Type, want ...string) {
	t.Helper()
	var got []string
	for i := range of.NumMethod() {
		got = append(got, of.Method(i).Name)
	}
	if !slices.Equal(got, want) {
		t.Errorf("%v has the methods %q, want %q", of, got, want)
	}
}

// The order of listings, folder by folder, is the order of the whole paths.
func TestReadDirOrder(t *testing.T) {
	everywhere(t, func(t *testing.T, p place) {
		seed := rand.Uint64()
		t.Log("seed", seed)
		chance := rand.New(rand.NewPCG(seed, 0))
		alphabet := []string{"a", "b", "-", ".", "0", " ", "é", "~", "!"}
		name := func() string {
			n := "x"
			for range chance.IntN(3) {
				n += alphabet[chance.IntN(len(alphabet))]
			}
			return n + "y"
		}
		for range 300 {
			path := filepath.Join(p.dir, name(), name())
			os.MkdirAll(filepath.Dir(path), 0o755) // or a file of that name is there
			os.WriteFile(path, nil, 0o644)
			os.WriteFile(filepath.Join(p.dir, name()), nil, 0o644)
		}
		paths := walk(t, p, "", nil)
		if len(paths) < 50 || !slices.IsSorted(paths) {
			t.Errorf("%d paths, in this order:\n%s", len(paths), strings.Join(paths, "\n"))
		}
	})
}

// walk is the paths of all files, as the listings have them.
func walk(t *testing.T, p place, name string, paths []string) []string {
	t.Helper()
	infos, err := p.ReadDir(name)
	check(t, err)
	for _, info := range infos {
		path := strings.TrimPrefix(name+"/"+info.Name, "/")
		if info.Kind == volume.Folder {
			paths = walk(t, p, path, paths)
			continue
		}
		paths = append(paths, path)
	}
	return paths
}

func TestReadDirTellsWhatLstatTells(t *testing.T) {
	everywhere(t, func(t *testing.T, p place) {
		p.put(t, "Shoots/A001.raw", "12345")
		p.put(t, "Shoots/DCIM/x", "")
		check(t, p.SetTime("Shoots/A001.raw", noon))
		if p.links() {
			check(t, os.Symlink("A001.raw", filepath.Join(p.dir, "Shoots/link")))
		}
		infos, err := p.ReadDir("Shoots")
		check(t, err)
		for _, info := range infos {
			one, err := p.Lstat("Shoots/" + info.Name)
			check(t, err)
			if one != info && !one.Stat.MTime.Equal(info.Stat.MTime) {
				t.Errorf("%+v listed, %+v by itself", info, one)
			}
		}
		if a := infos[0]; a.Name != "A001.raw" || a.Kind != volume.Regular || a.Stat.Size != 5 || !a.Stat.MTime.Equal(noon) {
			t.Errorf("%+v", a)
		}
	})
}

func TestLargeFolder(t *testing.T) {
	const files = 100_000
	p := folder(t)
	for i := range files {
		f, err := os.Create(filepath.Join(p.dir, fmt.Sprintf("A%06d.raw", (i*7919)%files)))
		check(t, err)
		f.Close()
	}
	infos, err := p.ReadDir("")
	check(t, err)
	if len(infos) != files {
		t.Fatalf("%d listed", len(infos))
	}
	for i, info := range infos {
		if info.Name != fmt.Sprintf("A%06d.raw", i) {
			t.Fatalf("%d is %s", i, info.Name)
		}
	}
}

// Forgetting what was read disturbs no reading.
func TestForget(t *testing.T) {
	everywhere(t, func(t *testing.T, p place) {
		want := random(3<<20 + 77)
		p.make(t, "A001.mov", want)
		f, err := p.Open("A001.mov")
		check(t, err)
		defer f.Close()
		var got []byte
		for piece := make([]byte, 1<<20); ; f.Forget() {
			n, err := f.Read(piece)
			got = append(got, piece[:n]...)
			if err != nil {
				break
			}
		}
		again := make([]byte, 100)
		_, err = f.ReadAt(again, 1<<20)
		check(t, err)
		if string(got) != string(want) || string(again) != string(want[1<<20:1<<20+100]) {
			t.Errorf("%d bytes of %d read, or other ones", len(got), len(want))
		}
	})
}
