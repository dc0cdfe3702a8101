package daemon

import (
	"fmt"
	"io"
	"path/filepath"
	"testing"
	"time"

	"copyhold/config"
	"copyhold/daemon/api"
	"copyhold/replicate/volume/volumetest/lab"
)

// leavings are the ways in which a drive can go in the middle of the work.
var leavings = map[string]func(b *bench, d *lab.Drive){
	"unmounted lazily": func(_ *bench, d *lab.Drive) { d.LazyUnplug() },
	"unmounted cleanly": func(b *bench, d *lab.Drive) {
		if _, err := b.client.Pause(b.t.Context(), api.Pause{}); err != nil {
			b.t.Fatal(err)
		}
		b.until("the file in hand is done", func(s api.Status) bool {
			for _, drive := range s.Drives {
				if drive.Activity.Doing != "idle" {
					return false
				}
			}
			return true
		})
		d.Unplug()
		if _, err := b.client.Resume(b.t.Context()); err != nil {
			b.t.Fatal(err)
		}
	},
	"torn out": func(_ *bench, d *lab.Drive) { d.Pull(); d.Fsck() },
}

// A drive that goes in the middle and comes back at another path ends
// verified as if it had never gone, and nothing is written where it was.
func TestUnplugInTheMiddle(t *testing.T) {
	for _, kind := range []lab.Kind{lab.Ext4, lab.ExFAT} {
		for way, leave := range leavings {
			t.Run(fmt.Sprintf("%s %s", kind, way), func(t *testing.T) {
				t.Parallel()
				unplugInTheMiddle(t, kind, leave)
			})
		}
	}
}

func unplugInTheMiddle(t *testing.T, kind lab.Kind, leave func(*bench, *lab.Drive)) {
	l := lab.New(t)
	slate, attic := l.Drive(kind, 150), l.Drive(lab.Ext4, 150)
	first := slate.Plug()
	b := newBench(t)
	b.cfg.Limits.Rate = config.Rate(20 << 20)
	b.start()
	b.adopt(first, "Slate")
	b.adopt(attic.Plug(), "Attic")
	for i := range 25 {
		b.shootFile(fmt.Sprintf("2026-03-02 Tern Island/Stills/TERN%04d.RAF", i), io.LimitReader(noise(uint64(i)), 1<<20))
	}
	b.shootFile("2026-03-02 Tern Island/Seabird I/SB1_0001.MOV", io.LimitReader(noise(99), 12<<20))
	b.until("the middle", func(s api.Status) bool {
		return s.Drives[0].Activity.Doing == "copy" && s.Drives[0].Activity.DoneBytes > 0
	})
	leave(b, slate)
	s := b.until("the daemon notices", func(s api.Status) bool { return !s.Drives[0].Online })
	if wanted := s.Drives[0].WantedFiles; wanted == 0 {
		t.Error("it was not the middle: the drive lacked nothing when it went")
	}
	if s.Drives[0].SafeToUnplug || s.Drives[0].LastSeen.IsZero() {
		t.Errorf("an absent drive is shown as %+v", s.Drives[0])
	}
	b.until("the other drive is done", func(s api.Status) bool { return s.Drives[1].WantedFiles == 0 })
	nothingIn(t, first)

	second := slate.PlugAt(filepath.Join(l.Media(), "Slate again"))
	b.until("every file verified on both drives", allHeld(26))
	s = b.status()
	if s.Drives[0].Path != second {
		t.Errorf("it is at %s, and shown at %s", second, s.Drives[0].Path)
	}
	b.until("nothing is told any more", func(s api.Status) bool { return len(s.Notices) == 0 })
	nothingIn(t, first)
	for _, code := range []string{"code=drive-fails", "code=not-stored"} {
		if told := b.log.with(code); len(told) > 0 {
			t.Errorf("a drive that was unplugged is told as one that fails: %s", told[0])
		}
	}
	b.end()
	b.checkDrive(second)
	b.checkDrive(attic.Path())
	b.check()
}

