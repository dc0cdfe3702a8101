package transfer

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"sync/atomic"
	"testing"

	"copyhold/replicate"
	"copyhold/replicate/lists"
	"copyhold/replicate/volume"
	"copyhold/replicate/volume/volumetest/lab"
)

func TestPrepare(t *testing.T) {
	onDrives(t, func(t *testing.T, w *world, h *hooked, d *lab.Drive) {
		write(t, filepath.Join(h.dir, lists.PartialDir, "0123456789abcdef"), random(5000, 1))
		write(t, filepath.Join(h.dir, lists.PartialDir, "folder/of somebody"), []byte("safe"))
		write(t, h.stored("A001.mov"), []byte("safe"))
		check(t, Prepare(h))
		left, err := os.ReadDir(filepath.Join(h.dir, lists.PartialDir))
		check(t, err)
		if len(left) != 1 || left[0].Name() != "folder" {
			t.Errorf("left: %v", left)
		}
		h.keeps(t, "A001.mov", []byte("safe"))
		d.LazyUnplug()
		if err := Prepare(h); !errors.Is(err, volume.ErrLost) {
			t.Errorf("on a drive that is gone: %v", err)
		}
		if left, _ := os.ReadDir(h.dir); len(left) > 0 {
			t.Errorf("in the empty mount point: %v", left) // P7
		}
		h.Close()
	})
}

// P7: partials are cleared from the drive itself, never from where a link leads.
func TestPrepareNotThroughLinks(t *testing.T) {
	for _, link := range []string{lists.Dir, lists.PartialDir} {
		t.Run(link, func(t *testing.T) {
			dir := t.TempDir()
			write(t, filepath.Join(dir, "Shoots/partial/A001.mov"), []byte("safe"))
			to := "Shoots"
			if link == lists.PartialDir {
				check(t, os.Mkdir(filepath.Join(dir, lists.Dir), 0o755))
				to = "../Shoots/partial"
			}
			check(t, os.Symlink(to, filepath.Join(dir, link)))
			d, err := volume.OpenDrive(dir)
			check(t, err)
			defer d.Close()
			if err := Prepare(d); !errors.Is(err, volume.ErrBlocked) {
				t.Error(err)
			}
			if b, err := os.ReadFile(filepath.Join(dir, "Shoots/partial/A001.mov")); string(b) != "safe" {
				t.Errorf("%q, %v", b, err)
			}
		})
	}
}

func TestIdentityOnADrive(t *testing.T) {
	onDrives(t, func(t *testing.T, _ *world, h *hooked, d *lab.Drive) {
		want := lists.Identity{
			Format: 1, ID: lists.NewID([16]byte{7}), Name: "Slate", Place: replicate.Home,
			Created: taken, Traits: replicate.Traits{Probed: true, MaxName: 255},
		}
		for _, name := range []string{"Attic", "Slate"} {
			want.Name = name
			check(t, WriteIdentity(h, want))
			h.tidy(t)
		}
		h.Close() // or it cannot be pulled and plugged in
		d.Pull()
		got, err := ReadIdentity(back(t, d))
		check(t, err)
		if got != want {
			t.Errorf("%+v, want %+v", got, want)
		}
	})
}

// A record is the old one or the new one, whichever call fails.
func TestWriteRecordFailEverywhere(t *testing.T) {
	const name = lists.ListsDir + "/Shoots/a.json"
	for try := 1; ; try++ {
		_, h := folderWorld(t)
		check(t, WriteRecord(h, name, []byte("old")))
		var calls atomic.Int32
		var failed string
		h.hook = func(op, name string) error {
			if op != "remove" && int(calls.Add(1)) == try {
				failed = op
				return errors.New("no luck")
			}
			return nil
		}
		err := WriteRecord(h, name, []byte("new"))
		got, readErr := ReadRecord(h, name)
		check(t, readErr)
		if s := string(got); s != "new" && (err == nil || s != "old") {
			t.Errorf("%s failed (%v): the record is %q", failed, err, s)
		}
		if (err != nil) != (failed != "") {
			t.Errorf("%q failed: %v", failed, err)
		}
		h.tidy(t)
		if failed == "" {
			t.Logf("%d calls", try-1)
			return
		}
	}
}

func TestReadRecordRefusesWhatIsTooLarge(t *testing.T) {
	_, h := folderWorld(t)
	path := filepath.Join(h.dir, lists.Dir, "huge.json")
	write(t, path, nil)
	check(t, os.Truncate(path, largestRecord+1))
	if _, err := ReadRecord(h, lists.Dir+"/huge.json"); err == nil {
		t.Error("it was read")
	}
	if _, err := ReadRecord(h, lists.Dir+"/missing.json"); !errors.Is(err, fs.ErrNotExist) {
		t.Error(err)
	}
}
