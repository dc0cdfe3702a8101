package daemon

import (
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"testing"
	"time"

	"copyhold/config"
	"copyhold/daemon/api"
	"copyhold/replicate"
	"copyhold/replicate/transfer"
	"copyhold/replicate/volume"
	"copyhold/state"
)

// Corners where a copy could be lied about or work could stop for good. Each
// was found by reading and shown by a test before it was mended.

// still is a daemon whose loop does not run: its decisions are asked one by one.
func still(t *testing.T) *Daemon {
	t.Helper()
	dir := t.TempDir()
	ledger, err := state.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := errors.Join(ledger.Check(), ledger.Close()); err != nil {
			t.Error(err)
		}
	})
	cfg := config.Default()
	cfg.Working = []config.Working{{Folder: filepath.Join(dir, "Shoots"), Name: "Shoots"}}
	d := newDaemon(Options{Config: cfg, StateDir: dir, Log: slog.New(slog.DiscardHandler)}, ledger)
	d.stop = func() {}
	d.world.workings[0].online = true
	return d
}

// slate is a drive of a still daemon that is here.
func (d *Daemon) slate(t *testing.T, now time.Time) *driveState {
	t.Helper()
	drive := replicate.Drive{ID: "0123456789abcdef0123456789abcdef", Name: "Slate", Place: replicate.WithMe, Adopted: now}
	if !d.putDrive(&drive, now) {
		t.Fatal(d.fatal)
	}
	s := d.world.addDrive(drive, nil, now)
	s.present = true
	return s
}

func seenFile(path string, at time.Time) replicate.Seen {
	return replicate.Seen{Path: path, Stat: replicate.Stat{Size: 10, MTime: at}}
}

// A scan that meets a file in the moment in which it comes to rest records it.
func TestScanMeetsFileAtRest(t *testing.T) {
	d, now := still(t), time.Now()
	seen := seenFile("2026-03-02 Tern Island/TERN0001.JPG", now)
	id := replicate.FileID{Working: "Shoots", Path: seen.Path}
	d.world.settling.Look(id, seen.Stat, now, true)
	later := now.Add(time.Hour)
	changes{shoot: id.Shoot(), found: []replicate.Change{{Kind: replicate.Appeared, Seen: seen}}, at: later}.apply(d, later)
	err := d.ledger.View(func(tx *state.Tx) error {
		f, err := tx.File(id)
		if f == nil {
			t.Error("the file is neither in motion nor in the ledger")
		}
		return err
	})
	if err != nil || d.world.settling.Moving(id) {
		t.Error(err, d.world.settling.Moving(id))
	}
}

// fill puts n files of a shoot into the ledger; those from the given one on can
// be copied, the others are archived.
func (d *Daemon) fill(t *testing.T, shoot string, n, copyable int, now time.Time) {
	t.Helper()
	ok := d.update(now, func(tx *state.Tx) error {
		for i := range n {
			f := replicate.File{FileID: replicate.FileID{Working: "Shoots", Path: fmt.Sprintf("%s/%06d.JPG", shoot, i)}, SeenAt: now.Add(-time.Hour)}
			f.Size = 1
			if i < copyable {
				f.Life, f.GoneAt = replicate.Archived, now
			}
			if err := tx.PutFile(&f, now); err != nil {
				return err
			}
		}
		return nil
	})
	if !ok {
		t.Fatal(d.fatal)
	}
}

// A shoot too large for one look, of which nothing can be copied, comes to rest.
func TestLargeShootRests(t *testing.T) {
	d, now := still(t), time.Now()
	s := d.slate(t, now)
	d.fill(t, "2026-03-02 Tern Island", lookFiles+500, lookFiles+500, now)
	for range 4 {
		if j := d.copyJob(s, now); j != nil {
			t.Fatalf("there is nothing to copy, and yet a job of %d files", len(j.tasks))
		}
	}
	if len(d.candidates(s, now)) != 0 {
		t.Error("after a whole pass that found nothing it is looked through again and again")
	}
}

// Two such shoots do not keep each other from being looked through to the end.
func TestLargeShootsTakeTurns(t *testing.T) {
	d, now := still(t), time.Now()
	s := d.slate(t, now)
	d.fill(t, "2026-03-02 Tern Island", lookFiles+500, lookFiles, now)
	d.fill(t, "2026-03-03 Night Count", lookFiles+500, lookFiles, now)
	for range 6 {
		if d.copyJob(s, now) != nil {
			return
		}
	}
	t.Error("the files behind the first look are never reached")
}

