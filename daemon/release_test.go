package daemon

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"testing"
	"time"

	"copyhold/config"
	"copyhold/daemon/api"
	"copyhold/replicate/volume/volumetest/lab"
)

// A drive that is released in the middle of the work is closed in good order:
// a plain unmount succeeds at once, its lists agree with what is on it, nothing
// more is copied to it, and plugged in again it catches up.
func TestReleaseInTheMiddle(t *testing.T) {
	for _, kind := range []lab.Kind{lab.Ext4, lab.ExFAT} {
		t.Run(string(kind), func(t *testing.T) { releaseInTheMiddle(t, kind) })
	}
}

func releaseInTheMiddle(t *testing.T, kind lab.Kind) {
	l := lab.New(t)
	slate := l.Drive(kind, 150)
	b := newBench(t)
	b.cfg.Limits.Rate = config.Rate(10 << 20)
	b.start()
	b.adopt(slate.Plug(), "Slate")
	for i := range 30 {
		b.shootFile(fmt.Sprintf("2026-03-02 Tern Island/Stills/TERN%04d.RAF", i), io.LimitReader(noise(uint64(i)), 1<<20))
	}
	b.until("the middle", func(s api.Status) bool { return s.Drives[0].Activity.DoneBytes > 0 })

	d, err := b.client.ReleaseDrive(t.Context(), api.ReleaseDrive{Drive: "slate"})
	if err != nil {
		t.Fatal(err)
	}
	if !d.Released || !d.SafeToUnplug || d.WantedFiles == 0 {
		t.Fatalf("released in the middle it is %+v", d)
	}
	if got := sums(t, d.Path); got != int(d.Copies) {
		t.Errorf("b3sum finds %d files OK, the answer said %d", got, d.Copies)
	}
	time.Sleep(500 * time.Millisecond)
	if s := b.status(); s.Drives[0].Copies != d.Copies {
		t.Errorf("%d files were copied to a released drive", s.Drives[0].Copies-d.Copies)
	}
	slate.Unplug()
	b.until("the daemon notices", func(s api.Status) bool { return !s.Drives[0].Online })
	slate.PlugAt(filepath.Join(l.Media(), "Slate again"))
	b.until("caught up", allHeld(30))
}

// --unmount unmounts; resume takes a drive back that stayed where it was.
func TestReleaseAndUnmountOrResume(t *testing.T) {
	l := lab.New(t)
	slate := l.Drive(lab.Ext4, 50)
	path := slate.Plug()
	b := newBench(t)
	b.write("2026-03-02 Tern Island/Stills/TERN0001.JPG", 1000)
	b.start()
	b.adopt(path, "Slate")
	b.until("verified", allHeld(1))

	release := api.ReleaseDrive{Drive: "Slate"}
	if _, err := b.client.ReleaseDrive(t.Context(), release); err != nil {
		t.Fatal(err)
	}
	b.write("2026-03-02 Tern Island/Stills/TERN0002.JPG", 1000)
	b.until("the new file is wanted", func(s api.Status) bool { return s.Drives[0].WantedFiles == 1 })
	if _, err := b.client.Resume(t.Context()); err != nil {
		t.Fatal(err)
	}
	b.until("taken back", allHeld(2))

	release.Unmount = true
	if _, err := b.client.ReleaseDrive(t.Context(), release); err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(filepath.Join(path, ".copyhold")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("after --unmount the drive is still there: %v", err)
	}
	b.until("the daemon notices", func(s api.Status) bool { return !s.Drives[0].Online })
	var fault *api.Fault
	if _, err := b.client.ReleaseDrive(t.Context(), release); !errors.As(err, &fault) || fault.Safe == "" {
		t.Errorf("releasing a drive that is away answers %v", err)
	}
}
