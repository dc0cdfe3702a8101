package daemon

import (
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"copyhold/config"
	"copyhold/daemon/api"
	"copyhold/replicate/volume/volumetest/lab"
)

// told waits for a notice and proves that it speaks in words: what happened,
// what is still safe, what to do.
func (b *bench) told(code string, words ...string) api.Notice {
	b.t.Helper()
	var found api.Notice
	b.until("the notice "+code, func(s api.Status) bool {
		for _, n := range s.Notices {
			if n.Code == code {
				found = n
				return true
			}
		}
		return false
	})
	b.words(found, words...)
	return found
}

func (b *bench) words(n api.Notice, words ...string) {
	b.t.Helper()
	if n.Text == "" || n.Safe == "" || n.Do == "" || n.Since.IsZero() {
		b.t.Errorf("the notice %s does not say what happened, what is safe and what to do: %+v", n.Code, n)
	}
	all := n.Text + "\n" + n.Safe + "\n" + n.Do
	for _, word := range words {
		if !strings.Contains(all, word) {
			b.t.Errorf("the notice %s does not say %q:\n%s", n.Code, word, all)
		}
	}
}

// untold waits until a notice is over.
func (b *bench) untold(code string) {
	b.t.Helper()
	b.until("the end of the notice "+code, func(s api.Status) bool {
		for _, n := range s.Notices {
			if n.Code == code {
				return false
			}
		}
		return true
	})
}

// others are the files that bad input must leave copied.
func (b *bench) others() int64 {
	b.t.Helper()
	for i := range 5 {
		b.write(fmt.Sprintf("2026-03-02 Tern Island/Stills/TERN%04d.JPG", i), 50_000)
	}
	return 5
}

// onEach runs a test on a plain folder, on ext4 and on exFAT.
func onEach(t *testing.T, test func(t *testing.T, b *bench, drive string)) {
	for _, kind := range []lab.Kind{"folder", lab.Ext4, lab.ExFAT} {
		t.Run(string(kind), func(t *testing.T) {
			t.Parallel()
			drive := ""
			if kind == "folder" {
				drive = t.TempDir()
			} else {
				drive = lab.New(t).Drive(kind, 160).Plug()
			}
			b := newBench(t)
			b.start()
			b.adopt(drive, "Slate")
			test(t, b, drive)
		})
	}
}

func TestOddNames(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench, drive string) {
		files := b.others()
		for _, name := range []string{
			"2026-03-02 Tern Island/Stills/two\nlines.JPG", "2026-03-02 Tern Island/Stills/back\\slash.JPG",
			"2026-03-02 Tern Island/Stills/a:b?c*.JPG", "2026-03-02 Tern Island/Stills/gull 🐦.JPG",
			"2026-03-02 Tern Island/Stills/100%41.JPG", "2026-03-02 Tern\nIsland/TERN0001.JPG", "loose\n.txt",
		} {
			b.write(name, 1000)
			files++
		}
		const notText = 2 // names that b3sum cannot check
		b.write("2026-03-02 Tern Island/Stills/not\xfftext.JPG", 1000)
		b.write("2026-03-02 Tern Island/Stills/carriage\rreturn.JPG", 1000)
		files += notText
		b.until("all are held", allHeld(files))
		b.end()
		if len(holdings(t, drive)) != int(files) {
			t.Errorf("%d files are on the drive, want %d", len(holdings(t, drive)), files)
		}
		stored := holdings(t, drive)
		for path, sum := range holdings(t, b.working) {
			found := false
			for _, s := range stored {
				found = found || s == sum
			}
			if !found {
				t.Errorf("the content of %q is not on the drive", path)
			}
		}
		if got := sums(t, drive); got != int(files) && got != int(files)-notText {
			t.Errorf("b3sum found %d files OK, want %d or the %d that it can check", got, files, files-notText)
		}
	})
}

func TestEmptyAndDeep(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench, drive string) {
		files := b.others()
		b.write("2026-03-02 Tern Island/Stills/EMPTY.JPG", 0)
		b.write("2026-03-02 Tern Island/"+strings.Repeat("deep below the cliffs/", 60)+"TERN0001.JPG", 1000)
		if err := os.MkdirAll(filepath.Join(b.working, "2026-03-05 nothing yet", "Stills"), 0o755); err != nil {
			t.Fatal(err)
		}
		b.until("all are held", allHeld(files+2))
		b.end()
		b.checkDrive(drive)
	})
}

