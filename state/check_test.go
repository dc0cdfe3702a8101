package state

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"

	bolt "go.etcd.io/bbolt"

	"copyhold/replicate"
)

// TestCheckFinds breaks the ledger in every way that its schema allows: the
// check names each, and is content without.
func TestCheckFinds(t *testing.T) {
	whole := readLedger(t, filled(t))
	shoot := replicate.ShootID{Working: "Shoots", Name: "2026-03-01 Tern Island"}
	path := shoot.Name + "/stills/A000.raw"
	for _, c := range []struct {
		name  string
		spoil func(tx *bolt.Tx) error
		want  string
	}{
		{"nothing", func(tx *bolt.Tx) error { return nil }, ""},
		{"a file changed without its tally", func(tx *bolt.Tx) error { return putRaw(tx, still(path, 1)) }, "its tally is not the sum of its files"},
		{"a file that no tally knows", func(tx *bolt.Tx) error { return putRaw(tx, still("2026-12-24 Lantern Walk/a")) }, "it has files and no tally"},
		{"a shoot without files", func(tx *bolt.Tx) error {
			s := Shoot{ID: ternIsland, Tally: replicate.Tally{}}
			s.Tally.Add(still(ternIsland.Name + "/a"))
			s.ID.Name = "2026-12-24 Lantern Walk"
			return tx.Bucket(shootsBucket).Put(shootKey(s.ID), encodeShoot(s))
		}, "its tally is not the sum of its files"},
		{"a shoot that does not read", func(tx *bolt.Tx) error { return tx.Bucket(shootsBucket).Put(shootKey(shoot), []byte{codecVersion}) }, "cut short"},
		{"a file that does not read", func(tx *bolt.Tx) error { return tx.Bucket(filesBucket).Put(fileKey(still(path).FileID), nil) }, "cut short"},
		{"a key without a working folder", func(tx *bolt.Tx) error { return tx.Bucket(filesBucket).Put([]byte("a"), encodeFile(still(path))) }, "cut short"},
		{"a copy on a drive nobody adopted", func(tx *bolt.Tx) error { return putRaw(tx, still(path, 1, 9)) }, "unknown drive 9"},
		{"copies out of order", func(tx *bolt.Tx) error {
			f := still(path, 1, 2)
			f.Copies[0], f.Copies[1] = f.Copies[1], f.Copies[0]
			return putRaw(tx, f)
		}, "out of order"},
		{"a verified copy of nothing", func(tx *bolt.Tx) error {
			f := still(path, 1)
			f.Copies[0].Digest = replicate.Digest{}
			return putRaw(tx, f)
		}, "a copy without a digest"},
		{"a drive that does not read", func(tx *bolt.Tx) error { return tx.Bucket(drivesBucket).Put(driveKey(1), []byte("{")) }, "read a drive"},
		{"what was said does not read", func(tx *bolt.Tx) error { return tx.Bucket(saidBucket).Put([]byte("paused "), []byte("{")) }, "read what was said"},
		{"a pause that does not read", func(tx *bolt.Tx) error { return tx.Bucket(metaBucket).Put([]byte("pause"), []byte("{")) }, "read the setting"},
		{"a working folder that does not read", func(tx *bolt.Tx) error {
			return tx.Bucket(metaBucket).Put([]byte("working Shoots"), []byte("{"))
		}, "read the setting"},
		{"an unlisted shoot without a name", func(tx *bolt.Tx) error { return tx.Bucket(unlistedBucket).Put([]byte{1}, nil) }, "cut short"},
	} {
		dir := t.TempDir()
		writeLedger(t, dir, whole)
		rawUpdate(t, dir, c.spoil)
		l, err := Open(dir)
		if err != nil {
			t.Fatalf("%s: %v", c.name, err)
		}
		err = l.Check()
		if c.want == "" && err != nil || c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)) {
			t.Errorf("%s: got %v, want %q", c.name, err, c.want)
		}
		if err := l.Close(); err != nil {
			t.Error(err)
		}
	}
}

// putRaw records a file behind its tally's back.
func putRaw(tx *bolt.Tx, f *replicate.File) error {
	return tx.Bucket(filesBucket).Put(fileKey(f.FileID), encodeFile(f))
}

// TestCheckWhileRecording: a ledger in use is whole at every moment.
func TestCheckWhileRecording(t *testing.T) {
	l := newLedger(t)
	l.db.NoSync = true // what is written is all that counts here
	done := make(chan error)
	go func() {
		r := rand.New(rand.NewPCG(3, 4))
		for i := range 150 {
			err := l.Update(func(tx *Tx) error {
				for range 40 {
					path := fmt.Sprintf("%s/%d.raw", ternIsland.Name, r.IntN(2000))
					if err := tx.PutFile(randomFile(r, path, 2), noon); err != nil {
						return err
					}
				}
				return nil
			})
			if err != nil || i == 149 {
				done <- err
				return
			}
		}
	}()
	for checks := 1; ; checks++ {
		if err := l.Check(); err != nil {
			t.Errorf("check %d: %v", checks, err)
		}
		select {
		case err := <-done:
			if err != nil {
				t.Error(err)
			}
			t.Logf("%d checks", checks)
			return
		default:
		}
	}
}
