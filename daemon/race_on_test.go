//go:build race

package daemon

// raceFactor: the race detector makes everything so many times slower that
// bounds on time and work are widened by it.
const raceFactor = 4
