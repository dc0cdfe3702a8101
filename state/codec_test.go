package state

import (
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"copyhold/replicate"
)

// alike compares what two values mean: times by the instant, nothing by nothing.
func alike(a, b any) string { return cmp.Diff(a, b, cmpopts.EquateEmpty()) }

func TestFileRoundTrip(t *testing.T) {
	r := seeded(t)
	for i := range 500 {
		f := randomFile(r, fmt.Sprintf("2026-03-02 Tern Island/stills/A%03d.raw", i), 5)
		back, err := decodeFile(fileKey(f.FileID), encodeFile(f))
		if err != nil {
			t.Fatalf("%+v: %v", f, err)
		}
		if diff := alike(f, back); diff != "" {
			t.Fatalf("another file comes back (-went +came):\n%s", diff)
		}
	}
}

// TestFileRoundTripAtTheEdges has what chance would not bring.
func TestFileRoundTripAtTheEdges(t *testing.T) {
	digest := still("a").Digest
	attempt := replicate.Attempt{Cause: replicate.DriveFull, Count: 255, RetryAt: noon}
	for name, f := range map[string]*replicate.File{
		"nothing but a name": {FileID: replicate.FileID{Working: "Shoots", Path: "a"}, SeenAt: time.UnixMilli(0), Stat: replicate.Stat{MTime: time.Unix(0, 0)}},
		"a name that is no text": {
			FileID: replicate.FileID{Working: "W\xff", Path: "caf\xe9/\n"}, SeenAt: noon, Stat: replicate.Stat{MTime: noon},
		},
		"the largest numbers": {
			FileID: replicate.FileID{Working: "Shoots", Path: "a"}, SeenAt: noon,
			Stat:   replicate.Stat{Size: math.MaxInt64, MTime: time.Date(2107, 12, 31, 23, 59, 59, 999_999_999, time.UTC), Inode: math.MaxUint64},
			Digest: digest, Copies: []replicate.Copy{
				{Drive: math.MaxUint16, State: replicate.Verified, Digest: digest, Size: math.MaxInt64, VerifiedAt: noon, Attempt: attempt},
			},
		},
		"before 1970": {FileID: replicate.FileID{Working: "Shoots", Path: "a"}, SeenAt: noon, Stat: replicate.Stat{MTime: time.Date(1904, 1, 1, 0, 0, 0, 1, time.UTC)}},
		"a copy without a date": {
			FileID: replicate.FileID{Working: "Shoots", Path: "a"}, SeenAt: noon, Stat: replicate.Stat{MTime: noon}, Digest: digest,
			Copies: []replicate.Copy{{Drive: 1, State: replicate.Verified, Digest: digest}},
		},
		"equal content of another size": { // cannot be, and is not made equal
			FileID: replicate.FileID{Working: "Shoots", Path: "a"}, SeenAt: noon, Stat: replicate.Stat{Size: 1, MTime: noon}, Digest: digest,
			Copies: []replicate.Copy{{Drive: 1, State: replicate.Verified, Digest: digest, Size: 2, VerifiedAt: noon}},
		},
	} {
		back, err := decodeFile(fileKey(f.FileID), encodeFile(f))
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if diff := alike(f, back); diff != "" {
			t.Errorf("%s: another file comes back (-went +came):\n%s", name, diff)
		}
	}
}

// TestCutValuesAreRefused cuts values after every byte.
func TestCutValuesAreRefused(t *testing.T) {
	r := seeded(t)
	for range 50 {
		f := randomFile(r, "a/b", 4)
		whole := encodeFile(f)
		for n := range whole {
			if back, err := decodeFile(fileKey(f.FileID), whole[:n]); err == nil {
				t.Fatalf("%d of %d bytes read as %+v", n, len(whole), back)
			}
		}
		if _, err := decodeFile(fileKey(f.FileID), append(whole, 0)); err == nil {
			t.Fatal("a byte too many is not noticed")
		}
		s := randomShoot(t, r.IntN(20))
		whole = encodeShoot(s)
		for n := range whole {
			if back, err := decodeShoot(shootKey(s.ID), whole[:n]); err == nil {
				t.Fatalf("%d of %d bytes read as %+v", n, len(whole), back)
			}
		}
	}
	for _, k := range []string{"", "no zero byte"} {
		if _, err := decodeFile([]byte(k), encodeFile(still("a"))); err == nil {
			t.Errorf("the key %q is taken", k)
		}
	}
}

