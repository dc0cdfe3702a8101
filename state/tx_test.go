package state

import (
	"errors"
	"fmt"
	"iter"
	"maps"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"copyhold/replicate"
)

// paths are those of files, in the order they come.
func paths(files iter.Seq[*replicate.File]) []string {
	var all []string
	for f := range files {
		all = append(all, f.Path)
	}
	return all
}

// treacherous are paths of shoots whose names share beginnings, with loose files
// among them, ordered by path.
var treacherous = []string{
	"(loose files)", // a loose file that is called like the shoot of its kind
	"(loose files)/x", "0.txt", "a b/x", "a b.txt", "a.b/x", "a.b/y", "a/sub/x", "a/x", "a/x.xmp", "a/z", "a/~~", "a/é", "a0", "a0.txt",
	"ab/x", "b.txt", "é/x", "é.txt", "zz",
}

// TestFilesOfEachShoot compares with picking from all files by hand: every
// shoot, from every place on.
func TestFilesOfEachShoot(t *testing.T) {
	slices.Sort(treacherous)
	l := newLedger(t)
	record(t, l, func(tx *Tx) error {
		var errs []error
		for _, p := range treacherous {
			errs = append(errs, tx.PutFile(still(p, 1), noon))
			other := still(p, 2)
			other.Working = "Shoots2" // a working folder whose name begins like the first
			errs = append(errs, tx.PutFile(other, noon))
		}
		return errors.Join(errs...)
	})
	shoots := map[string][]string{}
	for _, p := range treacherous {
		name := replicate.FileID{Path: p}.Shoot().Name
		shoots[name] = append(shoots[name], p)
	}
	shoots["absent"], shoots["a."] = nil, nil
	view(t, l, func(tx *Tx) error {
		var failed error
		if got := paths(tx.All("Shoots", &failed)); !slices.Equal(got, treacherous) {
			t.Errorf("all files: got %q, want %q", got, treacherous)
		}
		for _, working := range []string{"", "Shoot", "Shoots3"} {
			if got := paths(tx.All(working, &failed)); got != nil {
				t.Errorf("%q has the files %q", working, got)
			}
		}
		for name, all := range shoots {
			id := replicate.ShootID{Working: "Shoots", Name: name}
			for _, after := range append(slices.Clone(treacherous), "", "a/", "a/y", "a.", "\xff") {
				want := slices.DeleteFunc(slices.Clone(all), func(p string) bool { return p <= after })
				if got := paths(tx.Files(id, after, &failed)); !slices.Equal(got, want) {
					t.Errorf("%q after %q: got %q, want %q", name, after, got, want)
				}
			}
			for range tx.Files(id, "", &failed) {
				break // leaving early is allowed
			}
		}
		return failed
	})
}

// TestUnreadableValueEndsTheWalk: the files before it come, and then the error.
func TestUnreadableValueEndsTheWalk(t *testing.T) {
	for _, shoot := range []string{"a", replicate.LooseFiles} {
		l, err := Open(t.TempDir()) // will not be whole
		if err != nil {
			t.Fatal(err)
		}
		defer l.Close()
		folder := ""
		if shoot == "a" {
			folder = "a/"
		}
		record(t, l, func(tx *Tx) error {
			bad := fileKey(replicate.FileID{Working: "Shoots", Path: folder + "2"})
			return errors.Join(tx.PutFile(still(folder+"1"), noon), tx.tx.Bucket(filesBucket).Put(bad, []byte{99}), tx.PutFile(still(folder+"3"), noon))
		})
		view(t, l, func(tx *Tx) error {
			var failed error
			got := paths(tx.Files(replicate.ShootID{Working: "Shoots", Name: shoot}, "", &failed))
			if !slices.Equal(got, []string{folder + "1"}) || !errors.Is(failed, errValue) {
				t.Errorf("%s: got %q and %v", shoot, got, failed)
			}
			return nil
		})
	}
}

