package lists

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestMerge(t *testing.T) {
	escaped := entry("a:b", 5)
	escaped.StoredAs = shoot + "/a%3Ab"
	tests := []struct {
		name               string
		ours, theirs, want []Entry
		known              string
	}{
		{name: "nothing"},
		{name: "all new here", ours: []Entry{entry("B", 2), entry("A", 1)}, known: "AB", want: []Entry{entry("A", 1), entry("B", 2)}},
		{name: "another computer's", theirs: []Entry{entry("B", 2)}, want: []Entry{entry("B", 2)}},
		{name: "in between", ours: []Entry{entry("A", 1), entry("C", 3)}, known: "AC",
			theirs: []Entry{entry("B", 2)}, want: []Entry{entry("A", 1), entry("B", 2), entry("C", 3)}},
		{name: "ours win", ours: []Entry{entry("A", 1)}, known: "A", theirs: []Entry{entry("A", 9)}, want: []Entry{entry("A", 1)}},
		{name: "ours win even unknown", ours: []Entry{entry("A", 1)}, theirs: []Entry{entry("A", 9)}, want: []Entry{entry("A", 1)}},
		{name: "known to be no copy", known: "A", theirs: []Entry{entry("A", 9)}},
		{name: "its place is taken", ours: []Entry{escaped}, known: "a:b",
			theirs: []Entry{entry("a%3Ab", 9)}, want: []Entry{escaped}},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			known := func(path string) bool {
				return strings.Contains(test.known, strings.TrimPrefix(path, shoot+"/"))
			}
			ours := append([]Entry{}, test.ours...)
			got := Merge(ours, list(test.theirs...), known)
			if diff := cmp.Diff(append([]Entry{}, test.want...), got); diff != "" {
				t.Error(diff)
			}
			if diff := cmp.Diff(append([]Entry{}, test.ours...), ours); diff != "" {
				t.Errorf("ours were changed: %s", diff)
			}
		})
	}
}

// However two lists are merged, the result is one that can be read.
func TestMergeIsReadable(t *testing.T) {
	chance := seeded(t)
	for range 200 {
		ours, theirs := randomFiles(chance), randomFiles(chance)
		known := map[string]bool{}
		for _, e := range append(append([]Entry{}, ours...), theirs...) {
			known[e.Path] = chance.IntN(2) == 0
		}
		merged := Merge(ours, list(theirs...), func(path string) bool { return known[path] })
		if len(merged) < len(ours) {
			t.Fatalf("%d of ours became %d", len(ours), len(merged))
		}
		sameAgain(t, list(append([]Entry{}, merged...)...))
	}
}
