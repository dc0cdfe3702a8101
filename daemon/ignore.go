package daemon

import (
	"strings"

	"github.com/bmatcuk/doublestar/v4"

	"copyhold/replicate"
)

// notShoots are folders that systems keep at the top of a volume: trash, index
// and repair folders, which hold no shoot.
var notShoots = map[string]bool{
	"lost+found": true, "$RECYCLE.BIN": true, "System Volume Information": true,
	".Trashes": true, ".Spotlight-V100": true, ".fseventsd": true, ".TemporaryItems": true,
	".Trash": true, replicate.OwnFolder: true,
}

// ignoring makes the test for paths that are not looked at. The patterns were
// checked when the configuration was read.
func ignoring(patterns []string) func(path string, dir bool) bool {
	return func(path string, dir bool) bool {
		if dir && (notShoots[path] || strings.HasPrefix(path, ".Trash-")) {
			return true
		}
		for _, p := range patterns {
			if matched, _ := doublestar.Match(p, path); matched {
				return true
			}
		}
		return false
	}
}
