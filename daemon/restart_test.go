package daemon

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	bolt "go.etcd.io/bbolt"

	"copyhold/daemon/api"
	"copyhold/replicate/volume/volumetest/lab"
	"copyhold/state"
)

// in finds a shoot in a status.
func in(s api.Status, name string) api.Shoot {
	for _, shoot := range s.Shoots {
		if shoot.Name == name {
			return shoot
		}
	}
	return api.Shoot{}
}

// What an absent drive lacks is remembered over restarts, and caught up with
// when the drive returns.
func TestAbsentDriveCatchesUp(t *testing.T) {
	t.Parallel()
	l := lab.New(t)
	d := l.Drive(lab.Ext4, 60)
	b := newBench(t)
	b.start()
	b.adopt(d.Plug(), "Slate")
	files := b.others()
	b.until("held", allHeld(files))
	d.Unplug()
	b.until("away", func(s api.Status) bool { return !s.Drives[0].Online })
	for i := range 3 {
		b.write(fmt.Sprintf("2026-03-03 Tern Island/TERN%04d.JPG", i), 1000)
		b.until("wanted", func(s api.Status) bool { return s.Drives[0].WantedFiles == int64(i+1) })
		b.end()
		b.start()
		s := b.until("still wanted", func(s api.Status) bool { return s.Drives[0].WantedFiles == int64(i+1) })
		if s.Drives[0].Online || s.Drives[0].Copies != files || s.Drives[0].LastSeen.IsZero() || s.Drives[0].SafeToUnplug {
			t.Errorf("after a restart the absent drive is shown as %+v", s.Drives[0])
		}
	}
	if shoot := in(b.status(), "2026-03-03 Tern Island"); shoot.Standing != "one copy" || shoot.Copies != 1 {
		t.Errorf("a shoot that only the working drive has is %+v", shoot)
	}
	d.PlugAt(filepath.Join(l.Media(), "elsewhere"))
	b.until("it catches up", allHeld(files+3))
	b.end()
	b.checkDrive(d.Path())
}

// What happens while the daemon does not run is found at its next start.
func TestWhileItDidNotRun(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	drive := t.TempDir()
	b.start()
	b.adopt(drive, "Slate")
	files := b.others()
	b.until("held", allHeld(files))
	b.end()
	b.write("2026-03-03 Tern Island/TERN0001.JPG", 1000)
	b.write("2026-03-02 Tern Island/Stills/TERN0000.JPG", 1234)
	if err := os.Remove(filepath.Join(b.working, "2026-03-02 Tern Island/Stills/TERN0001.JPG")); err != nil {
		t.Fatal(err)
	}
	b.start()
	b.until("all is found", func(s api.Status) bool {
		return s.Working[0].Files == files && s.Drives[0].Copies == files && s.Drives[0].WantedFiles == 0 && s.Drives[0].SafeToUnplug
	})
	b.checkKeptAndLetGo(drive, "2026-03-02 Tern Island/Stills/TERN0000.JPG", "2026-03-02 Tern Island/Stills/TERN0001.JPG")
}

// A changed file's earlier content is kept; a deleted file is let go and stays.
func TestChangedAndDeleted(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench, drive string) {
		files := b.others()
		b.until("held", allHeld(files))
		const changed, deleted = "2026-03-02 Tern Island/Stills/TERN0000.JPG", "2026-03-02 Tern Island/Stills/TERN0001.JPG"
		before := sumOf(t, filepath.Join(b.working, changed))
		b.write(changed, 60_000)
		if err := os.Remove(filepath.Join(b.working, deleted)); err != nil {
			t.Fatal(err)
		}
		now := sumOf(t, filepath.Join(b.working, changed))
		b.until("the new content is held", func(s api.Status) bool {
			return s.Working[0].Files == files-1 && s.Drives[0].Copies == files-1 && s.Drives[0].WantedFiles == 0 &&
				s.Drives[0].SafeToUnplug && holdings(t, drive)["Shoots/"+changed] == now
		})
		b.checkKeptAndLetGo(drive, changed, deleted)
		kept, _ := filepath.Glob(filepath.Join(drive, ".copyhold/kept/*/Shoots", changed))
		if len(kept) != 1 || sumOf(t, kept[0]) != before {
			t.Errorf("the earlier content is not kept: %v", kept)
		}
	})
}

