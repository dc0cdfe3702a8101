package watch

import (
	"maps"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
)

// TestFolders compares with a plain set after each of many random steps.
func TestFolders(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	rnd := rand.New(rand.NewPCG(seed, 0))
	var f folders
	set := map[string]bool{}
	for range 5000 {
		rel := randomFolder(rnd)
		switch rnd.IntN(8) {
		case 0:
			want := cutSet(set, rel)
			if got := slices.Sorted(slices.Values(f.cut(rel))); !slices.Equal(got, want) {
				t.Fatalf("cut %q: got %q, want %q", rel, got, want)
			}
		case 1:
			f.drop(rel)
			delete(set, rel)
		default:
			f.add(rel)
			set[rel] = true
		}
		if f.has(rel) != set[rel] || f.len != len(set) {
			t.Fatalf("%q: has %v, len %d; want %v, %d", rel, f.has(rel), f.len, set[rel], len(set))
		}
	}
	if got, want := slices.Sorted(f.all()), slices.Sorted(maps.Keys(set)); !slices.Equal(got, want) {
		t.Errorf("got %q, want %q", got, want)
	}
}

func randomFolder(rnd *rand.Rand) string {
	rel := ""
	for range rnd.IntN(5) {
		rel = join(rel, string(rune('a'+rnd.IntN(4))))
	}
	return rel
}

func cutSet(set map[string]bool, rel string) (gone []string) {
	for _, in := range slices.Sorted(maps.Keys(set)) {
		if rel == "" || in == rel || strings.HasPrefix(in, rel+"/") {
			gone = append(gone, in)
			delete(set, in)
		}
	}
	return gone
}

func TestDepth(t *testing.T) {
	for rel, want := range map[string]int{"": 0, "a": 1, "a/b": 2} {
		if got := depth(rel); got != want {
			t.Errorf("%q: got %d, want %d", rel, got, want)
		}
	}
}
