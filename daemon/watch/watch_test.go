package watch

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const shoot = "2026-03-02 Tern Island"

// patience is how long a hint that must come may take on a busy machine.
const patience = 20 * time.Second

// sight is a running Watcher and the folder that it watches.
type sight struct {
	*testing.T
	*Watcher
	fences int
}

// look starts a Watcher of root, which set may change before, and ends it with the test.
func look(t *testing.T, root string, set func(*Watcher)) *sight {
	t.Helper()
	w := New(root, nil, nil)
	w.poll = 10 * time.Millisecond
	if set != nil {
		set(w)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- w.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Errorf("Run: %v", err)
		}
	})
	return &sight{T: t, Watcher: w}
}

// lookAt is look at a new folder, with the first Rescan fetched.
func lookAt(t *testing.T, set func(*Watcher)) *sight {
	t.Helper()
	s := look(t, t.TempDir(), set)
	s.await("rescan (watching started)")
	return s
}

func (s *sight) next() Hint {
	s.Helper()
	select {
	case h := <-s.Hints():
		return h
	case <-time.After(patience):
		s.Fatal("no hint came")
		return Hint{}
	}
}

// await fetches hints until line has come, and returns those before it.
func (s *sight) await(line string) (before []string) {
	s.Helper()
	for {
		select {
		case h := <-s.Hints():
			if h.String() == line {
				return before
			}
			before = append(before, h.String())
		case <-time.After(patience):
			s.Fatalf("no hint %s; got %q", line, tail(before))
		}
	}
}

func tail(lines []string) []string { return lines[max(0, len(lines)-20):] }

// soFar returns the hints for all that was done until now: up to one for a file
// that it makes. This takes the place of waiting to see whether more comes. A Rescan
// may have taken the place of that hint; then it makes another file.
func (s *sight) soFar() (before []string) {
	s.Helper()
	for {
		s.fences++
		name := fmt.Sprintf("fence-%d", s.fences)
		s.write(name)
		h := s.next()
		for ; h.Kind != Rescan && h.String() != touched(name); h = s.next() {
			before = append(before, h.String())
		}
		if h.Kind == Touched {
			return before
		}
		before = append(before, h.String())
	}
}

func (s *sight) path(rel string) string { return filepath.Join(s.root, filepath.FromSlash(rel)) }

func (s *sight) write(rel string) { s.Helper(); s.must(os.WriteFile(s.path(rel), []byte(rel), 0o666)) }

func (s *sight) mkdir(rel string) { s.Helper(); s.must(os.MkdirAll(s.path(rel), 0o777)) }

func (s *sight) rename(from, to string) { s.Helper(); s.must(os.Rename(from, to)) }

func (s *sight) must(err error) {
	s.Helper()
	if err != nil {
		s.Fatal(err)
	}
}

func touched(rel string) string { return Hint{Kind: Touched, Path: rel}.String() }

func mention(lines []string, part string) bool {
	return slices.ContainsFunc(lines, func(line string) bool { return strings.Contains(line, part) })
}

func TestWritesAreHinted(t *testing.T) {
	s := lookAt(t, nil)
	s.write("A001.raw")
	s.await(touched("A001.raw"))
	s.must(os.Remove(s.path("A001.raw")))
	s.await(touched("A001.raw"))
}

func TestFolderThatIsThereIsWatchedAndNotNamed(t *testing.T) {
	root := t.TempDir()
	deep := filepath.Join(root, shoot, "camera A", "clips")
	if err := os.MkdirAll(deep, 0o777); err != nil {
		t.Fatal(err)
	}
	s := look(t, root, nil)
	if before := s.await("rescan (watching started)"); len(before) > 0 {
		t.Errorf("hints before the first scan: %q", before)
	}
	s.write(shoot + "/camera A/clips/A001.mov")
	s.await(touched(shoot + "/camera A/clips/A001.mov"))
}

// TestNoFileIsMissed makes files in folders that are newer than any watch can be.
func TestNoFileIsMissed(t *testing.T) {
	s := lookAt(t, nil)
	for round := range 3 {
		want := map[string]bool{}
		for i := range 100 {
			in := fmt.Sprintf("%s %d/camera %d/day", shoot, round, i)
			s.mkdir(in)
			for n := range 10 {
				name := fmt.Sprintf("%s/A%03d.raw", in, n)
				s.write(name)
				want[touched(name)] = true
			}
		}
		for _, line := range s.soFarOrLater(want) {
			t.Errorf("round %d: unexpected %s", round, line)
		}
	}
}