// A file that grows while it is copied is copied once it rests; one that
// vanishes is nowhere, and neither holds the others up.
func TestGrowsOrVanishes(t *testing.T) {
	onEach(t, func(t *testing.T, b *bench, drive string) {
		b.end()
		b.cfg.Limits.Rate = config.Rate(8 << 20)
		b.start()
		const grows, goes = "2026-03-02 Tern Island/Seabird I/SB1_0001.MOV", "2026-03-02 Tern Island/Seabird I/SB1_0002.MOV"
		copying := func(name string) {
			b.until("the copying of "+name, func(s api.Status) bool {
				return strings.HasSuffix(s.Drives[0].Activity.Path, name) && s.Drives[0].Activity.DoneBytes > 1<<20
			})
		}
		b.shootFile(grows, io.LimitReader(noise(1), 12<<20))
		copying(grows)
		f, err := os.OpenFile(filepath.Join(b.working, filepath.FromSlash(grows)), os.O_APPEND|os.O_WRONLY, 0)
		if err != nil {
			t.Fatal(err)
		}
		if _, err = io.CopyN(f, noise(2), 1<<20); err != nil {
			t.Fatal(err)
		}
		f.Close()
		if held := holdings(t, drive)["Shoots/"+grows]; held != "" {
			t.Error("a file that was changing has a final name")
		}
		files := b.others()
		b.until("what grew and the others are held", allHeld(files+1))

		// Larger than what is read ahead of the drive, or it might have been read whole
		// before it goes, and then rightly be copied.
		b.shootFile(goes, io.LimitReader(noise(3), 60<<20))
		copying(goes)
		if err := os.Remove(filepath.Join(b.working, filepath.FromSlash(goes))); err != nil {
			t.Fatal(err)
		}
		b.write("2026-03-02 Tern Island/Stills/TERN0099.JPG", 1000)
		b.until("the rest is held", allHeld(files+2))
		if n := b.status().Notices; len(n) != 0 {
			t.Errorf("a file that is being made is told of: %+v", n)
		}
		b.end()
		b.checkDrive(drive)
	})
}

func TestFullDrive(t *testing.T) {
	for _, kind := range []lab.Kind{lab.Ext4, lab.ExFAT} {
		t.Run(string(kind), func(t *testing.T) {
			t.Parallel()
			l := lab.New(t)
			d, attic := l.Drive(kind, 60), l.Drive(lab.Ext4, 60).Plug()
			drive := d.Plug()
			b := newBench(t)
			b.start()
			b.adopt(drive, "Slate")
			b.adopt(attic, "Attic")
			d.Fill(14 << 20)
			files := b.others() + 1
			b.write("2026-03-02 Tern Island/Seabird I/SB1_0001.MOV", 20<<20)
			b.until("the others are held", func(s api.Status) bool {
				return s.Drives[0].Copies == files-1 && s.Drives[0].WantedFiles == 1 && s.Drives[1].Copies == files
			})
			n := b.told("drive-full", `"Slate"`, "no room", "stays", "room on it or")
			if n.Severity != "normal" {
				t.Errorf("a full drive is %s", n.Severity)
			}
			if size := "21 MB"; !strings.Contains(n.Text, size) {
				t.Errorf("it does not say that %s do not fit: %s", size, n.Text)
			}
			d.Unfill()
			b.until("the rest is held once there is room", allHeld(files))
			b.untold("drive-full")
			b.end()
			b.checkDriveBut(drive, lab.Filler)
			b.checkDrive(attic)
		})
	}
}

func TestReadOnlyDrive(t *testing.T) {
	t.Parallel()
	l := lab.New(t)
	d, attic := l.Drive(lab.Ext4, 60), l.Drive(lab.ExFAT, 60).Plug()
	drive := d.Plug()
	b := newBench(t)
	b.start()
	b.adopt(drive, "Slate")
	b.adopt(attic, "Attic")
	b.write("2026-03-01 Tern Island/TERN0001.JPG", 1000)
	b.until("the first is held", allHeld(1))
	d.Remount(true)
	files := b.others() + 1
	b.until("the other drive is done", func(s api.Status) bool { return s.Drives[1].Copies == files })
	b.told("drive-read-only", `"Slate"`, "read-only", "stays and is counted", "lock switch")
	if s := b.status(); s.Drives[0].Copies != 1 || !s.Drives[0].Online {
		t.Errorf("a read-only drive is shown as %+v", s.Drives[0])
	}
	d.Remount(false)
	b.until("it goes on by itself", allHeld(files))
	b.untold("drive-read-only")
	b.end()
	b.checkDrive(drive)
	b.checkDrive(attic)
}

func TestWorkingFolderAbsentAtStart(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	drive := t.TempDir()
	if err := os.Remove(b.working); err != nil {
		t.Fatal(err)
	}
	b.start()
	b.adopt(drive, "Slate")
	b.told("working-away", `"Shoots"`, "not there", "nothing on the drives changes", b.working)
	if s := b.status(); s.Working[0].Online {
		t.Error("a folder that is not there is shown as online")
	}
	began := time.Now()
	files := b.others()
	b.until("all are held", allHeld(files))
	t.Logf("a working folder that came was copied after %.1f s", time.Since(began).Seconds())
	b.untold("working-away")
	b.end()
	b.checkDrive(drive)
}
