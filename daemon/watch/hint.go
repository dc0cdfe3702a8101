package watch

import "fmt"

// Kind says what a hint asks for. The zero Kind is none.
type Kind int

const (
	// Touched: Path was created, written, renamed or removed. Stat it. Where it
	// is gone it may have been a folder: everything known below it is gone too.
	// The files of a folder that came have hints of their own.
	Touched Kind = iota + 1
	// Rescan: look at the whole tree; Why says what happened. It takes the place
	// of every Touched and Away not yet fetched and ends an Away. The root may be another
	// folder than before, such as the empty mount point that a pulled drive
	// leaves behind: whoever scans has to tell.
	Rescan
	// Limited: some folders are not watched. Timed scans must find their changes.
	// Said once; it holds until a Rescan with the reason LimitLifted, whatever else
	// is said in between.
	Limited
	// Away: the root is not there, or is no folder. Said once, ended by a Rescan.
	Away
)

// Why is the reason of a Rescan or Limited.
type Why string

const (
	// Started: the watches stand for the first time.
	Started Why = "watching started"
	// Returned: the root was away and is there.
	Returned Why = "folder is back"
	// Overflowed: more happened at once than the system could tell.
	Overflowed Why = "events overflowed"
	// WatchesLost: an unmount took watches away, or another folder has the root's name.
	WatchesLost Why = "watches were lost"
	// Unread: a folder that came could not be read to name its files.
	Unread Why = "new folder could not be read"
	// TooMany: more paths waited to be fetched than are kept.
	TooMany Why = "too many changes to name"
	// LimitLifted: the folders that could not be watched are now.
	LimitLifted Why = "watch limit lifted"
	// LimitReached: the system grants no more watches, or none for the root. The one
	// reason of Limited.
	LimitReached Why = "watch limit reached"
)

// Hint asks to look again. Which fields are set depends on its Kind.
type Hint struct {
	Kind Kind
	Path string // Touched: relative to the root, slashes between names
	Why  Why    // Rescan, Limited

	Watched int    // Limited: so many folders were watched when it was said
	Remedy  string // Limited: the setting to raise; "" when there is none
}

// String returns the hint as one line.
func (h Hint) String() string {
	switch h.Kind {
	case Touched:
		return fmt.Sprintf("touched %q", h.Path)
	case Rescan:
		return fmt.Sprintf("rescan (%s)", h.Why)
	case Limited:
		return fmt.Sprintf("limited (%s, folders watched: %d, remedy: %q)", h.Why, h.Watched, h.Remedy)
	case Away:
		return "away"
	default:
		return "none"
	}
}
