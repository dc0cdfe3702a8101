package desktop

import (
	"strings"
	"unicode"
	"unicode/utf8"
)

// The specification advises about 40 characters for a summary and sets no limit for a body; a popup of more than a
// dozen lines covers what the photographer is working on.
const (
	summaryLimit = 60
	bodyLimit    = 400
)

var markupEscaper = strings.NewReplacer("&", "&amp;", "<", "&lt;", ">", "&gt;")

// cleanLine returns s as one line of harmless text, at most limit characters long.
func cleanLine(s string, limit int) string {
	return cut(clean(s, ' '), limit)
}

// cleanText is cleanLine for text that may have several lines.
func cleanText(s string, limit int) string {
	return cut(clean(s, '\n'), limit)
}

// clean makes s valid UTF-8 without control characters and without those that change the direction of what follows.
// The bus closes the connection of whoever sends it invalid UTF-8.
func clean(s string, newline rune) string {
	harmless := func(r rune) rune {
		switch {
		case r == '\n', r == '\u2028', r == '\u2029': // the last two are Unicode's line and paragraph separators
			return newline
		case r == '\t':
			return ' '
		case unicode.IsControl(r), overridesDirection(r):
			return -1
		default:
			return r
		}
	}
	return strings.TrimSpace(strings.Map(harmless, strings.ToValidUTF8(s, "\uFFFD")))
}

// overridesDirection reports whether r embeds, overrides or isolates a direction of writing. In a file name such a
// character can make "gpj.exe" read "exe.jpg". The mere marks U+200E, U+200F and U+061C reorder nothing by themselves
// and occur in honest Arabic and Hebrew names. (Unicode Standard Annex 9, section 2)
func overridesDirection(r rune) bool {
	return r >= '\u202A' && r <= '\u202E' || r >= '\u2066' && r <= '\u2069'
}

// cut shortens s to limit characters, the last of them an ellipsis when anything is left out.
func cut(s string, limit int) string {
	if utf8.RuneCountInString(s) <= limit {
		return s
	}
	return strings.TrimRightFunc(string([]rune(s)[:limit-1]), unicode.IsSpace) + "…"
}