// checkKeptAndLetGo: one file was changed and one deleted. Both contents of the
// one and the content of the other are on the drive. (P3)
func (b *bench) checkKeptAndLetGo(drive, changed, deleted string) {
	b.t.Helper()
	held := holdings(b.t, drive)
	if held["Shoots/"+changed] != sumOf(b.t, filepath.Join(b.working, changed)) {
		b.t.Error("the drive does not hold the new content")
	}
	if held["Shoots/"+deleted] == "" {
		b.t.Error("what was deleted in the working folder was deleted on the drive")
	}
	kept, _ := filepath.Glob(filepath.Join(drive, ".copyhold/kept/*/Shoots", changed))
	if len(kept) != 1 {
		b.t.Errorf("kept are %v, want one earlier version", kept)
	}
	shoot, err := b.client.Shoot(b.t.Context(), "2026-03-02 Tern Island")
	if err != nil || shoot.LetGo != 1 {
		b.t.Errorf("%d files are let go, want 1 (%v)", shoot.LetGo, err)
	}
}

// A shoot that leaves the working folder whole is archived: still counted, on
// its backups.
func TestArchived(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.start()
	slate, attic := t.TempDir(), t.TempDir()
	b.adopt(slate, "Slate")
	b.adopt(attic, "Attic")
	files := b.others()
	b.write("2026-03-03 Tern Island/TERN0001.JPG", 1000)
	b.until("held", allHeld(files+1))
	if err := os.Rename(filepath.Join(b.working, "2026-03-02 Tern Island"), filepath.Join(t.TempDir(), "moved")); err != nil {
		t.Fatal(err)
	}
	s := b.until("archived", func(s api.Status) bool { return in(s, "2026-03-02 Tern Island").Archived })
	shoot := in(s, "2026-03-02 Tern Island")
	if shoot.Files != files || shoot.Copies != 2 || shoot.Standing != "covered" || !slices.Equal(shoot.On, []string{"Slate", "Attic"}) {
		t.Errorf("an archived shoot is %+v", shoot)
	}
	if got := len(holdings(t, slate)); got != int(files)+1 {
		t.Errorf("%d files are on the drive, want %d", got, files+1)
	}
	b.end()
	b.start()
	if shoot := in(b.status(), "2026-03-02 Tern Island"); !shoot.Archived || shoot.Copies != 2 {
		t.Errorf("after a restart it is %+v", shoot)
	}
	if got := sums(t, slate); got != int(files)+1 {
		t.Errorf("b3sum found %d files OK, want %d", got, files+1)
	}
}

// A working drive that goes takes nothing with it: nothing is let go, nothing
// archived, be it that the daemon sees it go or starts without it.
func TestWorkingDriveGoes(t *testing.T) {
	for way, leave := range map[string]func(*lab.Drive){
		"unmounted": (*lab.Drive).Unplug, "unmounted lazily": (*lab.Drive).LazyUnplug, "torn out": (*lab.Drive).Pull,
	} {
		for _, folder := range []string{"", "Shoots"} { // the mount itself, or a folder on it
			t.Run(way+" "+folder, func(t *testing.T) {
				t.Parallel()
				workingDriveGoes(t, leave, folder)
			})
		}
	}
}

