package main

import (
	"slices"
	"strings"
	"testing"
)

func TestCells(t *testing.T) {
	for _, tt := range []struct {
		in   string
		want int
	}{
		{"", 0}, {"Slate", 5}, {"Möwe", 4}, {"Mo\u0308we", 4}, {"海鳥", 4}, {"🐦", 2}, {"a\u200bb", 2}, {"…", 1}, {"–", 1},
	} {
		if got := cells(tt.in); got != tt.want {
			t.Errorf("cells(%q) = %d, want %d", tt.in, got, tt.want)
		}
	}
}

func TestCut(t *testing.T) {
	for _, tt := range []struct {
		in         string
		limit      int
		want, head string
	}{
		{"Tern Island", 11, "Tern Island", "Tern Island"},
		{"Tern Island", 10, "Tern Isla…", "…rn Island"},
		{"Tern Island", 6, "Tern…", "…sland"},
		{"海鳥の島", 5, "海鳥…", "…の島"},
		{"海鳥の島", 4, "海…", "…島"},
		{"ab", 1, "…", "…"},
	} {
		if got := cut(tt.in, tt.limit); got != tt.want || cells(got) > tt.limit {
			t.Errorf("cut(%q, %d) = %q, want %q", tt.in, tt.limit, got, tt.want)
		}
		if got := cutHead(tt.in, tt.limit); got != tt.head || cells(got) > tt.limit {
			t.Errorf("cutHead(%q, %d) = %q, want %q", tt.in, tt.limit, got, tt.head)
		}
	}
}

func TestWrap(t *testing.T) {
	for _, tt := range []struct {
		in    string
		limit int
		want  []string
	}{
		{"a name with  two spaces", 0, []string{"a name with  two spaces"}},
		{"a name with  two spaces", 16, []string{"a name with  two", "spaces"}},
		{"verylongword and more", 5, []string{"verylongword", "and", "more"}},
		{"", 10, []string{""}},
	} {
		if got := wrap(tt.in, tt.limit); !slices.Equal(got, tt.want) {
			t.Errorf("wrap(%q, %d) = %q, want %q", tt.in, tt.limit, got, tt.want)
		}
	}
}

func TestTableOfWideNames(t *testing.T) {
	var out strings.Builder
	tb := table{columns: []column{{head: "shoot", shrink: 6}, {head: "files", right: true}}, rows: []row{
		{cells: words("2026-03-02 海鳥の島 Tern Island", "640")},
		{cells: words("Mo\u0308we", "1")},
	}}
	tb.write(&page{out: &out, now: now, width: 30})
	want := "shoot                    files\n" +
		"2026-03-02 海鳥の島 Te…    640\n" +
		"Mo\u0308we                         1\n"
	if out.String() != want {
		t.Errorf("got\n%swant\n%s", out.String(), want)
	}
}