// TestRandomUpdates puts, changes and forgets files in many transactions, some of
// which fail half way. The ledger holds what a map holds, and at the end of the
// test its tallies are checked against the files.
func TestRandomUpdates(t *testing.T) {
	r := seeded(t)
	l := newLedger(t)
	files := map[replicate.FileID]*replicate.File{}
	given := errors.New("given up")
	for range 60 {
		draft := maps.Clone(files)
		err := l.Update(func(tx *Tx) error {
			for range r.IntN(20) {
				if err := randomStep(r, tx, draft); err != nil {
					return err
				}
			}
			if r.IntN(4) == 0 {
				return given
			}
			return nil
		})
		switch {
		case err == nil:
			files = draft
		case !errors.Is(err, given):
			t.Fatal(err)
		}
	}
	view(t, l, func(tx *Tx) error { return sameAs(t, tx, files) })
	record(t, l, func(tx *Tx) error {
		for id := range files {
			if err := tx.DeleteFile(id, noon); err != nil {
				return err
			}
		}
		return nil
	})
	view(t, l, func(tx *Tx) error {
		if shoots, err := tx.Shoots(); len(shoots) != 0 || err != nil {
			t.Errorf("all files forgotten, and left are the shoots %v, %v", shoots, err)
		}
		return nil
	})
}

func randomStep(r *rand.Rand, tx *Tx, files map[replicate.FileID]*replicate.File) error {
	path := oneOf(r, "a/", "a b/", "a.b/", "", "2026-03-02 Tern Island/stills/") + fmt.Sprint(r.IntN(12))
	id := replicate.FileID{Working: "Shoots", Path: path}
	if r.IntN(4) == 0 {
		delete(files, id)
		return tx.DeleteFile(id, noon)
	}
	files[id] = randomFile(r, path, 2)
	return tx.PutFile(files[id], noon)
}

// sameAs compares the ledger with what it should hold.
func sameAs(t *testing.T, tx *Tx, files map[replicate.FileID]*replicate.File) error {
	var failed error
	met := 0
	for f := range tx.All("Shoots", &failed) {
		met++
		if diff := alike(files[f.FileID], f); diff != "" {
			t.Errorf("%s (-put +found):\n%s", f.FileID, diff)
		}
	}
	if met != len(files) {
		t.Errorf("%d files, want %d", met, len(files))
	}
	for id := range files {
		if f, err := tx.File(id); err != nil || f == nil {
			t.Errorf("%s: %v, %v", id, f, err)
		}
	}
	return failed
}

func TestUnknownFile(t *testing.T) {
	l := newLedger(t)
	view(t, l, func(tx *Tx) error {
		if f, err := tx.File(still("a/b").FileID); f != nil || err != nil {
			t.Errorf("got %v, %v", f, err)
		}
		return nil
	})
	record(t, l, func(tx *Tx) error { return tx.DeleteFile(still("a/b").FileID, noon) })
}

// TestStandings follows one shoot through its life in the ledger.
func TestStandings(t *testing.T) {
	l := newLedger(t)
	later := noon.Add(time.Hour)
	record(t, l, func(tx *Tx) error {
		if err := tx.PutFile(still(ternIsland.Name+"/A001.raw"), noon); err != nil {
			return err
		}
		var changed []replicate.ShootID
		for s := range tx.Changed() {
			changed = append(changed, s.ID)
		}
		if !slices.Equal(changed, []replicate.ShootID{ternIsland}) {
			t.Errorf("changed: %v", changed)
		}
		return nil
	})
	check := func(standing replicate.Standing, since time.Time, files int64) {
		t.Helper()
		view(t, l, func(tx *Tx) error {
			shoots, err := tx.Shoots()
			if err != nil || len(shoots) != 1 {
				t.Fatalf("got %v, %v", shoots, err)
			}
			s := shoots[0]
			var sum replicate.Sum
			for _, part := range s.Tally {
				sum = sum.Add(part)
			}
			if s.ID != ternIsland || s.Standing != standing || !s.Since.Equal(since) || !s.FirstSeen.Equal(noon) || sum.Files != files {
				t.Errorf("got %+v", s)
			}
			return nil
		})
	}
	check(replicate.OneCopy, noon, 1)
	record(t, l, func(tx *Tx) error { return tx.SetStanding(ternIsland, replicate.Covered, later) })
	check(replicate.Covered, later, 1)
	record(t, l, func(tx *Tx) error { return tx.PutFile(still(ternIsland.Name+"/A002.raw", 1), later) })
	check(replicate.Covered, later, 2)
}

