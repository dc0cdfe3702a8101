//go:build !race

package daemon

// raceFactor: without the race detector, bounds on time and work are the real ones.
const raceFactor = 1
