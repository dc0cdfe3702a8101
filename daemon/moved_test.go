package daemon

import (
	"os"
	"path/filepath"
	"testing"

	"copyhold/daemon/api"
)

// A drive that is a plain folder and was moved within its volume is found by
// nobody; adding it again tells where it is, and it stays the drive it was.
func TestFolderDriveMoved(t *testing.T) {
	b := newBench(t)
	b.write("2026-03-02 Tern Island/Stills/TERN0001.JPG", 1000)
	home := t.TempDir()
	before, after := filepath.Join(home, "attic"), filepath.Join(home, "loft")
	if err := os.Mkdir(before, 0o755); err != nil {
		t.Fatal(err)
	}
	b.start()
	b.adopt(before, "Attic")
	b.until("verified", allHeld(1))
	if err := os.Rename(before, after); err != nil {
		t.Fatal(err)
	}
	b.until("seen to be away", func(s api.Status) bool { return !s.Drives[0].Online })
	b.write("2026-03-02 Tern Island/Stills/TERN0002.JPG", 1000)
	b.adopt(after, "Attic")
	s := b.until("verified at the new place", allHeld(2))
	if len(s.Drives) != 1 || s.Drives[0].Path != after {
		t.Errorf("the drives are %+v, want one at %s", s.Drives, after)
	}
	_, err := b.client.AddDrive(t.Context(), api.AddDrive{Path: after, Name: "Attic", Separate: true})
	if err == nil {
		t.Error("a drive that is where it was known to be was adopted again")
	}
}