// soFarOrLater fetches hints until each of want has come; it returns what is no Touched.
func (s *sight) soFarOrLater(want map[string]bool) (odd []string) {
	s.Helper()
	for len(want) > 0 {
		h := s.next()
		delete(want, h.String())
		if h.Kind != Touched {
			odd = append(odd, h.String())
		}
	}
	return odd
}

func TestRenamedOutIsForgotten(t *testing.T) {
	s := lookAt(t, nil)
	s.mkdir(shoot + "/stills")
	s.soFar()
	outside := filepath.Join(t.TempDir(), "gone")
	s.rename(s.path(shoot), outside)
	s.await(touched(shoot))
	s.soFar()
	s.must(os.WriteFile(filepath.Join(outside, "stills", "A001.raw"), nil, 0o666))
	if got := s.soFar(); mention(got, "A001") {
		t.Errorf("a folder that left still raises hints: %q", got)
	}
}

func TestRenamedInIsNamedAndWatched(t *testing.T) {
	s := lookAt(t, nil)
	outside := t.TempDir()
	s.must(os.MkdirAll(filepath.Join(outside, "in", "stills"), 0o777))
	s.must(os.WriteFile(filepath.Join(outside, "in", "stills", "A001.raw"), nil, 0o666))
	s.rename(filepath.Join(outside, "in"), s.path(shoot))
	s.await(touched(shoot + "/stills/A001.raw"))
	s.write(shoot + "/stills/A002.raw")
	s.await(touched(shoot + "/stills/A002.raw"))
}

func TestRenamedWithinIsWatchedUnderItsNewName(t *testing.T) {
	s := lookAt(t, nil)
	s.mkdir("untitled/stills")
	s.write("untitled/stills/A001.raw")
	s.soFar()
	s.rename(s.path("untitled"), s.path(shoot))
	before := s.await(touched(shoot + "/stills/A001.raw"))
	if !mention(before, touched("untitled")) {
		t.Errorf("the old name was not hinted: %q", before)
	}
	s.write(shoot + "/stills/A002.raw")
	s.await(touched(shoot + "/stills/A002.raw"))
}

// TestRenamedInHaste renames and makes folders faster than their events are told, so
// that watches under old names take those under new ones with them (see moved).
func TestRenamedInHaste(t *testing.T) {
	s := lookAt(t, nil)
	for round := range 50 {
		a, b, c := fmt.Sprintf("a%d", round), fmt.Sprintf("b%d", round), fmt.Sprintf("c%d", round)
		s.mkdir(a + "/stills")
		s.rename(s.path(a), s.path(b))
		s.mkdir(a + "/stills")
		s.rename(s.path(b), s.path(c))
		s.rename(s.path(a), s.path(b))
		s.soFar()
		for _, in := range []string{b, c} {
			s.write(in + "/stills/A001.raw")
			s.await(touched(in + "/stills/A001.raw"))
		}
	}
}

// TestMovedIntoANewFolder is the one move that events do not settle: the folder is
// found under its new name before its old name is known to be gone, and has one watch.
func TestMovedIntoANewFolder(t *testing.T) {
	s := lookAt(t, nil)
	for round := range 20 {
		from, into := fmt.Sprintf("from %d", round), fmt.Sprintf("into %d", round)
		s.mkdir(from + "/stills")
		s.soFar()
		s.mkdir(into)
		s.rename(s.path(from), s.path(into+"/"+from))
		s.soFar()
		name := into + "/" + from + "/stills/A001.raw"
		s.write(name)
		for h := s.next(); h.Kind != Rescan && h.String() != touched(name); h = s.next() {
		}
	}
}

// TestRenamedThenRemoved: fsnotify reports these on its channel of errors while it
// holds the lock that Add wants.
func TestRenamedThenRemoved(t *testing.T) {
	s := lookAt(t, nil)
	for i := range 500 {
		a, b := fmt.Sprintf("a%d", i), fmt.Sprintf("b%d", i)
		s.must(os.Mkdir(s.path(a), 0o777))
		s.must(os.Rename(s.path(a), s.path(b)))
		s.must(os.Remove(s.path(b)))
	}
	s.soFar()
}

