package daemon

import (
	"encoding/binary"
	"fmt"
	"io"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"copyhold/replicate/volume/volumetest/lab"
)

// media are the pictures, clips and sounds of Debian's forensics-samples-files.
const media = "/usr/share/forensics-samples/original-files"

// mediaFiles lists them; none where the package is not installed.
func mediaFiles(t *testing.T) (all []string) {
	t.Helper()
	filepath.WalkDir(media, func(path string, e fs.DirEntry, err error) error {
		if err == nil && e.Type().IsRegular() {
			all = append(all, path)
		}
		return nil
	})
	if len(all) < 30 {
		if os.Getenv(lab.Require) == "require" {
			t.Fatalf("%s=require, but forensics-samples-files is not installed", lab.Require)
		}
		t.Logf("without real media: forensics-samples-files is not installed")
		return nil
	}
	return all
}

// noise is endless content that is on no drive twice.
func noise(seed uint64) io.Reader {
	var key [32]byte
	binary.LittleEndian.PutUint64(key[:], seed)
	return rand.NewChaCha8(key)
}

// shootFile writes a file of the shoot piece by piece, as an offload does.
func (b *bench) shootFile(name string, from io.Reader) {
	b.t.Helper()
	path := filepath.Join(b.working, filepath.FromSlash(name))
	err := os.MkdirAll(filepath.Dir(path), 0o755)
	if err == nil {
		var f *os.File
		if f, err = os.Create(path); err == nil {
			_, err = io.CopyBuffer(struct{ io.Writer }{f}, from, make([]byte, 1<<20))
			f.Close()
		}
	}
	if err != nil {
		b.t.Error(err)
	}
}

// offload writes a day of files into the working folder: real media, many
// small files, empty ones, and a few large ones. It returns how many.
func (b *bench) offload(count int, largest int64, seed uint64) int {
	b.t.Helper()
	rng := rand.New(rand.NewPCG(seed, 0))
	written := 0
	for i, path := range mediaFiles(b.t) {
		f, err := os.Open(path)
		if err != nil {
			b.t.Fatal(err)
		}
		b.shootFile(fmt.Sprintf("2026-03-02 Tern Island/Stills/%03d %s", i, filepath.Base(path)), f)
		f.Close()
		written++
	}
	for i := written; i < count; i++ {
		size := int64(1) << rng.IntN(21) // up to 1 MB
		size += rng.Int64N(size)
		switch {
		case i%60 == 7:
			size = 0
		case i == count-2:
			size = largest
		case i%50 == 11:
			size = min(largest, 10<<20+rng.Int64N(30<<20))
		}
		name := []string{
			"2026-03-02 Tern Island/Stills/TERN%04d.JPG", "2026-03-02 Tern Island/Seabird I/SB1_%04d.MOV",
			"2026-03-03 Tern Island, evening/Stills/TERN%04d.RAF", "Loose %04d.txt",
		}[rng.IntN(4)]
		b.shootFile(fmt.Sprintf(name, i), io.LimitReader(noise(seed+uint64(i)), size))
		written++
	}
	return written
}

// The main job: 300 mixed files, of 0 B to 300 MB, arrive while the
// daemon runs, and both drives end verified.
func TestThreeHundredFiles(t *testing.T) {
	l := lab.New(t)
	slate, attic := l.Drive(lab.Ext4, 1400).Plug(), l.Drive(lab.ExFAT, 1400).Plug()
	b := newBench(t)
	b.start()
	b.adopt(slate, "Slate")
	b.adopt(attic, "Attic")
	began := time.Now()
	files := b.offload(300, 300<<20, 1)
	if files != 300 {
		t.Fatalf("%d files were written, not 300", files)
	}
	written := time.Since(began)
	s := b.until("every file verified on both drives", allHeld(300))
	t.Logf("300 files, %.0f MB: written in %.1f s, verified on ext4 and exFAT after %.1f s",
		float64(s.Working[0].Bytes)/1e6, written.Seconds(), time.Since(began).Seconds())
	for _, shoot := range s.Shoots {
		if shoot.Copies != 3 || shoot.Standing != "covered" {
			t.Errorf("%s: %d copies, %s; want 3 and covered", shoot.Name, shoot.Copies, shoot.Standing)
		}
	}
	b.end()
	b.checkDrive(slate)
	b.checkDrive(attic)
	if again := b.log.with("verified what was there"); len(again) > 0 {
		t.Errorf("%d copies were asked for that were made already, first:\n%s", len(again), again[0])
	}
}

// The main job, small, on every kind of drive.
func TestEveryKindOfDrive(t *testing.T) {
	for _, kind := range lab.Kinds() {
		t.Run(string(kind), func(t *testing.T) {
			t.Parallel()
			l := lab.New(t)
			drive := l.Drive(kind, 200).Plug()
			b := newBench(t)
			b.start()
			b.adopt(drive, "Slate")
			files := b.offload(80, 12<<20, 2)
			b.until("every file verified", allHeld(int64(files)))
			b.end()
			b.checkDrive(drive)
		})
	}
}