func workingDriveGoes(t *testing.T, leave func(*lab.Drive), folder string) {
	l := lab.New(t)
	work, d := l.Drive(lab.Ext4, 60), l.Drive(lab.Ext4, 60)
	b := newBench(t)
	b.working = filepath.Join(work.Plug(), folder)
	b.cfg.Working[0].Folder = b.working
	files := b.others()
	b.write("loose.txt", 100)
	files++
	syncAll(t, b.working)
	b.start()
	b.adopt(d.Plug(), "Slate")
	b.until("held", allHeld(files))
	leave(work)
	asBefore := func(s api.Status) bool {
		shoot := in(s, "2026-03-02 Tern Island")
		return !s.Working[0].Online && !s.Working[0].Scanning && shoot.Files == files-1 && !shoot.Archived && s.Working[0].Files == files
	}
	b.until("the working folder is away and all is as before", asBefore)
	b.told("working-away", `"Shoots"`, "nothing on the drives changes", b.working)
	b.end()
	b.start()
	s := b.until("the same after a restart", asBefore)
	if s.Drives[0].Copies != files || s.Drives[0].WantedFiles != 0 {
		t.Errorf("the drive is shown as %+v", s.Drives[0])
	}
	shoot, err := b.client.Shoot(t.Context(), "2026-03-02 Tern Island")
	if err != nil || shoot.LetGo != 0 {
		t.Errorf("%d files were let go (%v)", shoot.LetGo, err)
	}
	work.Plug()
	b.until("it is back", func(s api.Status) bool { return s.Working[0].Online })
	b.write("2026-03-02 Tern Island/Stills/TERN0100.JPG", 1000)
	b.until("work goes on", allHeld(files+1))
	b.end()
	sub := b.working
	if got := holdings(t, d.Path()); len(got) != len(holdings(t, sub)) {
		t.Errorf("%d files are on the drive, %d in the working folder", len(got), len(holdings(t, sub)))
	}
	if got := sums(t, d.Path()); got != int(files)+1 {
		t.Errorf("b3sum found %d files OK, want %d", got, files+1)
	}
}

