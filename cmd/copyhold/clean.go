package main

import (
	"strings"
	"unicode"
)

// clean makes s one line that a terminal only shows: valid UTF-8, nothing in it
// that moves the cursor, sets a colour or turns the direction of writing. What
// is replaced stays visible, so that two names do not look alike.
func clean(s string) string {
	return strings.Map(func(r rune) rune {
		if harmful(r) {
			return unicode.ReplacementChar
		}
		return r
	}, strings.ToValidUTF8(s, string(unicode.ReplacementChar)))
}

// harmful reports whether a terminal may do something else with r than show
// it: C0 and C1 controls, line and paragraph separators, and the characters
// that make "gpj.exe" read "exe.jpg". (Unicode Standard Annex 9, section 2)
func harmful(r rune) bool {
	return unicode.IsControl(r) || r == '\u2028' || r == '\u2029' ||
		r >= '\u202A' && r <= '\u202E' || r >= '\u2066' && r <= '\u2069'
}
