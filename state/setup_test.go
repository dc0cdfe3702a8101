package state

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"copyhold/replicate"
)

// noon is when the tests take place.
var noon = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)

// ternIsland is the shoot of most tests.
var ternIsland = replicate.ShootID{Working: "Shoots", Name: "2026-03-02 Tern Island"}

// openLedger opens the ledger in dir and checks it when the test ends.
func openLedger(t testing.TB, dir string) *Ledger {
	t.Helper()
	l, err := Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := l.Check(); err != nil {
			t.Errorf("the ledger is not whole at the end: %v", err)
		}
		if err := l.Close(); err != nil {
			t.Error(err)
		}
	})
	return l
}

// newLedger is an empty one that knows the drives Slate and Attic.
func newLedger(t testing.TB) *Ledger {
	t.Helper()
	l := openLedger(t, t.TempDir())
	record(t, l, func(tx *Tx) error { return putDrives(tx) })
	return l
}

func putDrives(tx *Tx) error {
	return errors.Join(
		tx.PutDrive(&replicate.Drive{ID: "slate", Name: "Slate", Place: replicate.WithMe}),
		tx.PutDrive(&replicate.Drive{ID: "attic", Name: "Attic", Place: replicate.Home}),
	)
}

func record(t testing.TB, l *Ledger, fn func(*Tx) error) {
	t.Helper()
	if err := l.Update(fn); err != nil {
		t.Fatal(err)
	}
}

func view(t testing.TB, l *Ledger, ask func(*Tx) error) {
	t.Helper()
	if err := l.View(ask); err != nil {
		t.Fatal(err)
	}
}

// still is a read file under a path, verified on the drives.
func still(path string, drives ...replicate.DriveNo) *replicate.File {
	f := &replicate.File{
		FileID: replicate.FileID{Working: "Shoots", Path: path},
		Stat:   replicate.Stat{Size: 42_000_000, MTime: noon.Add(-time.Hour), Inode: 7},
		SeenAt: noon, Digest: sha256.Sum256([]byte(path)), XXH128: replicate.XXH128{1, 2, 3},
	}
	for _, no := range drives {
		f.SetCopy(replicate.Copy{Drive: no, State: replicate.Verified, Digest: f.Digest, Size: f.Size, VerifiedAt: noon})
	}
	return f
}

// seeded returns a source of chance and prints its seed.
func seeded(t testing.TB) *rand.Rand {
	t.Helper()
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	return rand.New(rand.NewPCG(seed, 0))
}

func oneOf[T any](r *rand.Rand, all ...T) T { return all[r.IntN(len(all))] }

// randomFile holds anything that a file can hold, to the second.
func randomFile(r *rand.Rand, path string, drives int) *replicate.File {
	f := &replicate.File{
		FileID: replicate.FileID{Working: "Shoots", Path: path},
		Stat:   replicate.Stat{Size: r.Int64() >> r.IntN(63), MTime: time.Unix(r.Int64N(4e9)-1e9, r.Int64N(1e9)), Inode: r.Uint64() >> r.IntN(64)},
		SeenAt: noon.Add(-time.Duration(r.IntN(1e9)) * time.Millisecond),
		Life:   oneOf(r, replicate.Here, replicate.Here, replicate.LetGo, replicate.Archived, replicate.Skipped),
	}
	if f.Life == replicate.LetGo || f.Life == replicate.Archived {
		f.GoneAt = noon.Add(-time.Duration(r.IntN(1e6)) * time.Second)
	}
	if r.IntN(4) > 0 {
		f.Digest, f.XXH128 = randomDigest(r), replicate.XXH128{byte(r.Uint32()), 2}
	}
	if r.IntN(5) == 0 {
		f.Attempt = randomAttempt(r, replicate.SourceUnreadable, replicate.SourceGone, replicate.SourceChanging)
	}
	for no := range drives {
		if r.IntN(2) == 0 {
			f.SetCopy(randomCopy(r, f, replicate.DriveNo(no+1)))
		}
	}
	return f
}

func randomCopy(r *rand.Rand, f *replicate.File, no replicate.DriveNo) replicate.Copy {
	c := replicate.Copy{Drive: no, State: oneOf(r, replicate.Missing, replicate.Verified, replicate.Verified, replicate.Damaged)}
	if c.State != replicate.Missing {
		c.Digest, c.Size = f.Digest, f.Size
		if !f.Digest.Known() || r.IntN(3) == 0 {
			c.Digest, c.Size = randomDigest(r), r.Int64N(1e12)
		}
		c.VerifiedAt = noon.Add(-time.Duration(r.IntN(1e8)) * time.Second)
	}
	if r.IntN(6) == 0 {
		c.StoredAs = f.Path + "%3A"
	}
	if c.State == replicate.Missing || r.IntN(4) == 0 {
		c.Attempt = randomAttempt(r, replicate.DriveFull, replicate.NameRefused, replicate.TooLarge, replicate.NoPlaceOnDrive)
	}
	return c
}

func randomAttempt(r *rand.Rand, causes ...replicate.Cause) (a replicate.Attempt) {
	cause := oneOf(r, causes...)
	for range 1 + r.IntN(3) {
		a = a.Failed(cause, noon)
	}
	return a
}

func randomDigest(r *rand.Rand) replicate.Digest { return sha256.Sum256(fmt.Append(nil, r.Uint64())) }

// readLedger returns the bytes of the ledger in dir.
func readLedger(t testing.TB, dir string) []byte {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(dir, FileName))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func writeLedger(t testing.TB, dir string, b []byte) {
	t.Helper()
	if err := os.WriteFile(filepath.Join(dir, FileName), b, 0o600); err != nil {
		t.Fatal(err)
	}
}
