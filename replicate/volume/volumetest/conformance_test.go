package volumetest_test

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"strings"
	"testing"
	"time"

	"copyhold/replicate/volume"
	"copyhold/replicate/volume/volumetest"
)

var noon = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)

// step is one call and what it must answer, on a drive as in memory.
type step struct {
	what string
	do   func(v volume.Volume) error
	want error // nil: it succeeds; errAny: it fails somehow
}

var errAny = errors.New("any error")

func create(name, content string) step {
	return step{"create " + name, func(v volume.Volume) error { return write(v, name, content) }, nil}
}

func rename(from, to string) step {
	return step{"rename " + from + " to " + to, func(v volume.Volume) error { return v.Rename(from, to) }, nil}
}

func replace(from, to string) step {
	return step{"replace " + from + " to " + to, func(v volume.Volume) error { return v.Replace(from, to) }, nil}
}

func remove(name string) step {
	return step{"remove " + name, func(v volume.Volume) error { return v.Remove(name) }, nil}
}

func syncDir(name string) step {
	return step{"sync " + name, func(v volume.Volume) error { return v.SyncDir(name) }, nil}
}

func setTime(name string) step {
	return step{"set the time of " + name, func(v volume.Volume) error { return v.SetTime(name, noon) }, nil}
}

func look(name string) step {
	return step{"look at " + name, func(v volume.Volume) error { _, err := v.Lstat(name); return err }, nil}
}

func list(name string) step {
	return step{"list " + name, func(v volume.Volume) error { _, err := v.ReadDir(name); return err }, nil}
}

// mkdir says which folders gain a name.
func mkdir(name string, gained ...string) step {
	return step{"make " + name, func(v volume.Volume) error {
		got, err := v.MkdirAll(name)
		if err == nil && strings.Join(got, "|") != strings.Join(gained, "|") {
			err = fmt.Errorf("gained %q, not %q", got, gained)
		}
		return err
	}, nil}
}

// holds reads a file in both ways.
func holds(name, want string) step {
	return step{"read " + name, func(v volume.Volume) error {
		for _, open := range []func(string) (volume.File, error){v.Open, v.OpenPastCache} {
			f, err := open(name)
			if err != nil {
				return err
			}
			got, err := io.ReadAll(f)
			if err = errors.Join(err, f.Close()); err == nil && string(got) != want {
				err = fmt.Errorf("%q, not %q", got, want)
			}
			if err != nil {
				return err
			}
		}
		return nil
	}, nil}
}

// listed compares a whole listing: kinds, order and sizes.
func listed(name, want string) step {
	return step{"listing of " + name, func(v volume.Volume) error {
		infos, err := v.ReadDir(name)
		var got []string
		for _, i := range infos {
			s := fmt.Sprintf("%s=%d", i.Name, i.Stat.Size)
			if i.Kind == volume.Folder {
				s = i.Name + "/"
			}
			got = append(got, s)
		}
		if err == nil && strings.Join(got, " ") != want {
			err = fmt.Errorf("%q, not %q", got, want)
		}
		return err
	}, nil}
}

func (s step) fails(want error) step {
	s.want = want
	return s
}

func write(v volume.Volume, name, content string) error {
	s, err := v.Create(name)
	if err != nil {
		return err
	}
	_, err = io.WriteString(s, content)
	return errors.Join(err, v.Sync([]volume.Sink{s}), s.Close())
}