// A failure of the source that explains itself by nothing is tried again later
// and not at once: other files wait behind it.
func TestEveryFailureWaits(t *testing.T) {
	now := time.Now()
	for _, cause := range []replicate.Cause{replicate.SourceGone, replicate.SourceChanging, replicate.SourceUnreadable} {
		f := replicate.File{FileID: replicate.FileID{Working: "Shoots", Path: "a/b"}, Stat: replicate.Stat{Size: 1, MTime: now}}
		r := transfer.Result{File: f.FileID, Drive: 1, Err: errors.New("no"), Cause: cause, Stat: f.Stat}
		if !recordFailure(&f, r, now) || !f.Attempt.RetryAt.After(now) {
			t.Errorf("%v: tried again at %v", cause, f.Attempt.RetryAt)
		}
	}
}

// A result about a file that has left by now changes nothing of what its copies
// are known to be.
func TestFailureOfArchivedFile(t *testing.T) {
	now := time.Now()
	f := replicate.File{FileID: replicate.FileID{Working: "Shoots", Path: "a/b"}, Digest: replicate.Digest{1}, Life: replicate.Archived}
	r := transfer.Result{File: f.FileID, Drive: 1, Err: errors.New("no"), Cause: replicate.SourceChanging, Stat: replicate.Stat{Size: 5, MTime: now}}
	if recordFailure(&f, r, now); !f.Digest.Known() {
		t.Error("an archived file lost its digest, and with it all its copies")
	}
}

// P6: when the earlier version was moved to kept and the new one did not get its
// name, the drive holds nothing under it.
func TestFailureAfterKeeping(t *testing.T) {
	now := time.Now()
	f := replicate.File{FileID: replicate.FileID{Working: "Shoots", Path: "a/b"}}
	f.SetCopy(replicate.Copy{Drive: 1, State: replicate.Verified, Digest: replicate.Digest{1}})
	r := transfer.Result{File: f.FileID, Drive: 1, Err: volume.ErrLost, Cause: replicate.DriveLost, Kept: ".copyhold/kept/x"}
	if !recordFailure(&f, r, now) || f.CopyOn(1).State != replicate.Missing {
		t.Errorf("the ledger still claims %+v", f.CopyOn(1))
	}
}

// A list that a newer Copyhold wrote is left alone, and nothing stops for it.
func TestNewerList(t *testing.T) {
	b := newBench(t)
	drive := t.TempDir()
	b.write("2026-03-02 Tern Island/TERN0001.JPG", 1000)
	list := filepath.Join(drive, ".copyhold", "lists", "Shoots", "2026-03-02 Tern Island.json")
	if err := os.MkdirAll(filepath.Dir(list), 0o755); err != nil {
		t.Fatal(err)
	}
	const newer = `{"schema": 99}`
	if err := os.WriteFile(list, []byte(newer), 0o644); err != nil {
		t.Fatal(err)
	}
	b.start()
	b.adopt(drive, "Slate")
	b.until("verified", allHeld(1))
	b.write("2026-03-02 Tern Island/TERN0002.JPG", 1000)
	b.until("verified", allHeld(2))
	if got, err := os.ReadFile(list); err != nil || string(got) != newer {
		t.Errorf("the newer list is now %q, %v", got, err)
	}
}

// P6: what a retired drive held is not believed when it is adopted again.
func TestAdoptedAgain(t *testing.T) {
	b := newBench(t)
	drive := t.TempDir()
	for i := range 3 {
		b.write(fmt.Sprintf("2026-03-02 Tern Island/TERN%04d.JPG", i), 1000)
	}
	b.start()
	b.adopt(drive, "Slate")
	b.until("verified", allHeld(3))
	if _, err := b.client.ChangeDrive(t.Context(), api.ChangeDrive{Drive: "Slate", Retire: true}); err != nil {
		t.Fatal(err)
	}
	if err := os.RemoveAll(filepath.Join(drive, "Shoots")); err != nil {
		t.Fatal(err)
	}
	d, err := b.client.AddDrive(t.Context(), api.AddDrive{Path: drive, Name: "Slate", Separate: true})
	if err != nil {
		t.Fatal(err)
	}
	if d.Copies != 0 || d.Retired {
		t.Errorf("just adopted again it is %+v", d)
	}
	b.until("copied again", func(s api.Status) bool {
		for _, d := range s.Drives {
			if !d.Retired {
				return d.Copies == 3 && d.SafeToUnplug
			}
		}
		return false
	})
	if got := sums(t, drive); got != 3 {
		t.Errorf("b3sum finds %d files OK, want 3", got)
	}
}

