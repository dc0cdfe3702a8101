//go:build !linux && !darwin

package watch

import "math"

// watchDepth is how many levels below the root are watched: all.
const watchDepth = math.MaxInt

// Windows opens a folder whatever the flags, and has no pipe that could take its name.
const (
	onlyFolder = 0
	noFollow   = 0
)

func remedy(error) string { return "" }
