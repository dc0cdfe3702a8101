package drives

import (
	"context"
	"fmt"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"copyhold/replicate"

	"go.uber.org/goleak"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// finder is a Finder in a made-up world.
func finder(probe func(string) (replicate.Evidence, bool), all ...mount) *Finder {
	return &Finder{
		mounts: func() ([]mount, error) { return all, nil },
		probe:  probe,
		wait:   patience,
		busy:   map[string]bool{},
	}
}

// nothing is a probe that finds nothing.
func nothing(path string) (replicate.Evidence, bool) { return replicate.Evidence{Path: path}, false }

// TestVisits shows where is looked, and what would hang together.
func TestVisits(t *testing.T) {
	for _, c := range []struct {
		name   string
		mounts []mount
		known  []Where
		want   string
	}{
		{
			name:   "tops of volumes, not of pseudo file systems",
			mounts: []mount{{"/", "1", false}, {"/proc", "2", true}, {"/media/RED", "3", false}},
			want:   "1: /\n3: /media/RED",
		},
		{
			name:   "a known sub-folder is looked for on every volume",
			mounts: []mount{{"/", "1", false}, {"/media/RED", "3", false}},
			known:  []Where{{ID: "a", LastPath: "/media/RED/copies/a", Sub: "copies/a"}},
			want:   "1: / /copies/a\n3: /media/RED /media/RED/copies/a",
		},
		{
			name:   "last paths elsewhere, and on pseudo file systems",
			mounts: []mount{{"/", "1", false}, {"/run/layers", "2", true}},
			known:  []Where{{ID: "a", LastPath: "/srv/copies/"}, {ID: "b", LastPath: "/run/layers/b"}, {ID: "c"}},
			want:   "1: /\n1: /srv/copies\n2: /run/layers/b",
		},
		{
			name:   "two drives with one sub-folder",
			mounts: []mount{{"/media/RED", "3", false}},
			known:  []Where{{ID: "a", Sub: "copies"}, {ID: "b", Sub: "copies"}},
			want:   "3: /media/RED /media/RED/copies",
		},
		{
			name:   "a folder belongs to the mount it lies on",
			mounts: []mount{{"/media", "3", false}, {"/media/copies", "4", false}},
			known:  []Where{{ID: "a", LastPath: "/media/copies", Sub: "copies"}},
			want:   "3: /media\n4: /media/copies /media/copies/copies",
		},
		{
			name:   "of two mounts over each other the upper one",
			mounts: []mount{{"/media/RED", "3", false}, {"/media/RED", "4", false}},
			want:   "4: /media/RED",
		},
		{
			name:   "a sub-folder never leads out",
			mounts: []mount{{"/media/RED", "3", false}},
			known:  []Where{{ID: "a", Sub: "../BLUE"}, {ID: "b", Sub: "/etc"}},
			want:   "3: /media/RED",
		},
	} {
		t.Run(c.name, func(t *testing.T) {
			var lines []string
			for _, v := range finder(nothing, c.mounts...).visits(c.known) {
				id, _, _ := strings.Cut(v.key, " ")
				lines = append(lines, id+": "+filepath.ToSlash(strings.Join(v.folders, " ")))
			}
			if got := strings.Join(lines, "\n"); got != c.want {
				t.Errorf("got\n%s\nwant\n%s", got, c.want)
			}
		})
	}
}

// TestLookIsBounded has one volume of somebody else's and one with a known drive hang: the others are found in time,
// only the known drive is spoken of, and looking on does not add up.
func TestLookIsBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		release := make(chan struct{})
		var inside, calls atomic.Int32
		f := finder(func(path string) (replicate.Evidence, bool) {
			path = filepath.ToSlash(path)
			if strings.HasPrefix(path, "/hung") {
				calls.Add(1)
				inside.Add(1)
				defer inside.Add(-1)
				<-release
			}
			return replicate.Evidence{Path: path, ID: "x", Mount: "1"}, path != "/" && path != "/a"
		}, mount{"/", "1", false}, mount{"/hung/foreign", "2", false}, mount{"/hung/slate", "3", false}, mount{"/media/RED", "4", false})
		known := []Where{{ID: "slate", LastPath: "/hung/slate", Sub: ""}, {ID: "red", LastPath: "/media/RED/a", Sub: "a"}}

		want := "/hung/slate (it does not answer)\n/media/RED x\n/media/RED/a x"
		for i := range 5 {
			began := time.Now()
			got := brief(f.Look(t.Context(), known))
			took := time.Since(began)
			if got != want {
				t.Errorf("look %d: got\n%s\nwant\n%s", i, got, want)
			}
			if i == 0 && took != patience || i > 0 && took != 0 {
				t.Errorf("look %d took %v: the first waits for %v, later ones know", i, took, patience)
			}
		}
		if n, c := inside.Load(), calls.Load(); n != 2 || c != 2 {
			t.Errorf("%d probes hang after %d calls, want one of each hung mount", n, c)
		}

		close(release) // the drives answer at last
		synctest.Wait()
		want = "/hung/foreign x\n/hung/foreign/a x\n/hung/slate x\n/hung/slate/a x\n/media/RED x\n/media/RED/a x"
		got := brief(f.Look(t.Context(), known))
		if got != want {
			t.Errorf("afterwards: got\n%s\nwant\n%s", got, want)
		}
	})
}