var stories = map[string][]step{
	"create": {
		create("A", "first"), holds("A", "first"),
		create("A", "second").fails(fs.ErrExist), holds("A", "first"),
		mkdir("folder", ""), create("folder", "").fails(fs.ErrExist),
		create("missing/A", "").fails(fs.ErrNotExist),
		create("A/below", "").fails(volume.ErrBlocked),
		create(strings.Repeat("n", 256), "").fails(volume.ErrName),
		create("empty", ""), holds("empty", ""),
		listed("", "A=5 empty=0 folder/"),
	},
	"folders": {
		create("file", ""),
		mkdir(""), mkdir("a", ""), mkdir("a"), mkdir("b/c/d", "", "b", "b/c"), mkdir("b/c/e", "b/c"),
		mkdir("file").fails(volume.ErrBlocked), mkdir("file/below").fails(volume.ErrBlocked), mkdir("file/far/below").fails(volume.ErrBlocked),
		syncDir(""), syncDir("b/c"), syncDir("missing").fails(fs.ErrNotExist), syncDir("file").fails(volume.ErrBlocked),
		remove("b/c").fails(volume.ErrBlocked), remove("b/c/d"), remove("b/c/d").fails(fs.ErrNotExist),
		listed("b/c", "e/"),
	},
	"rename never replaces": {
		create("new", "new"), mkdir("Shoots/empty", "", "Shoots"), create("Shoots/file", "old"), mkdir("folder", ""),
		rename("new", "Shoots/file").fails(fs.ErrExist), rename("new", "Shoots/empty").fails(fs.ErrExist), rename("new", "new").fails(fs.ErrExist),
		rename("folder", "Shoots/file").fails(fs.ErrExist), rename("folder", "Shoots/empty").fails(fs.ErrExist),
		rename("missing", "x").fails(fs.ErrNotExist), rename("new", "missing/x").fails(fs.ErrNotExist), rename("missing/x", "y").fails(fs.ErrNotExist),
		rename("new", "Shoots/file/x").fails(volume.ErrBlocked), rename("folder", "folder/x").fails(errAny),
		holds("new", "new"), holds("Shoots/file", "old"),
		rename("new", "Shoots/newer"), holds("Shoots/newer", "new"), look("new").fails(fs.ErrNotExist),
		rename("Shoots", "folder/older"), holds("folder/older/newer", "new"),
		listed("folder/older", "empty/ file=3 newer=3"),
	},
	"replace below .copyhold only": {
		mkdir(".copyhold/partial", "", ".copyhold"), create(".copyhold/drive.json", "old"), create(".copyhold/partial/1", "new"),
		create(".copyhold/partial/2", "newer"), create("A", "safe"),
		replace(".copyhold/partial/1", "A").fails(fs.ErrExist), replace(".copyhold/partial/1", ".copyhold").fails(fs.ErrExist),
		replace(".copyhold/partial/1", ".copyholder").fails(fs.ErrExist), replace(".copyhold/partial/1", ".copyhold/../A").fails(errAny),
		replace(".copyhold/missing", ".copyhold/drive.json").fails(fs.ErrNotExist),
		replace(".copyhold/partial/1", ".copyhold/missing/x").fails(fs.ErrNotExist),
		replace(".copyhold/partial/1", ".copyhold/drive.json"), holds(".copyhold/drive.json", "new"), holds("A", "safe"),
		replace(".copyhold/partial/2", ".copyhold/fresh.json"), holds(".copyhold/fresh.json", "newer"),
		listed(".copyhold/partial", ""),
	},
	"what stands there": {
		mkdir("folder", ""), create("file", "12345"), create("folder/in", ""),
		list("file").fails(volume.ErrBlocked), list("missing").fails(fs.ErrNotExist),
		holds("folder", "").fails(volume.ErrNotRegular), holds("missing", "").fails(fs.ErrNotExist), holds("file/x", "").fails(errAny),
		look("file"), look("folder"), look(""), look("missing").fails(fs.ErrNotExist), look("file/x").fails(volume.ErrBlocked),
		look("missing/x").fails(fs.ErrNotExist), setTime("missing").fails(fs.ErrNotExist), remove("missing").fails(fs.ErrNotExist),
		{"time", func(v volume.Volume) error {
			err := v.SetTime("file", noon)
			info, look := v.Lstat("file")
			if err = errors.Join(err, look); err == nil && (!info.Stat.MTime.Equal(noon) || info.Stat.Size != 5 || info.Name != "file" || info.Kind != volume.Regular) {
				err = fmt.Errorf("%+v", info)
			}
			return err
		}, nil},
	},
	"order of listings": {
		mkdir("a", ""), create("a.b", ""), create("a-b", ""), create("a0", ""), mkdir("A", ""), create("é", ""), create("~", ""), create("a b", ""),
		listed("", "A/ a b=0 a-b=0 a.b=0 a/ a0=0 ~=0 é=0"),
	},
	"names that lead out": {
		create("../x", "").fails(errAny), create("/x", "").fails(errAny), create("a/../../x", "").fails(errAny),
		mkdir("../x").fails(errAny), rename("../x", "y").fails(errAny), remove("../x").fails(errAny), list("..").fails(errAny),
		look("../x").fails(errAny), syncDir("..").fails(errAny), setTime("../x").fails(errAny), listed("", ""),
	},
	"open files": {
		create("A", "0123456789"),
		{"read in pieces and anywhere", readAnywhere, nil},
		{"read what has no name any more", readNameless, nil},
		{"a closed sink", closedSink, fs.ErrClosed},
		{"a closed file", closedFile, fs.ErrClosed},
		{"room", func(v volume.Volume) error {
			room, err := v.Room()
			if err == nil && (room.Free <= 0 || room.Size < room.Free) {
				err = fmt.Errorf("%+v", room)
			}
			return err
		}, nil},
		{"same", func(v volume.Volume) error { return v.Same() }, nil},
		{"a closed drive", func(v volume.Volume) error {
			if err := v.Close(); err != nil {
				return err
			}
			_, err := v.Lstat("A")
			return err
		}, fs.ErrClosed},
	},
}