func TestDrives(t *testing.T) {
	l := newLedger(t)
	vault := replicate.Drive{
		ID: "vault", Name: "Vault: \"the other\"", Place: replicate.OffSite, Volume: "vol-3", LastPath: "/media/ana/VAULT", Sub: "copies",
		Separate: true, Beside: []string{"slate", replicate.WorkingDisk("Shoots")}, Adopted: noon, LastSeen: noon, Retired: noon,
		Room:   replicate.Room{Free: 1, Size: 2},
		Traits: replicate.Traits{Probed: true, FoldsCase: true, Forbidden: "\x01:", UTF8Only: true, MaxName: 255, NameInUTF16: true, LargestFile: 1<<32 - 1, TimeStep: 2 * time.Second},
	}
	record(t, l, func(tx *Tx) error { return tx.PutDrive(&vault) })
	if vault.No != 3 {
		t.Errorf("the third drive is number %d", vault.No)
	}
	vault.Name = "Vault"
	record(t, l, func(tx *Tx) error { return tx.PutDrive(&vault) })
	view(t, l, func(tx *Tx) error {
		all, err := tx.Drives()
		if len(all) != 3 || err != nil {
			t.Fatalf("got %v, %v", all, err)
		}
		if diff := alike(vault, all[2]); diff != "" {
			t.Errorf("another drive comes back (-put +found):\n%s", diff)
		}
		return nil
	})
}

func TestUnlisted(t *testing.T) {
	l := newLedger(t)
	a, ab := replicate.ShootID{Working: "Shoots", Name: "a"}, replicate.ShootID{Working: "Shoots", Name: "a b"}
	elsewhere := replicate.ShootID{Working: "Shoots2", Name: "a"}
	record(t, l, func(tx *Tx) error {
		return errors.Join(tx.MarkUnlisted(1, ab), tx.MarkUnlisted(1, a), tx.MarkUnlisted(1, a), tx.MarkUnlisted(256, elsewhere), tx.MarkUnlisted(2, ternIsland))
	})
	record(t, l, func(tx *Tx) error { return errors.Join(tx.ClearUnlisted(2, ternIsland), tx.ClearUnlisted(2, a)) })
	view(t, l, func(tx *Tx) error {
		for no, want := range map[replicate.DriveNo][]replicate.ShootID{1: {a, ab}, 2: nil, 256: {elsewhere}, 0: nil} {
			if got, err := tx.Unlisted(no); err != nil || !slices.Equal(got, want) {
				t.Errorf("drive %d: got %v, %v, want %v", no, got, err, want)
			}
		}
		return nil
	})
}

func TestSaid(t *testing.T) {
	l := newLedger(t)
	once := replicate.Said{At: noon, Severity: replicate.Critical, Weight: 2}
	record(t, l, func(tx *Tx) error {
		return errors.Join(tx.PutSaid("one-copy Shoots/a", once), tx.PutSaid("drive-full slate", once), tx.PutSaid("paused ", replicate.Said{}))
	})
	record(t, l, func(tx *Tx) error { return tx.PutSaid("drive-full slate", replicate.Said{}) })
	view(t, l, func(tx *Tx) error {
		got, err := tx.Said()
		if diff := alike(map[string]replicate.Said{"one-copy Shoots/a": once}, got); diff != "" || err != nil {
			t.Errorf("%v (-said +found):\n%s", err, diff)
		}
		return nil
	})
}

func TestWorkings(t *testing.T) {
	l := newLedger(t)
	record(t, l, func(tx *Tx) error {
		for _, w := range []string{"Shoots", "Archive", "Shoots"} {
			f := still(strings.Repeat("a", len(w)) + "/x")
			f.Working = w
			if err := tx.PutFile(f, noon); err != nil {
				return err
			}
		}
		return nil
	})
	view(t, l, func(tx *Tx) error {
		if got, err := tx.Workings(); err != nil || !slices.Equal(got, []string{"Archive", "Shoots"}) {
			t.Errorf("got %q, %v", got, err)
		}
		return nil
	})
}
