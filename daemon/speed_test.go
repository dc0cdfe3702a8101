package daemon

import (
	"io"
	"os"
	"path/filepath"
	"testing"
	"time"

	"copyhold/config"
	"copyhold/daemon/api"
	"copyhold/replicate/volume/volumetest/lab"
)

// A file of 30 MB on a present drive is verified within the settle time and a
// second of its last write.
func TestVerifiedSoon(t *testing.T) {
	l := lab.New(t)
	drive := l.Drive(lab.Ext4, 200).Plug()
	b := newBench(t)
	const settle = time.Second
	b.cfg.Watch.Settle = config.Duration(settle)
	b.start()
	b.adopt(drive, "Slate")
	b.write("2026-03-02 Tern Island/TERN0001.JPG", 1000)
	b.until("the drive is awake", allHeld(1))

	best := time.Hour
	for try := range 3 { // the machine may be busy with other things: one in three counts
		path := filepath.Join(b.working, "2026-03-02 Tern Island", string(rune('a'+try))+".MOV")
		f, err := os.Create(path)
		if err != nil {
			t.Fatal(err)
		}
		for i := range 30 {
			if _, err := io.CopyN(f, noise(uint64(i)), 1_000_000); err != nil {
				t.Fatal(err)
			}
			time.Sleep(10 * time.Millisecond)
		}
		last := time.Now()
		f.Close()
		b.until("it is verified", func(s api.Status) bool { return s.Drives[0].Copies == int64(try)+2 })
		took := time.Since(last)
		t.Logf("30 MB verified %.0f ms after the settle time", (took-settle).Seconds()*1000)
		if took < settle {
			t.Errorf("verified after %v: it was not left to settle", took)
		}
		best = min(best, took)
	}
	if best > settle+raceFactor*time.Second {
		t.Errorf("30 MB were verified %v after the last write, want within %v", best, settle+time.Second)
	}
	b.end()
	b.checkDrive(drive)
}
