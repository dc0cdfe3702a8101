package replicate

import (
	"iter"
	"strings"
)

// Seen is one thing that a scan met in a working folder.
type Seen struct {
	Path string // inside the working folder
	Stat Stat
	What What
}

// What a scan can meet.
type What uint8

// A folder is told only when it could not be read: nothing is known of what it
// holds, and nothing is concluded. Its path ends in a slash, so that it sorts
// before what it holds.
const (
	Regular What = iota
	Special      // a link, a pipe, a device, a socket
	ClosedFolder
)

// Change is one difference between the working folder and the ledger.
type Change struct {
	Kind ChangeKind
	Seen Seen  // not with Gone
	File *File // what was known of the path, nil when nothing was
}

// ChangeKind is what a scan found.
type ChangeKind uint8

// The kinds of change. What is as the ledger has it is no change.
const (
	Appeared ChangeKind = iota // not known, or known as something else
	Changed                    // other size or time
	Returned                   // was let go or archived, is back as it was
	Gone                       // was there, is not any more
	Closed                     // a folder that cannot be read
)

// Diff compares what a scan saw with what the ledger knows. Both come ordered
// by path, byte for byte; it holds one of each at a time.
func Diff(seen iter.Seq[Seen], known iter.Seq[*File]) iter.Seq[Change] {
	return func(yield func(Change) bool) {
		next, stop := iter.Pull(known)
		defer stop()
		file, more := next()
		closed := ""
		for s := range seen {
			for more && file.Path < s.Path {
				if !tellGone(file, closed, yield) {
					return
				}
				file, more = next()
			}
			same := more && file.Path == s.Path
			if change, differs := compare(s, file, same); differs && !yield(change) {
				return
			}
			if s.What == ClosedFolder {
				closed = s.Path
			}
			if same {
				file, more = next()
			}
		}
		for more {
			if !tellGone(file, closed, yield) {
				return
			}
			file, more = next()
		}
	}
}

// tellGone tells that a file is gone, unless it was known so or lies in a
// folder that could not be read.
func tellGone(f *File, closed string, yield func(Change) bool) bool {
	unseen := closed != "" && strings.HasPrefix(f.Path, closed)
	if unseen || f.Life == LetGo || f.Life == Archived {
		return true
	}
	return yield(Change{Kind: Gone, File: f})
}

func compare(s Seen, f *File, known bool) (Change, bool) {
	switch {
	case s.What == ClosedFolder:
		return Change{Kind: Closed, Seen: s}, true
	case !known:
		return Change{Kind: Appeared, Seen: s}, true
	case (s.What == Special) != (f.Life == Skipped):
		return Change{Kind: Appeared, Seen: s, File: f}, true
	case s.What == Special:
		return Change{}, false
	case !s.Stat.Same(f.Stat):
		return Change{Kind: Changed, Seen: s, File: f}, true
	case f.Life != Here:
		return Change{Kind: Returned, Seen: s, File: f}, true
	default:
		return Change{}, false
	}
}