// A shoot that leaves file by file has left whole in the end: archived, counted.
func TestShootLeavesSlowly(t *testing.T) {
	b := newBench(t)
	for i := range 3 {
		b.write(fmt.Sprintf("2026-03-02 Tern Island/TERN%04d.JPG", i), 1000)
	}
	b.start()
	b.adopt(t.TempDir(), "Slate")
	b.until("verified", allHeld(3))
	folder := filepath.Join(b.working, "2026-03-02 Tern Island")
	for i := range 3 {
		if err := os.Remove(filepath.Join(folder, fmt.Sprintf("TERN%04d.JPG", i))); err != nil {
			t.Fatal(err)
		}
		left := int64(2 - i)
		b.until("the file is let go", func(s api.Status) bool { return s.Working[0].Files == left })
	}
	if err := os.Remove(folder); err != nil {
		t.Fatal(err)
	}
	b.until("archived whole", func(s api.Status) bool {
		return len(s.Shoots) == 1 && s.Shoots[0].Archived && s.Shoots[0].Files == 3 && s.Shoots[0].Copies == 1
	})
}

// Another folder at the working folder's path, with something else in it, is not
// taken for the working folder from which everything was deleted.
func TestStrayFolderInPlace(t *testing.T) {
	b := newBench(t)
	b.write("2026-03-02 Tern Island/TERN0001.JPG", 1000)
	b.start()
	b.until("seen", func(s api.Status) bool { return s.Working[0].Files == 1 })
	aside := b.working + " aside"
	if err := os.Rename(b.working, aside); err != nil {
		t.Fatal(err)
	}
	b.write("Downloads/notes.txt", 10)
	b.until("away", func(s api.Status) bool { return !s.Working[0].Online })
	time.Sleep(500 * time.Millisecond)
	if s := b.status(); len(s.Shoots) != 1 || s.Shoots[0].Files != 1 || s.Shoots[0].Archived {
		t.Errorf("the shoots are %+v", s.Shoots)
	}
	if err := errors.Join(os.RemoveAll(b.working), os.Rename(aside, b.working)); err != nil {
		t.Fatal(err)
	}
	b.until("back", func(s api.Status) bool { return s.Working[0].Online && s.Working[0].Files == 1 })
}

// A clock that is set back puts nothing off, and silences no warning.
func TestClockSetBack(t *testing.T) {
	now := time.Now()
	ahead := now.Add(30 * time.Hour)
	f := replicate.File{SeenAt: ahead, Attempt: replicate.Attempt{Cause: replicate.SourceUnreadable, RetryAt: ahead}}
	f.SetCopy(replicate.Copy{Drive: 1, Attempt: replicate.Attempt{Cause: replicate.DriveRefused, RetryAt: ahead}})
	scene := replicate.Scene{Present: true, Working: true, Settle: 5 * time.Second}
	if a := replicate.Next(&f, replicate.Drive{No: 1}, scene, now); a.Kind != replicate.CopyFile {
		t.Errorf("decided: %s", a)
	}
	facts := replicate.Facts{Now: now, Policy: replicate.Policy{WarnAfter: time.Minute}, Shoots: []replicate.ShootFacts{{Since: ahead}}}
	for _, n := range replicate.Notices(facts) {
		if n.Code == replicate.NoticeOneCopy {
			return
		}
	}
	t.Error("a shoot with one copy since tomorrow is not warned of")
}

// A limited drive is limited from the first megabyte on, in every job.
func TestLimitHoldsAtOnce(t *testing.T) {
	r := run{rate: 10_000_000}
	if !r.limit().AllowN(time.Now(), transfer.BufferSize) {
		t.Error("not even one piece may be written")
	}
	if limit := r.limit(); limit.AllowN(time.Now(), 2*transfer.BufferSize) || float64(limit.Limit()) != 10_000_000 {
		t.Errorf("%v bytes a second, %d of them at once", limit.Limit(), limit.Burst())
	}
}

// "Safe to unplug" is said after the flush and not before.
func TestReleasedButNotFlushed(t *testing.T) {
	d, now := still(t), time.Now()
	s := d.slate(t, now)
	d.fill(t, "2026-03-02 Tern Island", 1, 0, now)
	s.released = true
	if got := d.view(now).driveList()[0]; got.SafeToUnplug {
		t.Error("it is said to be safe before it was flushed")
	}
	s.flushed = true
	if got := d.view(now).driveList()[0]; !got.SafeToUnplug || !got.Released {
		t.Errorf("flushed it is %+v", got)
	}
}