// A drive that is elsewhere before anybody could notice that it had gone is
// found there, also when its old path is an empty folder by then.
func TestElsewhereAtOnce(t *testing.T) {
	t.Parallel()
	l := lab.New(t)
	d := l.Drive(lab.Ext4, 100)
	first := d.Plug()
	b := newBench(t)
	b.cfg.Limits.Rate = config.Rate(10 << 20)
	b.start()
	b.adopt(first, "Slate")
	for i := range 3 {
		b.shootFile(fmt.Sprintf("2026-03-02 Tern Island/Seabird I/SB1_%04d.MOV", i), io.LimitReader(noise(uint64(i)), 5<<20))
		b.until("the middle", func(s api.Status) bool { return s.Drives[0].Activity.DoneBytes > 1<<20 })
		d.LazyUnplug()
		d.PlugAt(filepath.Join(l.Media(), fmt.Sprintf("elsewhere %d", i)))
		b.until("held", allHeld(int64(i+1)))
		if s := b.status(); s.Drives[0].Path != d.Path() {
			t.Errorf("it is shown at %s", s.Drives[0].Path)
		}
	}
	nothingIn(t, first)
	b.end()
	b.checkDrive(d.Path())
}

// Stopping drops the file in hand instead of finishing it.
func TestStopsInTheMiddle(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	drive := t.TempDir()
	b.cfg.Limits.Rate = config.Rate(1 << 20)
	b.start()
	b.adopt(drive, "Slate")
	b.shootFile("2026-03-02 Tern Island/Seabird I/SB1_0001.MOV", io.LimitReader(noise(1), 30<<20))
	b.until("the middle", func(s api.Status) bool { return s.Drives[0].Activity.DoneBytes > 1<<20 })
	began := time.Now()
	b.end()
	if took := time.Since(began); took > 3*time.Second {
		t.Errorf("stopping took %.1f s", took.Seconds())
	}
	if held := holdings(t, drive); len(held) > 0 {
		t.Errorf("a part has a final name: %v", held)
	}
	b.cfg.Limits.Rate = 0
	b.start()
	b.until("held after all", allHeld(1))
	b.end()
	b.checkDrive(drive)
}

// Both drives go at once, and come back one after the other.
func TestBothDrivesGo(t *testing.T) {
	t.Parallel()
	l := lab.New(t)
	slate, attic := l.Drive(lab.Ext4, 100), l.Drive(lab.ExFAT, 100)
	b := newBench(t)
	b.start()
	b.adopt(slate.Plug(), "Slate")
	b.adopt(attic.Plug(), "Attic")
	b.write("2026-03-02 Tern Island/Stills/TERN0001.JPG", 1<<20)
	b.until("one file", allHeld(1))
	slate.Unplug()
	attic.Unplug()
	b.until("both are away", func(s api.Status) bool { return !s.Drives[0].Online && !s.Drives[1].Online })
	for i := range 20 {
		b.write(fmt.Sprintf("2026-03-03 Tern Island/Stills/TERN%04d.JPG", i), 100_000)
	}
	b.until("all is wanted", func(s api.Status) bool { return s.Drives[0].WantedFiles == 20 && s.Drives[1].WantedFiles == 20 })
	nothingIn(t, slate.Path())
	nothingIn(t, attic.Path())
	attic.PlugAt(slate.Path()) // at the place of the other one
	b.until("one has it", func(s api.Status) bool { return s.Drives[1].WantedFiles == 0 && s.Drives[1].SafeToUnplug })
	slate.PlugAt(filepath.Join(l.Media(), "elsewhere"))
	b.until("both have it", allHeld(21))
	b.end()
	b.checkDrive(slate.Path())
	b.checkDrive(attic.Path())
}

// A clean unmount succeeds at any moment at which nothing is under way, without
// asking: nothing is held open.
func TestIdleDriveCanBeUnmounted(t *testing.T) {
	t.Parallel()
	l := lab.New(t)
	d := l.Drive(lab.Ext4, 50)
	b := newBench(t)
	b.start()
	b.adopt(d.Plug(), "Slate")
	for i := range 3 {
		b.write(fmt.Sprintf("2026-03-02 Tern Island/TERN%04d.JPG", i), 1000)
		b.until("held", allHeld(int64(i+1)))
		began := time.Now()
		d.Unplug()
		if took := time.Since(began); took > 2*time.Second {
			t.Errorf("unmounting took %.1f s", took.Seconds())
		}
		b.until("away", func(s api.Status) bool { return !s.Drives[0].Online })
		d.Plug()
		b.until("back", func(s api.Status) bool { return s.Drives[0].Online })
	}
}
