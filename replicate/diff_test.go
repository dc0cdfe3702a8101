package replicate

import (
	"fmt"
	"iter"
	"maps"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"
)

func (k ChangeKind) word() string {
	return [...]string{"appeared", "changed", "returned", "gone", "closed"}[k]
}

// line is one change as the tests compare it.
func (c Change) line() string {
	if c.Kind == Gone {
		return "gone " + c.File.Path
	}
	line := c.Kind.word() + " " + c.Seen.Path
	if c.File != nil {
		line += ", was " + c.File.Life.String()
	}
	return line
}

func lines(changes iter.Seq[Change]) []string {
	var all []string
	for c := range changes {
		all = append(all, c.line())
	}
	return all
}

// seenLike writes what a scan met: "path", "path*" of another size, "path@" for
// a link, "path/" for a folder that cannot be read.
func seenLike(words ...string) (all []Seen) {
	for _, w := range words {
		s := Seen{Path: w, Stat: Stat{Size: 1, MTime: noon}}
		switch {
		case strings.HasSuffix(w, "/"):
			s.What = ClosedFolder
		case strings.HasSuffix(w, "@"):
			s.Path, s.What = strings.TrimSuffix(w, "@"), Special
		case strings.HasSuffix(w, "*"):
			s.Path, s.Stat.Size = strings.TrimSuffix(w, "*"), 2
		}
		all = append(all, s)
	}
	slices.SortFunc(all, func(a, b Seen) int { return strings.Compare(a.Path, b.Path) })
	return all
}

// knownLike writes what the ledger knows: "path", "path-" let go, "path_"
// archived, "path@" skipped.
func knownLike(words ...string) (all []*File) {
	lives := map[byte]Life{'-': LetGo, '_': Archived, '@': Skipped}
	for _, w := range words {
		life := lives[w[len(w)-1]]
		if life != Here {
			w = w[:len(w)-1]
		}
		all = append(all, &File{FileID: FileID{"Shoots", w}, Stat: Stat{Size: 1, MTime: noon}, Life: life})
	}
	slices.SortFunc(all, func(a, b *File) int { return strings.Compare(a.Path, b.Path) })
	return all
}

func TestDiff(t *testing.T) {
	for _, c := range []struct {
		name        string
		seen, known []string
		want        []string
	}{
		{"nothing", nil, nil, nil},
		{"as it was", []string{"a/x", "b"}, []string{"a/x", "b"}, nil},
		{"the first scan", []string{"a/x", "b"}, nil, []string{"appeared a/x", "appeared b"}},
		{"all gone", nil, []string{"a/x", "b"}, []string{"gone a/x", "gone b"}},
		{"one changed", []string{"a/x*"}, []string{"a/x"}, []string{"changed a/x, was here"}},
		{"one gone in the middle", []string{"a", "c"}, []string{"a", "b", "c"}, []string{"gone b"}},
		{"gone before and gone for good", nil, []string{"a-", "b_"}, nil},
		{"let go and back", []string{"a"}, []string{"a-"}, []string{"returned a, was let go"}},
		{"archived and back", []string{"a"}, []string{"a_"}, []string{"returned a, was archived"}},
		{"archived and back, edited elsewhere", []string{"a*"}, []string{"a_"}, []string{"changed a, was archived"}},
		{"a link", []string{"a@"}, nil, []string{"appeared a"}},
		{"the same link", []string{"a@"}, []string{"a@"}, nil},
		{"a link that is gone", nil, []string{"a@"}, []string{"gone a"}},
		{"a link where a file was", []string{"a@"}, []string{"a"}, []string{"appeared a, was here"}},
		{"a link where a file was let go", []string{"a@"}, []string{"a-"}, []string{"appeared a, was let go"}},
		{"a file where a link was", []string{"a"}, []string{"a@"}, []string{"appeared a, was skipped"}},
		{"a closed folder says nothing of what it holds", []string{"a.b", "a/", "b"}, []string{"a.b", "a/x", "a/y", "b"}, []string{"closed a/"}},
		{"a closed folder beside names like it", []string{"a/"}, []string{"a.b", "a/x", "a0", "ab"},
			[]string{"gone a.b", "closed a/", "gone a0", "gone ab"}},
		{"two closed folders", []string{"a/", "c/"}, []string{"a/x", "b", "c/x", "d"}, []string{"closed a/", "gone b", "closed c/", "gone d"}},
		{"a closed folder where a file was", []string{"a/"}, []string{"a"}, []string{"gone a", "closed a/"}},
		{"a closed folder at the end", []string{"a/"}, []string{"a/x", "a/x/y", "a/z"}, []string{"closed a/"}},
		{"a folder inside a folder is closed", []string{"a/b/", "a/c"}, []string{"a/a", "a/b/x", "a/c"}, []string{"gone a/a", "closed a/b/"}},
		{"a file where a folder was", []string{"a"}, []string{"a.b", "a/x"}, []string{"appeared a", "gone a.b", "gone a/x"}},
		{"a folder where a file was", []string{"a/x"}, []string{"a", "a.b"}, []string{"gone a", "gone a.b", "appeared a/x"}},
	} {
		got := lines(Diff(slices.Values(seenLike(c.seen...)), slices.Values(knownLike(c.known...))))
		if !slices.Equal(got, c.want) {
			t.Errorf("%s: got %q, want %q", c.name, got, c.want)
		}
	}
}

