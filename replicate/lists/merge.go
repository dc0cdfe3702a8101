package lists

// Merge is what a drive's list of a shoot shall say: ours, and what the list
// already says about files this ledger does not know, for another computer
// wrote that. What it says about a place that one of ours has taken is over.
func Merge(ours []Entry, onDrive List, known func(path string) bool) []Entry {
	paths := make(map[string]bool, len(ours))
	places := make(map[string]bool, len(ours))
	for _, e := range ours {
		paths[e.Path], places[e.Stored()] = true, true
	}
	merged := make([]Entry, len(ours), len(ours)+len(onDrive.Files))
	copy(merged, ours)
	for _, e := range onDrive.Files {
		if !paths[e.Path] && !places[e.Stored()] && !known(e.Path) {
			merged = append(merged, e)
		}
	}
	return byPath(merged)
}
