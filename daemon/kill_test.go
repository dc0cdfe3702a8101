package daemon

import (
	"bytes"
	"encoding/hex"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"lukechampine.com/blake3"

	"copyhold/config"
	"copyhold/daemon/api"
	"copyhold/replicate/volume/volumetest/lab"
)

const kills = 20

// kill -9 at 20 random moments: what has a final name is always whole (P2),
// nothing that was replaced is lost (P3), and in the end all is verified.
func TestKilledAtAnyMoment(t *testing.T) {
	l := lab.New(t)
	drives := []string{l.Drive(lab.Ext4, 300).Plug(), l.Drive(lab.ExFAT, 300).Plug()}
	b := newBench(t)
	b.cfg.Watch.Settle = config.Duration(50 * time.Millisecond)
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	card := newCard(b)

	p := b.spawn(200 * time.Millisecond)
	b.dial(p)
	b.adopt(drives[0], "Slate")
	b.adopt(drives[1], "Attic")
	torn := 0
	for range kills {
		card.shoot(rng)
		time.Sleep(time.Duration(rng.Int64N(int64(700 * time.Millisecond))))
		p.kill()
		for _, drive := range drives {
			torn += len(partials(t, drive))
			card.checkWhole(drive)
		}
		if t.Failed() {
			t.FailNow()
		}
		b.check()
		p = b.spawn(200 * time.Millisecond)
		if rng.IntN(4) > 0 { // else it is killed while it starts
			b.dial(p)
		}
	}
	b.dial(p)
	b.until("every file verified on both drives", allHeld(int64(card.files)))
	const notes = "2026-03-02 Tern Island/notes.txt" // however the kills fell, one version is replaced
	card.put(notes, rng, 4000)
	b.until("the last version is held", func(s api.Status) bool {
		for _, drive := range drives {
			if fi, err := os.Stat(filepath.Join(drive, "Shoots", notes)); err != nil || fi.Size() != 4000 {
				return false
			}
		}
		return allHeld(int64(card.files))(s)
	})
	p.kill()
	for _, drive := range drives {
		b.checkDrive(drive)
		card.checkWhole(drive)
		card.checkKept(drive)
	}
	t.Logf("%d files; %d copies were torn in flight", card.files, torn)
	if torn == 0 {
		t.Error("no kill met a copy in flight: the test does not bite")
	}
}

func partials(t *testing.T, drive string) []string {
	t.Helper()
	found, err := filepath.Glob(filepath.Join(drive, ".copyhold", "partial", "*"))
	if err != nil {
		t.Fatal(err)
	}
	return found
}

// card brings files into the working folder whole, by a rename, so that every
// content that ever had a name there is known.
type card struct {
	b      *bench
	made   map[string]map[string]bool // path → BLAKE3 of every content it had
	met    map[string]map[string]bool // drive → path and BLAKE3 of every content met under a final name
	rounds int
	files  int
}

func newCard(b *bench) *card {
	return &card{b: b, made: map[string]map[string]bool{}, met: map[string]map[string]bool{}}
}

// shoot brings the files of a few minutes: small ones, a clip, and a sidecar that
// is written anew each time.
func (c *card) shoot(rng *rand.Rand) {
	c.b.t.Helper()
	c.rounds++
	for i := range 12 {
		c.put(fmt.Sprintf("2026-03-02 Tern Island/Stills/TERN%02d%02d.JPG", c.rounds, i), rng, 1+rng.IntN(200_000))
	}
	c.put(fmt.Sprintf("2026-03-02 Tern Island/Seabird I/SB1_%04d.MOV", c.rounds), rng, 2<<20+rng.IntN(4<<20))
	c.put("2026-03-02 Tern Island/notes.txt", rng, 1+rng.IntN(3000))
}

func (c *card) put(name string, rng *rand.Rand, size int) {
	c.b.t.Helper()
	content := make([]byte, size)
	if _, err := io.ReadFull(noise(rng.Uint64()), content); err != nil {
		c.b.t.Fatal(err)
	}
	aside := filepath.Join(filepath.Dir(c.b.working), "aside")
	final := filepath.Join(c.b.working, filepath.FromSlash(name))
	if err := os.WriteFile(aside, content, 0o644); err != nil {
		c.b.t.Fatal(err)
	}
	if err := os.MkdirAll(filepath.Dir(final), 0o755); err != nil {
		c.b.t.Fatal(err)
	}
	if err := os.Rename(aside, final); err != nil {
		c.b.t.Fatal(err)
	}
	path := "Shoots/" + name
	if c.made[path] == nil {
		c.made[path] = map[string]bool{}
		c.files++
	}
	h := blake3.New(32, nil)
	io.Copy(h, bytes.NewReader(content))
	c.made[path][hex.EncodeToString(h.Sum(nil))] = true
}

// checkWhole proves that every final name holds a content that the source had. (P2)
func (c *card) checkWhole(drive string) {
	c.b.t.Helper()
	if c.met[drive] == nil {
		c.met[drive] = map[string]bool{}
	}
	for path, sum := range holdings(c.b.t, drive) {
		c.met[drive][path+" "+sum] = true
		if !c.made[path][sum] {
			c.b.t.Errorf("%s: %s holds what was never shot", drive, path)
		}
	}
}

// checkKept proves that no content that a final name ever had is lost, and that
// what was kept is whole. (P3)
func (c *card) checkKept(drive string) {
	c.b.t.Helper()
	there := map[string]bool{}
	note := func(folder string) {
		for path, sum := range holdings(c.b.t, folder) {
			there[path+" "+sum] = true
			if !c.made[path][sum] {
				c.b.t.Errorf("%s holds %s with what was never shot", folder, path)
			}
		}
	}
	note(drive)
	stamps, err := filepath.Glob(filepath.Join(drive, ".copyhold", "kept", "*"))
	if err != nil || len(stamps) == 0 {
		c.b.t.Errorf("no earlier version was kept (%v)", err)
	}
	for _, stamp := range stamps {
		note(stamp)
	}
	for content := range c.met[drive] {
		if !there[content] {
			c.b.t.Errorf("%s: %s was there and is nowhere now", drive, content)
		}
	}
}
