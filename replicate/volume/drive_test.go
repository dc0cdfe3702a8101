package volume_test

import (
	"bytes"
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"copyhold/replicate/volume"
	"copyhold/replicate/volume/volumetest/lab"
)

// P3: a name that is taken stays as it is, whatever has it.
func TestRenameNeverReplaces(t *testing.T) {
	everywhere(t, func(t *testing.T, p place) {
		p.put(t, "new", "new")
		p.put(t, "Shoots/file", "old")
		p.put(t, "Shoots/full/file", "old")
		check(t, os.MkdirAll(filepath.Join(p.dir, "Shoots/empty"), 0o755))
		check(t, os.MkdirAll(filepath.Join(p.dir, "folder"), 0o755))
		taken := []string{"Shoots/file", "Shoots/full", "Shoots/empty", "new"}
		if p.links() {
			check(t, os.Symlink("nowhere", filepath.Join(p.dir, "Shoots/link")))
			taken = append(taken, "Shoots/link")
		}
		for _, to := range taken {
			for _, from := range []string{"new", "folder"} {
				if from != to {
					wantIs(t, from+" to "+to, p.Rename(from, to), fs.ErrExist)
				}
			}
		}
		p.holds(t, "new", "new")
		p.holds(t, "Shoots/file", "old")
		p.holds(t, "Shoots/full/file", "old")
	})
}

func TestRename(t *testing.T) {
	everywhere(t, func(t *testing.T, p place) {
		p.put(t, ".copyhold/partial/1", "first")
		p.put(t, "Shoots/old/file", "old")
		check(t, p.Rename(".copyhold/partial/1", "Shoots/A001.raw"))
		check(t, p.Rename("Shoots/old", "Shoots/older"))
		p.holds(t, "Shoots/A001.raw", "first")
		p.holds(t, "Shoots/older/file", "old")
		wantIs(t, "a missing file", p.Rename(".copyhold/partial/1", "Shoots/x"), fs.ErrNotExist)
		wantIs(t, "to a missing folder", p.Rename("Shoots/A001.raw", "Missing/x"), fs.ErrNotExist)
	})
}

func TestReplaceIsForOwnRecordsOnly(t *testing.T) {
	everywhere(t, func(t *testing.T, p place) {
		p.put(t, "Shoots/A001.raw", "old")
		p.put(t, ".copyhold/drive.json", "old")
		p.put(t, ".copyhold/partial/1", "new")
		for _, to := range []string{
			"Shoots/A001.raw", ".copyhold", ".copyhold/../Shoots/A001.raw", ".copyholder", "./.copyhold/x",
		} {
			if p.Replace(".copyhold/partial/1", to) == nil {
				t.Errorf("%s was replaced", to)
			}
		}
		p.holds(t, "Shoots/A001.raw", "old")
		check(t, p.Replace(".copyhold/partial/1", ".copyhold/drive.json"))
		p.holds(t, ".copyhold/drive.json", "new")
	})
}

func TestMkdirAll(t *testing.T) {
	everywhere(t, func(t *testing.T, p place) {
		p.put(t, "file", "")
		for _, step := range []struct {
			name   string
			gained []string
		}{
			{"", nil},
			{"a", []string{""}},
			{"a", nil},
			{"b/c/d", []string{"", "b", "b/c"}},
			{"b/c/e", []string{"b/c"}},
		} {
			gained, err := p.MkdirAll(step.name)
			check(t, err)
			if !slices.Equal(gained, step.gained) {
				t.Errorf("%q gained %q, want %q", step.name, gained, step.gained)
			}
			for _, folder := range gained {
				check(t, p.SyncDir(folder))
			}
		}
		for _, name := range []string{"file", "file/below", "file/far/below"} {
			_, err := p.MkdirAll(name)
			wantIs(t, name, err, volume.ErrBlocked)
		}
	})
}

func TestCreate(t *testing.T) {
	everywhere(t, func(t *testing.T, p place) {
		p.make(t, "x", []byte("first"))
		_, err := p.Create("x")
		wantIs(t, "a second time", err, fs.ErrExist)
		_, err = p.Create("missing/x")
		wantIs(t, "in a missing folder", err, fs.ErrNotExist)
		_, err = p.Create("x/y")
		wantIs(t, "in a file", err, volume.ErrBlocked)
		p.holds(t, "x", "first")
		f, err := p.OpenPastCache("x")
		if got := readAll(t, f, err); string(got) != "first" {
			t.Errorf("read back %q", got)
		}
	})
}

// P7: no name leads out of the folder, whatever is asked of it.
func TestNamesThatLeadOut(t *testing.T) {
	everywhere(t, func(t *testing.T, p place) {
		outside := t.TempDir()
		victim := filepath.Join(outside, "victim")
		check(t, os.WriteFile(victim, []byte("safe"), 0o644))
		up, err := filepath.Rel(p.dir, outside)
		check(t, err)
		p.put(t, ".copyhold/own", "own")
		names := []string{"..", "../x", outside, outside + "/x", up + "/victim", up + "/x", "a/" + up + "/x"}
		for _, name := range names {
			for what, err := range p.changeAll(name) {
				if err == nil {
					t.Errorf("%s %q was done", what, name)
				}
			}
		}
		if b, err := os.ReadFile(victim); err != nil || string(b) != "safe" {
			t.Errorf("outside: %q, %v", b, err)
		}
		if left, _ := os.ReadDir(outside); len(left) != 1 {
			t.Errorf("outside: %v", left)
		}
		p.holds(t, ".copyhold/own", "own")
	})
}

