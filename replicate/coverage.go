package replicate

import (
	"fmt"
	"slices"
	"time"
)

// Standing says how safe a shoot is. The order is from worst to best.
type Standing uint8

// The standings.
const (
	OneCopy  Standing = iota // some file is on one device only, or on none
	Short                    // under the policy
	Unproven                 // enough copies, some last verified longer ago than the interval
	Covered
)

func (s Standing) String() string { return [...]string{"one copy", "short", "unproven", "covered"}[s] }

// Fleet is the drives and the disks they sit on. Devices are counted through
// it, so that two folders of one disk are one device (P8).
type Fleet struct {
	Drives  []Drive
	devices map[string]string // drive id or WorkingDisk → another on the same disk
}

// NewFleet joins what shares a disk.
func NewFleet(drives []Drive) Fleet {
	f := Fleet{Drives: drives, devices: map[string]string{}}
	for _, d := range drives {
		for _, beside := range d.Beside {
			f.devices[f.disk(string(d.ID))] = f.disk(beside)
		}
	}
	return f
}

// device is what a drive or a working folder counts as: its disk. A drive that
// the person declared separate stands alone; what else sits on its disk is one
// device all the same.
func (f Fleet) device(id string) string {
	if slices.ContainsFunc(f.Drives, func(d Drive) bool { return string(d.ID) == id && d.Separate && d.InUse() }) {
		return "separate:" + id
	}
	return f.disk(id)
}

// disk follows the joins to the one that stands for all.
func (f Fleet) disk(id string) string {
	for {
		next, joined := f.devices[id]
		if !joined || next == id {
			return id
		}
		id = next
	}
}

// Drive is the drive with that number, in use or not.
func (f Fleet) Drive(no DriveNo) (Drive, bool) {
	i := slices.IndexFunc(f.Drives, func(d Drive) bool { return d.No == no })
	if i < 0 {
		return Drive{}, false
	}
	return f.Drives[i], true
}

// SharesDevice reports whether the drive counts as one with the working folder.
func (f Fleet) SharesDevice(d Drive, working string) bool {
	return f.device(string(d.ID)) == f.device(WorkingDisk(working))
}

// SameDevice reports whether two drives count as one.
func (f Fleet) SameDevice(a, b Drive) bool {
	return f.device(string(a.ID)) == f.device(string(b.ID))
}

// Cover is what a shoot's tally comes to.
type Cover struct {
	Counted  Sum // files the policy asks copies of
	LetGo    Sum
	Skipped  Sum
	Unread   Sum // of the counted: sources that could not be read
	Single   Sum // of the counted: on fewer than two separate devices
	Copies   int // separate devices that hold the least held file
	OffSite  int // of these, away from the working drive
	Standing Standing
	Archived bool // no counted file is left in the working folder
	Drives   map[DriveNo]Share
}

// Share is one drive's part in a shoot.
type Share struct {
	Held     Sum
	Wanted   Sum
	Damaged  Sum
	Refused  map[Cause]Sum // of the wanted: what failed, and why
	Verified time.Time     // of the copy verified longest ago; zero if none
}

// CoverOf counts a shoot's copies. It reads only its arguments.
func CoverOf(id ShootID, t Tally, fleet Fleet, p Policy, now time.Time) Cover {
	c := Cover{Copies: -1, OffSite: -1, Archived: true, Drives: map[DriveNo]Share{}}
	stale := false
	for g, sum := range t.Groups() {
		switch {
		case g.Life == LetGo:
			c.LetGo = c.LetGo.Add(sum)
			continue
		case g.Life == Skipped:
			c.Skipped = c.Skipped.Add(sum)
			continue
		}
		c.count(id, g, sum, fleet)
		stale = stale || g.stale(fleet, p, now)
	}
	c.Copies, c.OffSite = max(c.Copies, 0), max(c.OffSite, 0)
	c.Archived = c.Archived && c.Counted.Files > 0
	c.Standing = c.standing(p, stale)
	return c
}