// TestAHungMountDoesNotHideTheNextOne mounts a new volume where a hung one is: it is asked at once.
func TestAHungMountDoesNotHideTheNextOne(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		release := make(chan struct{})
		defer close(release)
		var calls atomic.Int32
		f := finder(func(path string) (replicate.Evidence, bool) {
			if calls.Add(1) == 1 {
				<-release
			}
			return replicate.Evidence{Path: path, ID: "slate"}, true
		}, mount{"/m", "2", false})
		known := []Where{{ID: "slate", LastPath: "/m"}}
		if got, want := brief(f.Look(t.Context(), known)), "/m (it does not answer)"; got != want {
			t.Errorf("got %s, want %s", got, want)
		}
		f.mounts = func() ([]mount, error) { return []mount{{"/m", "3", false}}, nil }
		if got, want := brief(f.Look(t.Context(), known)), "/m slate"; got != want {
			t.Errorf("got %s, want %s", got, want)
		}
	})
}

// TestLookEndsWithItsContext: a stopping daemon does not wait for a dead share.
func TestLookEndsWithItsContext(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		release := make(chan struct{})
		defer close(release)
		f := finder(func(path string) (replicate.Evidence, bool) { <-release; return nothing(path) }, mount{"/m", "2", false})
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		began := time.Now()
		if got := f.Look(ctx, []Where{{ID: "a", LastPath: "/m"}}); got != nil {
			t.Errorf("got %v", got)
		}
		if took := time.Since(began); took != time.Second {
			t.Errorf("took %v", took)
		}
	})
}

// TestTroubleIsToldWhereADriveIsExpected: a foreign share that we may not read is not our news.
func TestTroubleIsToldWhereADriveIsExpected(t *testing.T) {
	f := finder(func(path string) (replicate.Evidence, bool) {
		return replicate.Evidence{Path: path, Err: "its folder cannot be read: permission denied"}, false
	}, mount{"/a", "1", false}, mount{"/b", "2", false})
	got := brief(f.Look(t.Context(), []Where{{ID: "b", LastPath: "/b"}}))
	if want := "/b (its folder cannot be read: permission denied)"; got != want {
		t.Errorf("got %s, want %s", got, want)
	}
}

func brief(seen []replicate.Evidence) string {
	var lines []string
	for _, e := range seen {
		e.Path = filepath.ToSlash(e.Path)
		if e.Err != "" {
			lines = append(lines, fmt.Sprintf("%s (%s)", e.Path, e.Err))
			continue
		}
		lines = append(lines, fmt.Sprintf("%s %s", e.Path, e.ID))
	}
	return strings.Join(lines, "\n")
}