func readAnywhere(v volume.Volume) error {
	f, err := v.Open("A")
	if err != nil {
		return err
	}
	defer f.Close()
	p := make([]byte, 4)
	n, err := f.ReadAt(p, 8)
	if n != 2 || err != io.EOF || string(p[:2]) != "89" {
		return fmt.Errorf("at 8: %q, %v", p[:n], err)
	}
	if n, err = f.ReadAt(p, 99); n != 0 || err != io.EOF {
		return fmt.Errorf("beyond the end: %d, %v", n, err)
	}
	if n, err = f.ReadAt(p, 3); n != 4 || err != nil || string(p) != "3456" {
		return fmt.Errorf("at 3: %q, %v", p[:n], err)
	}
	if n, err = io.ReadFull(f, p); err != nil || string(p) != "0123" {
		return fmt.Errorf("in sequence: %q, %v", p[:n], err)
	}
	info, err := f.Stat()
	if err == nil && (info.Name != "A" || info.Stat.Size != 10) {
		err = fmt.Errorf("%+v", info)
	}
	f.Forget()
	return err
}

func readNameless(v volume.Volume) error {
	if err := write(v, "gone", "still"); err != nil {
		return err
	}
	f, err := v.Open("gone")
	if err != nil {
		return err
	}
	defer f.Close()
	if err := v.Remove("gone"); err != nil {
		return err
	}
	b, err := io.ReadAll(f)
	if err == nil && string(b) != "still" {
		err = fmt.Errorf("%q", b)
	}
	return err
}

func closedSink(v volume.Volume) error {
	s, err := v.Create("closed")
	if err != nil {
		return err
	}
	s.Forget()
	if err := s.Close(); err != nil {
		return err
	}
	if s.Close() == nil || s.Sync() == nil {
		return errors.New("closed twice, or synced when closed")
	}
	_, err = s.Write([]byte("x"))
	return err
}

func closedFile(v volume.Volume) error {
	f, err := v.Open("A")
	if err != nil {
		return err
	}
	if err := f.Close(); err != nil {
		return err
	}
	_, err = f.Read(make([]byte, 1))
	return err
}

// A Mem and a drive tell the same stories.
func TestConformance(t *testing.T) {
	for name, story := range stories {
		t.Run(name, func(t *testing.T) {
			t.Run("memory", func(t *testing.T) { tell(t, story, volumetest.New(volumetest.Options{})) })
			t.Run("drive", func(t *testing.T) {
				d, err := volume.OpenDrive(t.TempDir())
				if err != nil {
					t.Fatal(err)
				}
				defer d.Close()
				tell(t, story, d)
			})
		})
	}
}

func tell(t *testing.T, story []step, v volume.Volume) {
	for _, s := range story {
		err := s.do(v)
		switch {
		case s.want == errAny && err != nil, errors.Is(err, s.want):
		default:
			t.Errorf("%s: %v, want %v", s.what, err, s.want)
		}
	}
}