// changeAll tries every call that changes something on one name.
func (p place) changeAll(name string) map[string]error {
	_, made := p.MkdirAll(name + "/new")
	_, listed := p.ReadDir(name)
	_, opened := p.Open(name)
	return map[string]error{
		"create":         p.write(name, []byte("x")),
		"create in":      p.write(name+"/new.raw", []byte("x")),
		"make folder in": made,
		"rename to":      p.Rename(".copyhold/own", name),
		"rename into":    p.Rename(".copyhold/own", name+"/new.raw"),
		"rename from":    p.Rename(name, ".copyhold/gone"),
		"replace from":   p.Replace(name, ".copyhold/own"),
		"remove":         p.Remove(name + "/victim"),
		"sync":           p.SyncDir(name),
		"set time":       p.SetTime(name, noon),
		"list":           listed,
		"open":           opened,
	}
}

// P7: what was held stays held when the path leads elsewhere, and nothing that is
// written afterwards shows up at the path.
func TestGone(t *testing.T) {
	ways := map[string]func(t *testing.T, p place){
		"unplugged lazily": func(_ *testing.T, p place) { p.real.LazyUnplug() },
		"pulled":           func(_ *testing.T, p place) { p.real.Pull() },
		"other drive there": func(_ *testing.T, p place) {
			p.real.LazyUnplug()
			p.lab.Drive(lab.Ext4, 0).PlugAt(p.dir)
		},
		"other drive over it": func(_ *testing.T, p place) { p.lab.Drive(lab.Ext4, 0).PlugAt(p.dir) },
	}
	for way, leave := range ways {
		t.Run(way, func(t *testing.T) {
			onDrives(t, func(t *testing.T, p place) {
				p.put(t, ".copyhold/own", "own")
				check(t, p.Same())
				leave(t, p)
				wantIs(t, "same", p.Same(), volume.ErrLost)
				wantIs(t, "rename", p.Rename(".copyhold/own", ".copyhold/new"), volume.ErrLost)
				wantIs(t, "replace", p.Replace(".copyhold/own", ".copyhold/new"), volume.ErrLost)
				p.write("A001.raw", []byte("x")) // may be done, on the drive that is held
				p.MkdirAll("Shoots/new")
				if left, _ := filepath.Glob(filepath.Join(p.dir, "[A-Z]*")); len(left) != 0 {
					t.Errorf("at the path: %v", left)
				}
				if way == "unplugged lazily" || way == "pulled" {
					isEmpty(t, p.dir)
				}
				p.Close() // or the lab finds the drive held
			})
		})
	}
}

func TestFolderReplaced(t *testing.T) {
	p := folder(t)
	check(t, os.Rename(p.dir, p.dir+".away"))
	if !errors.Is(p.Same(), fs.ErrNotExist) {
		t.Errorf("moved away: %v", p.Same())
	}
	check(t, os.Mkdir(p.dir, 0o755))
	wantIs(t, "another folder", p.Same(), volume.ErrLost)
	check(t, os.Remove(p.dir))
	check(t, os.Rename(p.dir+".away", p.dir))
	check(t, p.Same())
}

func TestConditions(t *testing.T) {
	onDrives(t, func(t *testing.T, p place) {
		long := repeat("n", 256)
		wantIs(t, "a long name", p.write(long, nil), volume.ErrName)
		p.make(t, "A001.raw", random(1<<20))
		p.real.Fill(1 << 20)
		wantIs(t, "a full drive", p.write("large", random(8<<20)), volume.ErrFull)
		check(t, p.Remove("large"))
		p.real.Unfill()
		room, err := p.Room()
		check(t, err)
		if room.Free != p.real.Free() || room.Size < room.Free {
			t.Errorf("room %+v, the system says %d free", room, p.real.Free())
		}
		p.Close() // or the system does not turn it read-only
		p.real.Remount(true)
		p.Drive = held(t, p.dir)
		_, made := p.MkdirAll("Shoots")
		for what, err := range map[string]error{
			"create": p.write("x", nil), "make folder": made, "remove": p.Remove("A001.raw"),
			"rename": p.Rename("A001.raw", "x"), "set time": p.SetTime("A001.raw", noon),
		} {
			wantIs(t, what+" read-only", err, volume.ErrReadOnly)
		}
	})
}

// A device that is gone may go on taking writes; the sync tells.
func TestLost(t *testing.T) {
	onDrives(t, func(t *testing.T, p place) {
		p.make(t, "A001.raw", random(1<<20))
		s, err := p.Create("x")
		check(t, err)
		p.real.Cut()
		_, err = s.Write(random(1 << 20))
		if err == nil {
			err = s.Sync()
		}
		wantIs(t, "sync", err, volume.ErrLost)
		s.Close() // it says what it likes
		f, err := p.OpenPastCache("A001.raw")
		if err == nil {
			var b []byte
			b, err = io.ReadAll(f)
			f.Close()
			if p.real.Kind() == lab.ExFAT && !bytes.Equal(b, random(1<<20)) {
				return // its server takes the end of the device for zeros
			}
		}
		wantIs(t, "read", err, volume.ErrLost)
	})
}

// Names that exFAT has no form for are refused: none is stored as something else.
func TestExFATRefusesNames(t *testing.T) {
	l := lab.New(t)
	dir := l.Drive(lab.ExFAT, 0).Plug()
	p := place{Drive: held(t, dir), dir: dir}
	wantIs(t, "no UTF-8", p.write("\xff.raw", nil), volume.ErrName)
	for _, name := range []string{"a:b", "a?b", "a\nb"} {
		wantIs(t, name, p.write(name, nil), fs.ErrNotExist) // so says the server
	}
	isEmpty(t, dir)
	p.make(t, repeat("灯", 255), nil) // 255 units of UTF-16, 765 bytes
	wantIs(t, "256 units", p.write(repeat("灯", 256), nil), volume.ErrName)
}