func TestRootRemovedAndMadeAgain(t *testing.T) {
	s := lookAt(t, nil)
	for range 3 {
		s.must(os.RemoveAll(s.root))
		s.await("away")
		s.mkdir(shoot)
		s.await("rescan (folder is back)")
		s.write(shoot + "/A001.raw")
		s.await(touched(shoot + "/A001.raw"))
	}
}

// TestRootReplacedAtOnce leaves no time to see that the root was away.
func TestRootReplacedAtOnce(t *testing.T) {
	s := lookAt(t, nil)
	for i := range 5 {
		s.rename(s.root, fmt.Sprintf("%s-%d", s.root, i))
		s.must(os.Mkdir(s.root, 0o777))
		for h := s.next(); h.Kind != Rescan; h = s.next() {
		}
		s.write("A001.raw")
		s.await(touched("A001.raw"))
	}
}

func TestRootAbsentAtStart(t *testing.T) {
	s := look(t, filepath.Join(t.TempDir(), "WORK", "Shoots"), nil)
	if h := s.next(); h.Kind != Away {
		t.Fatalf("first hint: %s", h)
	}
	s.mkdir("")
	if h := s.next(); h.String() != "rescan (folder is back)" {
		t.Fatalf("second hint: %s", h)
	}
	s.write("A001.raw")
	s.await(touched("A001.raw"))
}

// TestRootRenamedFromAbove renames the folder that the root is in: no event tells.
func TestRootRenamedFromAbove(t *testing.T) {
	above := filepath.Join(t.TempDir(), "WORK")
	s := look(t, filepath.Join(above, "Shoots"), nil)
	s.await("away")
	s.mkdir("")
	s.await("rescan (folder is back)")
	s.rename(above, above+"-2")
	s.await("away")
	s.must(os.WriteFile(filepath.Join(above+"-2", "Shoots", "A001.raw"), nil, 0o666))
	s.rename(above+"-2", above)
	if before := s.await("rescan (folder is back)"); len(before) > 0 {
		t.Errorf("hints from under another name: %q", before)
	}
}

func TestRootThatIsAFile(t *testing.T) {
	root := filepath.Join(t.TempDir(), "Shoots")
	if err := os.WriteFile(root, nil, 0o666); err != nil {
		t.Fatal(err)
	}
	look(t, root, nil).await("away")
}

func TestRootThatIsALink(t *testing.T) {
	link := filepath.Join(t.TempDir(), "Shoots")
	if err := os.Symlink(t.TempDir(), link); err != nil {
		t.Skip(err)
	}
	s := look(t, link, nil)
	s.await("rescan (watching started)")
	s.mkdir(shoot)
	s.write(shoot + "/A001.raw")
	s.await(touched(shoot + "/A001.raw"))
	s.must(os.Remove(link))
	s.must(os.Symlink(t.TempDir(), link))
	for h := s.next(); h.Kind != Rescan; h = s.next() {
	}
	s.write("A002.raw")
	s.await(touched("A002.raw"))
}

func TestLinksAreNotFollowed(t *testing.T) {
	s := lookAt(t, nil)
	outside := t.TempDir()
	s.mkdir(shoot)
	if err := os.Symlink(outside, s.path(shoot+"/out")); err != nil {
		t.Skip(err)
	}
	s.must(os.Symlink(s.root, s.path(shoot+"/loop")))
	s.must(os.Symlink("self", s.path(shoot+"/self")))
	s.soFarOrLater(map[string]bool{
		touched(shoot + "/out"): true, touched(shoot + "/loop"): true, touched(shoot + "/self"): true,
	})
	s.must(os.WriteFile(filepath.Join(outside, "A001.raw"), nil, 0o666))
	if got := s.soFar(); mention(got, "A001") || mention(got, "loop/") {
		t.Errorf("a link was followed: %q", got)
	}
}

