package volumetest_test

import (
	"bytes"
	"errors"
	"flag"
	"io/fs"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"go.uber.org/goleak"

	"copyhold/replicate"
	"copyhold/replicate/volume"
	"copyhold/replicate/volume/volumetest"
)

var replay = flag.Uint64("faultlab.seed", 0, "seed of the crashes; 0 draws one")

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const states = 400 // crash states tried of each story

// outcomes crashes a drive often and tells which sets of files were met.
func outcomes(t *testing.T, m *volumetest.Mem) map[string]int {
	t.Helper()
	seed := *replay
	if seed == 0 {
		seed = rand.Uint64()
	}
	t.Log("seed", seed)
	met := map[string]int{}
	for i := range uint64(states) {
		met[files(m.Crash(rand.New(rand.NewPCG(seed, i))))]++
	}
	return met
}

// files is what is on a drive in one line.
func files(m *volumetest.Mem) string {
	var all []string
	for name, c := range m.Files() {
		all = append(all, name+"="+string(c.Bytes))
	}
	slices.Sort(all)
	return strings.Join(all, " ")
}

func check(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// A crash leaves these states and no others, and each of them is met.
func TestCrash(t *testing.T) {
	for name, c := range map[string]struct {
		options volumetest.Options
		story   []step
		want    []string
	}{
		"nothing synced": {
			story: []step{unsynced("a", "1"), syncDir("")},
			want:  []string{"a=", "a=1", "a=\x00", "a=\xa5"},
		},
		"content without its name": {story: []step{create("a", "1")}, want: []string{"", "a=1"}},
		"content and name":         {story: []step{create("a", "1"), syncDir("")}, want: []string{"a=1"}},
		"names in no order":        {story: []step{create("a", "1"), create("b", "2")}, want: []string{"", "a=1", "b=2", "a=1 b=2"}},
		"rename in one folder": {
			story: []step{create("a", "1"), syncDir(""), rename("a", "b")},
			want:  []string{"a=1", "b=1", "a=1 b=1"},
		},
		"torn rename": {
			options: volumetest.Options{Torn: true},
			story:   []step{create("a", "1"), syncDir(""), rename("a", "b")},
			want:    []string{"a=1", "b=1", "a=1 b=1", ""},
		},
		"rename, folder of arrival synced": {
			story: []step{mkdir("d", ""), create("a", "1"), syncDir(""), rename("a", "d/b"), syncDir("d")},
			want:  []string{"a=1 d/b=1", "d/b=1"},
		},
		"rename, folder left synced": {
			story: []step{mkdir("d", ""), create("a", "1"), syncDir(""), rename("a", "d/b"), syncDir("")},
			want:  []string{"", "d/b=1"},
		},
		"into a folder that does not last": {
			story: []step{create("a", "1"), syncDir(""), mkdir("d", ""), rename("a", "d/b"), syncDir("d")},
			want:  []string{"a=1", "a=1 d/b=1", "d/b=1"},
		},
		"a folder's own name": {story: []step{mkdir("d", ""), create("d/a", "1"), syncDir("d")}, want: []string{"", "d/a=1"}},
		"remove":              {story: []step{create("a", "1"), syncDir(""), remove("a")}, want: []string{"", "a=1"}},
		"moved aside and made anew": {
			story: []step{create("a", "1"), create("p", "2"), syncDir(""), rename("a", "k"), rename("p", "a")},
			want: []string{
				"a=1 p=2", "a=1 k=1 p=2", "k=1 p=2", "a=2 k=1 p=2", "a=2 k=1",
			},
		},
		"replace": {
			story: []step{
				mkdir(".copyhold", ""), syncDir(""), create(".copyhold/a", "1"), create(".copyhold/p", "2"),
				syncDir(".copyhold"), replace(".copyhold/p", ".copyhold/a"),
			},
			want: []string{".copyhold/a=1 .copyhold/p=2", ".copyhold/a=2 .copyhold/p=2", ".copyhold/a=2"},
		},
	} {
		t.Run(name, func(t *testing.T) {
			m := volumetest.New(c.options)
			tell(t, c.story, m)
			met := outcomes(t, m)
			for state, times := range met {
				if !slices.Contains(c.want, state) {
					t.Errorf("%q was met %d times", state, times)
				}
			}
			for _, state := range c.want {
				if met[state] == 0 {
					t.Errorf("%q was never met", state)
				}
			}
		})
	}
}

func unsynced(name, content string) step {
	return step{"write " + name, func(v volume.Volume) error {
		s, err := v.Create(name)
		if err == nil {
			_, err = s.Write([]byte(content))
		}
		return err
	}, nil}
}

// The same seed gives the same state.
func TestCrashReplays(t *testing.T) {
	m := volumetest.New(volumetest.Options{})
	tell(t, []step{
		unsynced("a", strings.Repeat("1", 30_000)), mkdir("d/e", "", "d"), create("d/e/b", "2"),
		rename("a", "d/a"), syncDir(""), create("c", ""), rename("c", "d/e/c"), remove("d/e/b"),
	}, m)
	for seed := range uint64(100) {
		first := files(m.Crash(rand.New(rand.NewPCG(seed, 1))))
		if again := files(m.Crash(rand.New(rand.NewPCG(seed, 1)))); again != first {
			t.Fatalf("seed %d: %q, then %q", seed, first, again)
		}
	}
}

// Times last with their file's sync and not before.
func TestCrashLosesTimes(t *testing.T) {
	for _, synced := range []bool{false, true} {
		m := volumetest.New(volumetest.Options{})
		s, err := m.Create("a")
		check(t, err)
		if synced {
			check(t, errors.Join(m.SetTime("a", noon), s.Sync()))
		} else {
			check(t, errors.Join(s.Sync(), m.SetTime("a", noon)))
		}
		check(t, m.SyncDir(""))
		lost := 0
		for i := range uint64(states) {
			if !m.Crash(rand.New(rand.NewPCG(i, 0))).Files()["a"].Time.Equal(noon) {
				lost++
			}
		}
		if (lost > 0) == synced || lost == states {
			t.Errorf("synced %t: lost %d times of %d", synced, lost, states)
		}
	}
}

// On FAT a file that a crash left under two names is one file's blocks twice.
func TestSharedBlocks(t *testing.T) {
	for _, shared := range []bool{false, true} {
		m := volumetest.New(volumetest.Options{Shared: shared})
		tell(t, []step{create("a", "1"), syncDir(""), rename("a", "b")}, m)
		met := map[string]bool{}
		for i := range uint64(states) {
			c := m.Crash(rand.New(rand.NewPCG(i, 0)))
			if files(c) == "a=1 b=1" {
				check(t, c.Remove("a"))
				met[files(c)] = true
			}
		}
		if want := map[bool]string{false: "b=1", true: "b=\x00"}[shared]; len(met) != 1 || !met[want] {
			t.Errorf("shared %t: %v", shared, met)
		}
	}
}

// P5: a failed sync makes the next one lie, and the content is gone from the cache.
func TestFailedSyncLies(t *testing.T) {
	m := volumetest.New(volumetest.Options{})
	s, err := m.Create("a")
	check(t, err)
	_, err = s.Write([]byte("12345"))
	check(t, err)
	m.Inject(volumetest.InjectorFunc(func(op volumetest.Op) volumetest.Effect {
		if op.Kind == volumetest.Sync {
			return volumetest.Effect{Err: volume.ErrLost}
		}
		return volumetest.Effect{}
	}))
	if err := s.Sync(); !errors.Is(err, volume.ErrLost) {
		t.Fatal(err)
	}
	m.Inject(nil)
	check(t, errors.Join(s.Sync(), m.SyncDir("")))
	f, err := m.OpenPastCache("a")
	check(t, err)
	p := make([]byte, 5)
	if _, err := f.Read(p); err != nil || !bytes.Equal(p, make([]byte, 5)) {
		t.Errorf("%q, %v", p, err)
	}
	if met := outcomes(t, m); met["a="] == 0 {
		t.Errorf("%v", met)
	}
}

func TestTraits(t *testing.T) {
	m := volumetest.New(volumetest.Options{
		Traits:   replicate.Traits{FoldsCase: true, Forbidden: "\":", UTF8Only: true, MaxName: 4, NameInUTF16: true, LargestFile: 10},
		Capacity: 12,
	})
	tell(t, []step{
		create("Case", "1"), holds("cASE", "1"), create("case", "").fails(fs.ErrExist), listed("", "Case=1"),
		create("a:b", "").fails(volume.ErrName), create("\xff", "").fails(volume.ErrName), create("12345", "").fails(volume.ErrName),
		create("灯灯灯灯", ""), create("big", strings.Repeat("n", 11)).fails(volume.ErrTooLarge),
		create("full", strings.Repeat("n", 10)), create("more", "123").fails(volume.ErrFull), remove("full"),
	}, m)
	room, err := m.Room()
	if err != nil || room != (replicate.Room{Free: 10, Size: 12}) { // one byte of Case, and the one that more had room for
		t.Errorf("%+v, %v", room, err)
	}
	m.SetReadOnly(true)
	tell(t, []step{create("x", "").fails(volume.ErrReadOnly), remove("Case").fails(volume.ErrReadOnly), holds("Case", "1"), syncDir("")}, m)
}

func TestPulled(t *testing.T) {
	for _, deaf := range []bool{false, true} {
		m := volumetest.New(volumetest.Options{Deaf: deaf})
		s, err := m.Create("a")
		check(t, err)
		_, err = s.Write([]byte("1"))
		check(t, errors.Join(err, m.SyncDir("")))
		m.Pull()
		_, err = s.Write([]byte("2"))
		if (err == nil) != deaf || !deaf && !errors.Is(err, volume.ErrLost) {
			t.Errorf("deaf %t: write %v", deaf, err)
		}
		if err := s.Sync(); !errors.Is(err, volume.ErrLost) {
			t.Errorf("deaf %t: sync %v", deaf, err)
		}
		if err := m.SyncDir(""); !errors.Is(err, volume.ErrLost) {
			t.Errorf("deaf %t: sync of the folder %v", deaf, err)
		}
		if (m.Same() == nil) != deaf {
			t.Errorf("deaf %t: same %v", deaf, m.Same())
		}
		for state := range outcomes(t, m) {
			if strings.Contains(state, "2") {
				t.Errorf("deaf %t: written after the end: %q", deaf, state)
			}
		}
	}
}

func TestHooks(t *testing.T) {
	m := volumetest.New(volumetest.Options{})
	release, hung := make(chan struct{}), make(chan struct{})
	m.Inject(volumetest.InjectorFunc(func(op volumetest.Op) volumetest.Effect {
		switch {
		case op.Kind == volumetest.Write:
			close(hung)
			return volumetest.Effect{Hang: release}
		case op.Kind == volumetest.Read:
			return volumetest.Effect{Corrupt: func(p []byte) { p[0] ^= 1 }}
		case op.Kind == volumetest.Rename:
			return volumetest.Effect{Crash: true}
		}
		return volumetest.Effect{}
	}))
	done := make(chan error)
	go func() { done <- write(m, "a", "1") }()
	<-hung
	if _, err := m.Lstat("a"); err != nil {
		t.Error("a call waits for another one that hangs")
	}
	close(release)
	check(t, <-done)
	tell(t, []step{holds("a", "0").fails(nil), rename("a", "b").fails(volume.ErrLost), look("a").fails(volume.ErrLost)}, m)
	m.Restart()
	tell(t, []step{look("a"), look("b").fails(fs.ErrNotExist)}, m)
	m.Rot("a", 0)
	want := `1 create "a"
2 write "a" 0+1
3 look at "a"
4 sync "a"
`
	if !strings.HasPrefix(m.Trace(), want) || !strings.Contains(m.Trace(), `rename "a" -> "b" = rename b: the volume is gone`) {
		t.Errorf("trace:\n%s", m.Trace())
	}
}
