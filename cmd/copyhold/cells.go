package main

import (
	"strings"
	"unicode"

	"golang.org/x/text/width"
)

// cells is how many columns of a terminal s takes.
func cells(s string) (n int) {
	for _, r := range s {
		n += runeCells(r)
	}
	return n
}

// runeCells is what most terminals do. A sequence joined into one picture is
// measured too wide, which costs space and never spoils a table.
func runeCells(r rune) int {
	switch {
	case unicode.In(r, unicode.Mn, unicode.Me, unicode.Cf):
		return 0
	case r < 0x1100:
		return 1
	}
	switch width.LookupRune(r).Kind() {
	case width.EastAsianWide, width.EastAsianFullwidth:
		return 2
	}
	return 1
}

// cut shortens s to limit cells, the last of them an ellipsis when anything is
// left out.
func cut(s string, limit int) string {
	if cells(s) <= limit {
		return s
	}
	n := 0
	for i, r := range s {
		if n += runeCells(r); n > limit-1 {
			return strings.TrimRight(s[:i], " ") + "…"
		}
	}
	return s
}

// cutHead is cut for paths, which tell most at their end.
func cutHead(s string, limit int) string {
	if cells(s) <= limit {
		return s
	}
	runes, n := []rune(s), 0
	for i := len(runes) - 1; i >= 0; i-- {
		if n += runeCells(runes[i]); n > limit-1 {
			return "…" + strings.TrimLeft(string(runes[i+1:]), " ")
		}
	}
	return s
}

// wrap breaks text at single spaces into lines of at most limit cells; a word
// that is longer gets a line of its own. No limit means one line. Spaces are
// kept, since a name may hold several.
func wrap(text string, limit int) []string {
	if limit <= 0 {
		return []string{text}
	}
	var lines []string
	line, rest, _ := strings.Cut(text, " ")
	for rest != "" {
		var word string
		word, rest, _ = strings.Cut(rest, " ")
		if cells(line)+1+cells(word) <= limit {
			line += " " + word
			continue
		}
		lines, line = append(lines, strings.TrimRight(line, " ")), word
	}
	return append(lines, line)
}