func (c *Cover) count(id ShootID, g Group, sum Sum, fleet Fleet) {
	c.Counted = c.Counted.Add(sum)
	if g.Source.OfSource() {
		c.Unread = c.Unread.Add(sum)
	}
	if g.Life == Here {
		c.Archived = false
	}
	for _, d := range fleet.Drives {
		if d.InUse() {
			c.Drives[d.No] = c.Drives[d.No].plus(g.on(d.No), sum)
		}
	}
	copies, offSite := g.devices(id.Working, fleet)
	if copies < 2 {
		c.Single = c.Single.Add(sum)
	}
	c.Copies, c.OffSite = least(c.Copies, copies), least(c.OffSite, offSite)
}

// least is the smaller count, where -1 means that none was made yet.
func least(a, b int) int {
	if a < 0 {
		return b
	}
	return min(a, b)
}

func (c *Cover) standing(p Policy, stale bool) Standing {
	switch {
	case c.Counted.Files == 0:
		return Covered
	case c.Copies < 2:
		return OneCopy
	case c.Copies < p.Copies || c.OffSite < p.OffSite:
		return Short
	case stale:
		return Unproven
	default:
		return Covered
	}
}

// on is what the drive holds of the group.
func (g Group) on(no DriveNo) Holding {
	for _, h := range g.Holdings {
		if h.Drive == no {
			return h
		}
	}
	return Holding{Drive: no}
}

// devices counts the separate devices that hold the group's files, and those
// of them that are away from the working drive.
func (g Group) devices(working string, fleet Fleet) (copies, offSite int) {
	home := fleet.device(WorkingDisk(working))
	met := map[string]bool{}
	if g.Life == Here {
		met[home] = true
	}
	away := map[string]bool{}
	for _, h := range g.Holdings {
		d, known := fleet.Drive(h.Drive)
		if h.State != Verified || !known || !d.InUse() {
			continue
		}
		device := fleet.device(string(d.ID))
		met[device] = true
		if d.Place.Away() && device != home {
			away[device] = true
		}
	}
	return len(met), len(away)
}

// stale reports whether a copy that counts was last verified longer ago than
// the policy's interval. It is known to the day; a copy has the benefit of that doubt.
func (g Group) stale(fleet Fleet, p Policy, now time.Time) bool {
	for _, h := range g.Holdings {
		d, known := fleet.Drive(h.Drive)
		if known && d.InUse() && h.State == Verified && now.Sub(h.VerifiedOn())-24*time.Hour > p.VerifyEvery {
			return true
		}
	}
	return false
}

func (s Share) plus(h Holding, sum Sum) Share {
	if h.State == Verified {
		s.Held = s.Held.Add(sum)
		if on := h.VerifiedOn(); s.Verified.IsZero() || on.Before(s.Verified) {
			s.Verified = on
		}
		return s
	}
	s.Wanted = s.Wanted.Add(sum)
	if h.State == Damaged {
		s.Damaged = s.Damaged.Add(sum)
	}
	if h.Cause != NoCause {
		if s.Refused == nil {
			s.Refused = map[Cause]Sum{}
		}
		s.Refused[h.Cause] = s.Refused[h.Cause].Add(sum)
	}
	return s
}

// Lacks says in one sentence what a shoot needs to be covered; nothing when
// it is.
func Lacks(c Cover, p Policy) string {
	p.Copies = max(p.Copies, 2) // one copy is one too few under any policy
	switch {
	case c.Standing == Covered:
		return ""
	case c.Standing == Unproven:
		return fmt.Sprintf("a copy was last verified more than %d days ago", int(p.VerifyEvery.Hours()/24))
	case c.Copies >= p.Copies:
		return fmt.Sprintf("needs %s at home or off site (has %d of %d)", plural(p.OffSite-c.OffSite, "copy", "copies"), c.OffSite, p.OffSite)
	case c.OffSite >= p.OffSite:
		return fmt.Sprintf("needs %s on separate devices (has %d of %d)", plural(p.Copies-c.Copies, "more copy", "more copies"), c.Copies, p.Copies)
	default:
		return fmt.Sprintf("needs %s on separate devices (has %d of %d), %d of them at home or off site",
			plural(p.Copies-c.Copies, "more copy", "more copies"), c.Copies, p.Copies, p.OffSite-c.OffSite)
	}
}

func plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}
