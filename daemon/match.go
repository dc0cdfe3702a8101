package daemon

import (
	"strings"

	"github.com/bmatcuk/doublestar/v4"
)

// matches reports whether a name is meant by a pattern: one with * ? [ or { is
// matched whole, or by the last part of a path; any other is words that must all
// occur. The case does not matter. An empty pattern means everything.
func matches(pattern, name string) bool {
	pattern, name = strings.ToLower(pattern), strings.ToLower(name)
	if strings.ContainsAny(pattern, "*?[{") && doublestar.ValidatePattern(pattern) {
		whole, _ := doublestar.Match(pattern, name)
		last, _ := doublestar.Match(pattern, name[strings.LastIndexByte(name, '/')+1:])
		return whole || last
	}
	for word := range strings.FieldsSeq(pattern) {
		if !strings.Contains(name, word) {
			return false
		}
	}
	return true
}