// syncAll makes what lies on a drive outlive its being torn out.
func syncAll(t *testing.T, folder string) {
	t.Helper()
	err := filepath.WalkDir(folder, func(path string, e fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		f, err := os.Open(path)
		if err == nil {
			err = errors.Join(f.Sync(), f.Close())
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
}

// Two folders of one device are one device; so is a folder on the working
// drive's device. Only --separate counts them apart. (P8)
func TestOneDeviceCountsOnce(t *testing.T) {
	t.Parallel()
	l := lab.New(t)
	work, d := l.Drive(lab.Ext4, 60), l.Drive(lab.Ext4, 60)
	b := newBench(t)
	b.working = filepath.Join(work.Plug(), "Shoots")
	b.cfg.Working[0].Folder = b.working
	b.cfg.Policy.Copies = 3
	files := b.others()
	d.Plug()
	b.start()
	add := func(path, name string, separate bool) {
		t.Helper()
		if err := os.MkdirAll(path, 0o755); err != nil {
			t.Fatal(err)
		}
		if _, err := b.client.AddDrive(t.Context(), api.AddDrive{Path: path, Name: name, Separate: separate}); err != nil {
			t.Fatal(err)
		}
	}
	copies := func(want int, standing string) {
		t.Helper()
		s := b.until("held", allHeld(files))
		if shoot := in(s, "2026-03-02 Tern Island"); shoot.Copies != want || shoot.Standing != standing {
			t.Errorf("with %d drives: %d copies, %s; want %d, %s", len(s.Drives), shoot.Copies, shoot.Standing, want, standing)
		}
	}
	add(filepath.Join(work.Path(), "Copies"), "Beside", false)
	copies(1, "one copy") // the working drive's own device
	add(filepath.Join(d.Path(), "A"), "A", false)
	copies(2, "short")
	add(filepath.Join(d.Path(), "B"), "B", false)
	copies(2, "short") // the device of A
	s := b.status()
	if !slices.Equal(s.Drives[0].SharesWith, []string{"Shoots"}) || !slices.Equal(s.Drives[1].SharesWith, []string{"B"}) {
		t.Errorf("devices are shared with %v, %v, %v", s.Drives[0].SharesWith, s.Drives[1].SharesWith, s.Drives[2].SharesWith)
	}
	add(filepath.Join(d.Path(), "C"), "C", true)
	copies(3, "covered")
	b.end()
	d.Unplug()
	b.start()
	s = b.until("away", func(s api.Status) bool { return !s.Drives[1].Online && s.Working[0].Online })
	if shoot := in(s, "2026-03-02 Tern Island"); shoot.Copies != 3 {
		t.Errorf("what was learned of devices is forgotten while they are away: %d copies", shoot.Copies)
	}
}

func TestOnlyOneRuns(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.start()
	err := Run(t.Context(), Options{Config: b.cfg, StateDir: b.state, Log: slog.New(slog.DiscardHandler)})
	var fault *api.Fault
	if !errors.As(err, &fault) || fault.Do == "" || !strings.Contains(fault.What, "already running") {
		t.Errorf("a second daemon ended with %v", err)
	}
	if s := b.status(); !s.Daemon.Running {
		t.Error("the first one does not answer any more")
	}
}

func TestPauseAndResume(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	drive := t.TempDir()
	b.start()
	b.adopt(drive, "Slate")
	files := b.others()
	b.until("held", allHeld(files))
	if _, err := b.client.Pause(t.Context(), api.Pause{}); err != nil {
		t.Fatal(err)
	}
	b.write("2026-03-03 Tern Island/TERN0001.JPG", 1000)
	paused := func(s api.Status) bool { return s.Daemon.Paused && s.Drives[0].WantedFiles == 1 }
	b.until("it is known and not copied", paused)
	b.told("paused", "paused", "resume")
	b.end()
	b.start()
	b.until("a pause outlives a restart", paused)
	time.Sleep(time.Second)
	if len(holdings(t, drive)) != int(files) {
		t.Error("it was copied during the pause")
	}
	if _, err := b.client.Resume(t.Context()); err != nil {
		t.Fatal(err)
	}
	b.until("held after the pause", allHeld(files+1))
	if _, err := b.client.Pause(t.Context(), api.Pause{Seconds: 1}); err != nil {
		t.Fatal(err)
	}
	b.write("2026-03-03 Tern Island/TERN0002.JPG", 1000)
	s := b.until("a pause ends by itself", allHeld(files+2))
	if s.Daemon.Paused {
		t.Error("still shown as paused")
	}
}

func TestNewerLedgerIsRefused(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.start()
	b.end()
	path := filepath.Join(b.state, state.FileName)
	db, err := bolt.Open(path, 0o600, &bolt.Options{NoFreelistSync: true}) // as the ledger is written
	if err == nil {
		err = db.Update(func(tx *bolt.Tx) error {
			return tx.Bucket([]byte("meta")).Put([]byte("schema"), []byte{0, 0, 0, state.Schema + 1})
		})
		err = errors.Join(err, db.Close())
	}
	if err != nil {
		t.Fatal(err)
	}
	before := sumOf(t, path)
	err = Run(context.Background(), Options{Config: b.cfg, StateDir: b.state, Log: slog.New(slog.DiscardHandler)})
	var fault *api.Fault
	if !errors.As(err, &fault) || !strings.Contains(fault.What, "newer") || fault.Safe == "" || fault.Do == "" {
		t.Errorf("a ledger of a newer schema: %v", err)
	}
	if sumOf(t, path) != before {
		t.Error("it was changed")
	}
	if err := os.Remove(path); err != nil { // or the bench finds it unreadable
		t.Fatal(err)
	}
}

// A drive that was copied, identity and all, is never written: neither the copy
// nor, while both are there, the drive. (P7)
func TestCopiedDriveIsNotWritten(t *testing.T) {
	for _, kind := range []lab.Kind{lab.Ext4, lab.ExFAT} {
		t.Run(string(kind), func(t *testing.T) {
			t.Parallel()
			l := lab.New(t)
			d := l.Drive(kind, 60)
			b := newBench(t)
			b.start()
			b.adopt(d.Plug(), "Slate")
			files := b.others()
			b.until("held", allHeld(files))
			b.end()
			clone := d.Clone()
			b.start()
			b.until("the drive is there", func(s api.Status) bool { return s.Drives[0].Online })
			copied := clone.Plug()
			b.until("both are in doubt", func(s api.Status) bool { return !s.Drives[0].Online && s.Drives[0].Trouble != nil })
			b.told("drive-doubtful", `"Slate"`, "nothing is written", "unplug")
			b.write("2026-03-03 Tern Island/TERN0001.JPG", 1000)
			b.until("it is wanted", func(s api.Status) bool { return s.Drives[0].WantedFiles == 1 })
			time.Sleep(time.Second)
			for _, drive := range []string{d.Path(), copied} {
				if got := len(holdings(t, drive)); got != int(files) {
					t.Errorf("%s was written: %d files, want %d", drive, got, files)
				}
			}
			clone.Unplug()
			b.until("the drive goes on alone", allHeld(files+1))
			b.untold("drive-doubtful")
			b.end()
			b.checkDrive(d.Path())
		})
	}
}
