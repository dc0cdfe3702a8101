package daemon

import (
	"testing"
	"time"

	"copyhold/daemon/api"
	"copyhold/replicate/volume/volumetest/lab"
)

// failing is how each kind of a drive whose device is gone presents itself: ext4
// shuts itself after its first errors, XFS lets nothing be read any more.
var failing = map[lab.Kind]string{
	lab.Ext4: "drive-read-only", lab.XFS: "drive-doubtful", lab.Btrfs: "drive-fails", lab.ExFAT: "drive-fails",
}

// A drive that is still mounted and fails at every write is told once as one
// that fails, keeps being told, and holds up nobody; plugged in again, it goes on.
func TestFailingDrive(t *testing.T) {
	for _, kind := range lab.Kinds() {
		t.Run(string(kind), func(t *testing.T) {
			t.Parallel()
			l := lab.New(t)
			d, attic := l.Drive(kind, 60), l.Drive(lab.Ext4, 60).Plug()
			b := newBench(t)
			b.start()
			b.adopt(d.Plug(), "Slate")
			b.adopt(attic, "Attic")
			b.write("2026-03-01 Tern Island/TERN0001.JPG", 1000)
			b.until("the first is held", allHeld(1))
			d.Cut()
			files := b.others() + 1
			b.until("the other drive is done", func(s api.Status) bool { return s.Drives[1].Copies == files })
			code := failing[kind]
			b.told(code, `"Slate"`)
			time.Sleep(12 * time.Second)
			b.told(code)
			if said := b.log.with("msg=notice code=" + code); len(said) != 1 {
				t.Errorf("%s was said %d times, want once", code, len(said))
			}
			if over := b.log.with(`msg="notice over" code=drive-`); len(over) > 1 {
				t.Errorf("taken back %d times although nothing changed", len(over))
			}
			if tries := b.log.with(`msg="not copied"`); len(tries) > 100 {
				t.Errorf("tried %d times within seconds", len(tries))
			}
			if s := b.status(); s.Drives[0].Copies != 1 {
				t.Errorf("a drive that fails is shown as %+v", s.Drives[0])
			}
			d.Pull()
			d.Fsck()
			d.Plug()
			b.until("it goes on", allHeld(files))
			b.untold(code)
			b.end()
			b.checkDrive(d.Path())
			b.checkDrive(attic)
		})
	}
}