// TestValuesOfAnotherSchemaAreRefused changes what a newer program may write.
func TestValuesOfAnotherSchemaAreRefused(t *testing.T) {
	f := still("a/b", 1)
	good := encodeFile(f)
	good[0] = codecVersion + 1
	if _, err := decodeFile(fileKey(f.FileID), good); err == nil {
		t.Error("a file of a later version is taken")
	}
	s := randomShoot(t, 3)
	value := encodeShoot(s)
	for i, b := range map[int]byte{0: codecVersion + 1, 1: byte(replicate.Covered) + 1} {
		changed := append([]byte(nil), value...)
		changed[i] = b
		if _, err := decodeShoot(shootKey(s.ID), changed); err == nil {
			t.Errorf("a shoot with byte %d of %d is taken", i, b)
		}
	}
}

func randomShoot(t testing.TB, files int) Shoot {
	r := seeded(t)
	s := Shoot{ID: ternIsland, Tally: replicate.Tally{}, Standing: oneOf(r, replicate.OneCopy, replicate.Covered), Since: noon, FirstSeen: noon.Add(-time.Hour)}
	for range files {
		f := randomFile(r, "2026-03-02 Tern Island/a", 4)
		f.Size = r.Int64N(1e12)
		s.Tally.Add(f)
	}
	return s
}

func TestShootRoundTrip(t *testing.T) {
	for i := range 200 {
		s := randomShoot(t, i%40)
		back, err := decodeShoot(shootKey(s.ID), encodeShoot(s))
		if err != nil {
			t.Fatal(err)
		}
		if diff := alike(s, back); diff != "" {
			t.Fatalf("another shoot comes back (-went +came):\n%s", diff)
		}
	}
}

// FuzzDecodeFile reads anything: no panic, and what reads as a file can be
// written and reads as the same.
func FuzzDecodeFile(f *testing.F) {
	r := seeded(f)
	for range 20 {
		f.Add(encodeFile(randomFile(r, "a/b", 3)))
	}
	f.Add([]byte{})
	f.Add([]byte{codecVersion, fileDigest, 0})
	k := fileKey(still("a/b").FileID)
	f.Fuzz(func(t *testing.T, v []byte) {
		file, err := decodeFile(k, v)
		if err != nil {
			return
		}
		again, err := decodeFile(k, encodeFile(file))
		if err != nil {
			t.Fatalf("%+v is written and does not read: %v", file, err)
		}
		if diff := alike(file, again); diff != "" {
			t.Fatalf("another file comes back (-went +came):\n%s", diff)
		}
		if _, err := replicate.GroupOf(file).Key().Group(); err != nil {
			t.Fatalf("%+v makes a group that does not read: %v", file, err)
		}
	})
}

func FuzzDecodeShoot(f *testing.F) {
	for n := range 10 {
		f.Add(encodeShoot(randomShoot(f, n)))
	}
	f.Add([]byte{})
	k := shootKey(ternIsland)
	f.Fuzz(func(t *testing.T, v []byte) {
		s, err := decodeShoot(k, v)
		if err != nil {
			return
		}
		again, err := decodeShoot(k, encodeShoot(s))
		if err != nil {
			t.Fatalf("%+v is written and does not read: %v", s, err)
		}
		if diff := alike(s, again); diff != "" {
			t.Fatalf("another shoot comes back (-went +came):\n%s", diff)
		}
	})
}
