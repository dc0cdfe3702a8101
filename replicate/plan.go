package replicate

import (
	"cmp"
	"fmt"
	"slices"
	"time"
)

// Kind is what to do about one file on one drive.
type Kind uint8

// The kinds of action.
const (
	Nothing      Kind = iota // all is well, or nothing can be done
	Wait                     // not now; Until says when, if time alone helps
	CopyFile                 // bring the content to the drive
	KeepThenCopy             // the same, keeping what stands under the name (P3)
)

func (k Kind) String() string { return [...]string{"nothing", "wait", "copy", "keep, then copy"}[k] }

// Why is the reason for an action.
type Why string

// The reasons.
const (
	NeverCopied    Why = "never copied"
	ContentChanged Why = "content changed"
	CopyDamaged    Why = "the copy is damaged"
	IsVerified     Why = "verified"
	IsLetGo        Why = "let go"
	IsSkipped      Why = "not a regular file"
	IsArchived     Why = "archived, the working folder no longer has it"
	DriveAway      Why = "drive away"
	DriveRetired   Why = "drive retired"
	DriveTroubled  Why = "drive not usable"
	WorkingAway    Why = "working folder away"
	StillSettling  Why = "still settling"
	TriedRecently  Why = "tried a moment ago"
	Paused         Why = "paused"
)

// Action is one decision: what to do, and why.
type Action struct {
	Kind  Kind
	Why   Why
	Cause Cause     // with TriedRecently: what went wrong
	Until time.Time // with Wait: when to ask again, zero if an event will tell
}

// String is the line that tests compare, explain shows and the log carries.
func (a Action) String() string {
	why := string(a.Why)
	if a.Cause != NoCause {
		why += ": " + a.Cause.String()
	}
	return fmt.Sprintf("%s (%s)", a.Kind, why)
}

// Copies reports whether the action brings content to the drive.
func (a Action) Copies() bool { return a.Kind == CopyFile || a.Kind == KeepThenCopy }

// Wanted reports whether the action says that the drive still needs the file.
func (a Action) Wanted() bool {
	return a.Copies() || a.Kind == Wait
}

// Scene is what surrounds a decision about one file: facts of the moment that
// are not in the ledger.
type Scene struct {
	Present  bool // the drive is plugged in and known to be itself
	Troubled bool // it is, but takes no writes now
	Working  bool // the working folder is there
	Paused   bool
	Settle   time.Duration
}

// Next says what to do about f on d. It is a function of its arguments.
func Next(f *File, d Drive, s Scene, now time.Time) Action {
	c := f.CopyOn(d.No)
	switch {
	case !d.InUse():
		return Action{Kind: Nothing, Why: DriveRetired}
	case f.Life == Skipped:
		return Action{Kind: Nothing, Why: IsSkipped}
	case f.Life == LetGo:
		return Action{Kind: Nothing, Why: IsLetGo}
	case f.Holds(c):
		return Action{Kind: Nothing, Why: IsVerified}
	case f.Life == Archived:
		return Action{Kind: Wait, Why: IsArchived}
	case !s.Present:
		return Action{Kind: Wait, Why: DriveAway}
	case s.Troubled:
		return Action{Kind: Wait, Why: DriveTroubled}
	case !s.Working:
		return Action{Kind: Wait, Why: WorkingAway}
	case s.Paused:
		return Action{Kind: Wait, Why: Paused}
	case ahead(f.SeenAt.Add(s.Settle), s.Settle, now):
		return Action{Kind: Wait, Why: StillSettling, Until: f.SeenAt.Add(s.Settle)}
	case ahead(f.Attempt.RetryAt, longestPause, now):
		return Action{Kind: Wait, Why: TriedRecently, Cause: f.Attempt.Cause, Until: f.Attempt.RetryAt}
	case ahead(c.Attempt.RetryAt, longestPause, now):
		return Action{Kind: Wait, Why: TriedRecently, Cause: c.Attempt.Cause, Until: c.Attempt.RetryAt}
	case c.State == Damaged:
		return Action{Kind: KeepThenCopy, Why: CopyDamaged}
	case c.State == Verified:
		return Action{Kind: KeepThenCopy, Why: ContentChanged}
	default:
		return Action{Kind: CopyFile, Why: NeverCopied}
	}
}

// ahead reports whether at is still to come. One further ahead than anything is
// ever put off was noted before the clock was set back, and is over.
func ahead(at time.Time, longest time.Duration, now time.Time) bool {
	return now.Before(at) && at.Sub(now) <= longest
}

// Candidate is a shoot that a drive still wants files of.
type Candidate struct {
	ID     ShootID
	Copies int // of its least copied file
	Wanted int // files
}

// Order puts the shoots a drive should take first in front: the least copied,
// then the newest by name (names begin with a date), then by name.
func Order(c []Candidate) {
	slices.SortFunc(c, func(a, b Candidate) int {
		return cmp.Or(
			cmp.Compare(min(a.Copies, 2), min(b.Copies, 2)),
			-cmp.Compare(a.ID.Name, b.ID.Name),
			cmp.Compare(a.ID.Working, b.ID.Working),
		)
	})
}