// TestDiffOnlyTimeChanged looks at the time, too.
func TestDiffOnlyTimeChanged(t *testing.T) {
	seen := seenLike("a")
	seen[0].Stat.MTime = noon.Add(time.Nanosecond)
	if got := lines(Diff(slices.Values(seen), slices.Values(knownLike("a")))); !slices.Equal(got, []string{"changed a, was here"}) {
		t.Errorf("got %q", got)
	}
}

// TestDiffStopsWhenAskedTo takes only the first changes, whatever their kind.
func TestDiffStopsWhenAskedTo(t *testing.T) {
	all := []string{"gone a", "appeared b", "gone c", "closed d/", "gone e", "gone f"}
	for n := 1; n <= len(all); n++ {
		var got []string
		for c := range Diff(slices.Values(seenLike("b", "d/")), slices.Values(knownLike("a", "c", "d/x", "e", "f"))) {
			if got = append(got, c.line()); len(got) == n {
				break
			}
		}
		if !slices.Equal(got, all[:n]) {
			t.Errorf("the first %d: got %q, want %q", n, got, all[:n])
		}
	}
}

// TestDiffAgainstMaps compares with the simplest way to find the same: two maps.
func TestDiffAgainstMaps(t *testing.T) {
	r := seeded(t)
	for range 3000 {
		seen, known := randomSeen(r, "", 3), randomKnown(r)
		got := lines(Diff(slices.Values(seen), slices.Values(known)))
		want := diffByMaps(seen, known)
		if !slices.Equal(slices.Sorted(slices.Values(got)), want) {
			t.Fatalf("seen %v\nknown %v\ngot  %q\nwant %q", seen, known, got, want)
		}
	}
}

// treeNames sort in treacherous ways about the slash.
var treeNames = []string{"a", "a.b", "a b", "a-", "a0", "b", "é", "%"}

// randomSeen is a scan of a random tree.
func randomSeen(r *rand.Rand, folder string, depth int) (all []Seen) {
	for _, name := range treeNames {
		path := folder + name
		switch r.IntN(6) {
		case 0:
			all = append(all, Seen{Path: path, Stat: Stat{Size: r.Int64N(2), MTime: noon}})
		case 1:
			all = append(all, Seen{Path: path, What: Special})
		case 2:
			all = append(all, Seen{Path: path + "/", What: ClosedFolder})
		case 3:
			if depth > 1 {
				all = append(all, randomSeen(r, path+"/", depth-1)...)
			}
		}
	}
	slices.SortFunc(all, func(a, b Seen) int { return strings.Compare(a.Path, b.Path) })
	return all
}

// randomKnown is what an earlier scan of another random tree left in the ledger,
// let go and archived files and all.
func randomKnown(r *rand.Rand) (all []*File) {
	for _, s := range randomSeen(r, "", 3) {
		f := &File{FileID: FileID{"Shoots", s.Path}, Stat: s.Stat, Life: oneOf(r, Here, Here, LetGo, Archived)}
		switch s.What {
		case Special:
			f.Life = Skipped
		case ClosedFolder: // it was open then
			f.Path += oneOf(r, treeNames...)
		}
		all = append(all, f)
	}
	slices.SortFunc(all, func(a, b *File) int { return strings.Compare(a.Path, b.Path) })
	return all
}

// diffByMaps is the oracle: it holds everything at once and looks everything up.
func diffByMaps(seen []Seen, known []*File) (want []string) {
	files, met := map[string]*File{}, map[string]bool{}
	for _, f := range known {
		files[f.Path] = f
	}
	var closed []string
	for _, s := range seen {
		if s.What == ClosedFolder {
			closed = append(closed, s.Path)
			want = append(want, "closed "+s.Path)
			continue
		}
		met[s.Path] = true
		f := files[s.Path]
		switch {
		case f == nil:
			want = append(want, "appeared "+s.Path)
		case s.What == Special && f.Life == Skipped:
		case s.What == Special || f.Life == Skipped:
			want = append(want, fmt.Sprintf("appeared %s, was %s", s.Path, f.Life))
		case s.Stat != f.Stat:
			want = append(want, fmt.Sprintf("changed %s, was %s", s.Path, f.Life))
		case f.Life != Here:
			want = append(want, fmt.Sprintf("returned %s, was %s", s.Path, f.Life))
		}
	}
	for path, f := range maps.All(files) {
		hidden := slices.ContainsFunc(closed, func(c string) bool { return strings.HasPrefix(path, c) })
		if !met[path] && !hidden && (f.Life == Here || f.Life == Skipped) {
			want = append(want, "gone "+path)
		}
	}
	slices.Sort(want)
	return want
}

// BenchmarkDiff compares a scan of 100 000 files with a ledger that knows all
// but every hundredth of them.
func BenchmarkDiff(b *testing.B) {
	const n = 100_000
	seen, known := make([]Seen, n), make([]*File, 0, n)
	for i := range n {
		path := fmt.Sprintf("2026-03-02 Tern Island/stills/A%06d.raw", i)
		seen[i] = Seen{Path: path, Stat: Stat{Size: 1, MTime: noon}}
		if i%100 != 0 {
			known = append(known, &File{FileID: FileID{"Shoots", path}, Stat: seen[i].Stat})
		}
	}
	b.ReportAllocs()
	for b.Loop() {
		changes := 0
		for range Diff(slices.Values(seen), slices.Values(known)) {
			changes++
		}
		if changes != n/100 {
			b.Fatalf("%d changes", changes)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/n, "ns/file")
}
