package replicate

import (
	"crypto/sha256"
	"flag"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"
)

var update = flag.Bool("update", false, "write the golden files anew; read the difference as a reviewer would")

// noon is when the tests take place.
var noon = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)

const aDay = 24 * time.Hour

// ternIsland is the shoot of most tests.
var ternIsland = ShootID{Working: "Shoots", Name: "2026-03-02 Tern Island"}

// content is the digest of a file whose bytes the test never makes.
func content(of string) Digest { return sha256.Sum256([]byte(of)) }

// still is a settled and read file of Tern Island.
func still(name string, copies ...Copy) *File {
	f := &File{
		FileID: FileID{Working: ternIsland.Working, Path: ternIsland.Name + "/stills/" + name},
		Stat:   Stat{Size: 42_000_000, MTime: noon.Add(-3 * time.Hour), Inode: 7},
		SeenAt: noon.Add(-2 * time.Hour),
		Digest: content(name),
	}
	for _, c := range copies {
		f.SetCopy(c)
	}
	return f
}

// verified is a copy of that content, read back at noon.
func verified(no DriveNo, of Digest) Copy {
	return Copy{Drive: no, State: Verified, Digest: of, Size: 42_000_000, VerifiedAt: noon}
}

// seeded returns a source of chance and prints its seed.
func seeded(t testing.TB) *rand.Rand {
	t.Helper()
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	return rand.New(rand.NewPCG(seed, 0))
}

// oneOf picks one.
func oneOf[T any](r *rand.Rand, all ...T) T { return all[r.IntN(len(all))] }

// golden compares got with a golden file, or writes it with -update.
func golden(t *testing.T, path, got string) {
	t.Helper()
	if *update {
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("%s is not what it was; got\n%s\nwant\n%s", path, got, want)
	}
}
