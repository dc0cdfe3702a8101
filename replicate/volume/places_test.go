package volume_test

import (
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"testing"

	"copyhold/replicate/volume"
	"copyhold/replicate/volume/volumetest/lab"
)

// place is a drive folder held open, on a file system of some kind.
type place struct {
	*volume.Drive
	dir  string
	real *lab.Drive // nil for a temporary folder
	lab  *lab.Lab
}

// everywhere runs a test in a temporary folder and on a drive of every kind.
func everywhere(t *testing.T, test func(t *testing.T, p place)) {
	t.Run("folder", func(t *testing.T) { test(t, folder(t)) })
	onDrives(t, test)
}

// onDrives runs a test on a drive of every kind.
func onDrives(t *testing.T, test func(t *testing.T, p place)) {
	for _, kind := range lab.Kinds() {
		t.Run(string(kind), func(t *testing.T) {
			t.Parallel()
			l := lab.New(t)
			d := l.Drive(kind, 0)
			dir := d.Plug()
			test(t, place{Drive: held(t, dir), dir: dir, real: d, lab: l})
		})
	}
}

func folder(t testing.TB) place {
	dir := t.TempDir()
	return place{Drive: held(t, dir), dir: dir}
}

func held(t testing.TB, dir string) *volume.Drive {
	t.Helper()
	d, err := volume.OpenDrive(dir)
	check(t, err)
	t.Cleanup(func() { d.Close() })
	return d
}

// links reports whether the place can hold links and pipes.
func (p place) links() bool { return p.real == nil || p.real.Kind() != lab.ExFAT }

// put writes a file past the volume, as another program would.
func (p place) put(t testing.TB, name, content string) {
	t.Helper()
	path := filepath.Join(p.dir, name)
	check(t, os.MkdirAll(filepath.Dir(path), 0o755))
	check(t, os.WriteFile(path, []byte(content), 0o644))
}

func (p place) holds(t testing.TB, name, want string) {
	t.Helper()
	got, err := os.ReadFile(filepath.Join(p.dir, name))
	check(t, err)
	if string(got) != want {
		t.Errorf("%s holds %q, want %q", name, got, want)
	}
}

// make writes a file through the volume and makes it last.
func (p place) make(t testing.TB, name string, content []byte) {
	t.Helper()
	s, err := p.Create(name)
	check(t, err)
	_, err = s.Write(content)
	check(t, errors.Join(err, s.Sync(), s.Close()))
}

// write is one attempt to write through the volume; it tells the first error.
func (p place) write(name string, content []byte) error {
	s, err := p.Create(name)
	if err != nil {
		return err
	}
	_, err = s.Write(content)
	if err == nil {
		err = s.Sync()
	}
	s.Close() // proves nothing
	return err
}

func readAll(t testing.TB, f volume.File, err error) []byte {
	t.Helper()
	check(t, err)
	defer f.Close()
	b, err := io.ReadAll(f)
	check(t, err)
	return b
}

// isEmpty fails the test if anything is in the folder.
func isEmpty(t testing.TB, dir string) {
	t.Helper()
	check(t, filepath.WalkDir(dir, func(path string, _ fs.DirEntry, err error) error {
		if path != dir {
			t.Errorf("%s is there", path)
		}
		return err
	}))
}

func check(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func wantIs(t testing.TB, what string, err, want error) {
	t.Helper()
	if !errors.Is(err, want) {
		t.Errorf("%s: %v, want %v", what, err, want)
	}
}