func TestIgnored(t *testing.T) {
	s := lookAt(t, func(w *Watcher) {
		w.ignore = func(rel string, dir bool) bool {
			return dir && strings.HasSuffix(rel, "cache") || !dir && strings.HasSuffix(rel, ".tmp")
		}
	})
	for _, in := range []string{"cache", ".copyhold", shoot} {
		s.mkdir(in)
		s.write(in + "/A001.raw")
	}
	s.write(shoot + "/A001.tmp")
	s.soFar()
	s.write("cache/A002.raw")
	s.write(".copyhold/A002.raw")
	s.write(shoot + "/A002.tmp")
	s.write(shoot + "/A002.raw")
	got := s.soFar()
	if mention(got, "cache") || mention(got, ".copyhold") || mention(got, ".tmp") || !mention(got, shoot+"/A002.raw") {
		t.Errorf("got %q", got)
	}
}

func TestModesAreNoChange(t *testing.T) {
	s := lookAt(t, nil)
	s.write("A001.raw")
	s.soFar()
	s.must(os.Chmod(s.path("A001.raw"), 0o600))
	if got := s.soFar(); mention(got, "A001") {
		t.Errorf("got %q", got)
	}
}

// TestTopLevelsOnly is how macOS watches.
func TestTopLevelsOnly(t *testing.T) {
	s := lookAt(t, func(w *Watcher) { w.depth = 1 })
	s.mkdir(shoot + "/stills")
	s.write(shoot + "/stills/A001.raw")
	s.soFar()
	s.write(shoot + "/stills/A002.raw")
	s.write(shoot + "/A003.raw")
	if got := s.soFar(); mention(got, "A002") || !mention(got, touched(shoot+"/A003.raw")) {
		t.Errorf("got %q", got)
	}
	outside := t.TempDir()
	s.must(os.MkdirAll(filepath.Join(outside, "in", "stills"), 0o777))
	s.must(os.WriteFile(filepath.Join(outside, "in", "stills", "B001.raw"), nil, 0o666))
	s.rename(filepath.Join(outside, "in"), s.path("B"))
	s.await(touched("B/stills/B001.raw"))
}

func TestSlowReader(t *testing.T) {
	if testing.Short() {
		t.Skip("makes 30,000 files")
	}
	s := lookAt(t, nil)
	want := map[string]bool{}
	for i := range 30_000 {
		rel := fmt.Sprintf("A%05d.raw", i)
		s.write(rel)
		want[touched(rel)] = true
	}
	for len(want) > 0 {
		h := s.next()
		if delete(want, h.String()); h.Kind == Rescan {
			t.Log("events were lost, and it said so: ", h)
			return
		}
	}
}

func TestTooManyToName(t *testing.T) {
	s := lookAt(t, func(w *Watcher) { w.pending.max = 100 })
	for i := range 1000 {
		s.write(fmt.Sprintf("A%05d.raw", i))
	}
	s.await("rescan (too many changes to name)")
	s.soFar()
	s.write("B001.raw")
	s.await(touched("B001.raw"))
}

func TestNewReadsNothing(t *testing.T) {
	w := New(t.TempDir(), nil, nil)
	w.open = func() (*source, error) { t.Error("opened"); return nil, os.ErrInvalid }
	select {
	case h := <-w.Hints():
		t.Error(h)
	default:
	}
}

func BenchmarkStart20000Folders(b *testing.B) {
	root := b.TempDir()
	for i := range 200 {
		for j := range 100 {
			if err := os.MkdirAll(filepath.Join(root, fmt.Sprintf("%s %d", shoot, i), fmt.Sprint(j)), 0o777); err != nil {
				b.Fatal(err)
			}
		}
	}
	for b.Loop() {
		w := New(root, nil, nil)
		w.check(b.Context())
		if w.watched.len < 20_000 {
			b.Fatalf("watched: %d", w.watched.len)
		}
		w.close()
	}
}

func BenchmarkCheck20000Folders(b *testing.B) {
	root := b.TempDir()
	for i := range 20_000 {
		if err := os.Mkdir(filepath.Join(root, fmt.Sprint(i)), 0o777); err != nil {
			b.Fatal(err)
		}
	}
	w := New(root, nil, nil)
	w.check(b.Context())
	defer w.close()
	for b.Loop() {
		w.check(b.Context())
	}
}
