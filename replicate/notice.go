package replicate

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"
)

// Severity says how much a notice matters.
type Severity uint8

// The severities. Only Normal and Critical are spoken; Low is shown when asked.
const (
	Low Severity = iota
	Normal
	Critical
)

func (s Severity) String() string { return [...]string{"low", "normal", "critical"}[s] }

// Code names a kind of notice; it is part of the JSON contract.
type Code string

// The codes.
const (
	NoticeOneCopy     Code = "one-copy"
	NoticeDamaged     Code = "damaged"
	NoticeDoubtful    Code = "drive-doubtful"
	NoticeDriveFull   Code = "drive-full"
	NoticeReadOnly    Code = "drive-read-only"
	NoticeDriveFails  Code = "drive-fails"
	NoticeUnreadable  Code = "unreadable"
	NoticeNotStored   Code = "not-stored"
	NoticeSkipped     Code = "skipped"
	NoticeWorkingAway Code = "working-away"
	NoticeWatchLimit  Code = "watch-limit"
	NoticeNoDrive     Code = "no-drive"
	NoticePaused      Code = "paused"
)

// Notice is something the person should know: what holds, what is still safe,
// what to do.
type Notice struct {
	Code     Code
	About    string // the shoot, drive or folder; with Code it is the notice's key
	Severity Severity
	Weight   int // with equal severity, more is worse
	Text     string
	Safe     string
	Do       string
	Since    time.Time
}

// Key tells one notice from another.
func (n Notice) Key() string { return string(n.Code) + " " + n.About }

// ShootFacts is what notices need to know of a shoot.
type ShootFacts struct {
	ID    ShootID
	Cover Cover
	Since time.Time // of its standing
}

// DriveFacts is what notices need to know of a drive.
type DriveFacts struct {
	Drive   Drive
	Present bool
	// Released says that it is here and takes nothing until it is plugged in again.
	Released bool
	Trouble  Cause  // why it takes no copies, if so
	Doubt    string // why it is not used although something with its identity is there
	// Unreadable says that the doubt is about a drive that cannot be read, and not
	// about which drive it is.
	Unreadable bool
	Since      time.Time
	Missing    int64 // with DriveFull: bytes that do not fit
}

// WorkingFacts is what notices need to know of a working folder.
type WorkingFacts struct {
	Name, Path  string
	Online      bool
	Why         string // when not online
	Since       time.Time
	WatchLimit  int // folders watched when the system's limit was met; 0 = not met
	ClosedPaths []string
}

// Facts is everything that notices are drawn from.
type Facts struct {
	Now         time.Time
	Policy      Policy
	Shoots      []ShootFacts
	Drives      []DriveFacts
	Workings    []WorkingFacts
	PausedUntil time.Time
	Paused      bool
}

// Notices lists what holds now, worst first.
func Notices(f Facts) []Notice {
	var all []Notice
	for _, s := range f.Shoots {
		all = append(all, shootNotices(s, f)...)
	}
	for _, d := range f.Drives {
		all = append(all, driveNotices(d)...)
	}
	for _, w := range f.Workings {
		all = append(all, workingNotices(w)...)
	}
	all = append(all, generalNotices(f)...)
	slices.SortStableFunc(all, func(a, b Notice) int {
		return cmp.Or(-cmp.Compare(a.Severity, b.Severity), cmp.Compare(a.Code, b.Code), cmp.Compare(a.About, b.About))
	})
	return all
}

func shootNotices(s ShootFacts, f Facts) []Notice {
	var all []Notice
	about := s.ID.String()
	name := fmt.Sprintf("%q", s.ID.Name)
	add := func(n Notice) {
		n.About, n.Since = about, s.Since
		all = append(all, n)
	}
	c := s.Cover
	if c.Standing == OneCopy && (f.Now.Sub(s.Since) >= f.Policy.WarnAfter || s.Since.After(f.Now)) {
		add(oneCopy(name, c, f))
	}
	if c.Unread.Files > 0 {
		add(Notice{
			Code: NoticeUnreadable, Severity: Normal, Weight: int(c.Unread.Files),
			Text: fmt.Sprintf("%s of the shoot %s cannot be read, so no copy could be made", files(c.Unread.Files), name),
			Safe: "all other files are copied as usual",
			Do:   "look at the permissions and at the working drive; it is tried again by itself",
		})
	}
	if n, cause := c.notStored(); n > 0 {
		add(Notice{
			Code: NoticeNotStored, Severity: Normal, Weight: int(n),
			Text: fmt.Sprintf("%s of the shoot %s could not be stored on a drive: %s", files(n), name, cause),
			Safe: "the working files are untouched; all others are copied; these are not counted as copies",
			Do:   fmt.Sprintf("see which: copyhold shoot %s", name),
		})
	}
	if n := c.damaged(); n > 0 {
		add(Notice{
			Code: NoticeDamaged, Severity: Critical, Weight: int(n),
			Text: fmt.Sprintf("%s of the shoot %s cannot be read back as verified any more", copies(n), name),
			Safe: "damaged copies are not counted; they are made again from a good one",
			Do:   "leave the drives plugged in; see copyhold shoot " + name,
		})
	}
	if c.Skipped.Files > 0 {
		add(Notice{
			Code: NoticeSkipped, Severity: Low,
			Text: fmt.Sprintf("not copied in the shoot %s: %s", name, plural(int(c.Skipped.Files), "link or special file", "links or special files")),
			Safe: "everything that is a plain file is copied",
			Do:   "nothing, unless a link points at pictures that live elsewhere: put those into the shoot",
		})
	}
	return all
}

// oneCopy is the warning Copyhold exists for.
func oneCopy(name string, c Cover, f Facts) Notice {
	n := Notice{Code: NoticeOneCopy, Severity: Critical, Weight: 2 - c.Copies, Do: secondCopy(c, f.Drives)}
	some := "the shoot " + name + " exists"
	if c.Single.Files < c.Counted.Files {
		some = fmt.Sprintf("%d of %d files of the shoot %s exist", c.Single.Files, c.Counted.Files, name)
	}
	switch {
	case c.Copies == 0:
		n.Text = fmt.Sprintf("the shoot %s has files that no drive holds as a verified copy any more", name)
		n.Safe = "nothing was deleted by Copyhold"
		n.Do = "look for them on their cards and on retired drives, and put them back into the working folder"
	case c.Archived:
		n.Text = some + " on one backup drive only"
		n.Safe = "that copy is verified"
		n.Do = "copy its folder from that drive back into the working folder; from there it is copied to the other drives"
	default:
		n.Text = some + " only once, on the working drive"
		n.Safe = "keep its cards unformatted until a second copy is verified"
	}
	return n
}

// secondCopy says how a shoot gets its second copy: by a drive that is at it
// already, by one that is away, or by a new one.
func secondCopy(c Cover, drives []DriveFacts) string {
	var busy, away, released []string
	for _, d := range drives {
		name := fmt.Sprintf("%q", d.Drive.Name)
		share := c.Drives[d.Drive.No]
		switch {
		case !d.Drive.InUse():
		case !d.Present:
			away = append(away, name)
		case d.Released:
			released = append(released, name)
		case d.Trouble == NoCause && share.Wanted.Files > 0 && len(share.Refused) == 0:
			busy = append(busy, name)
		}
	}
	switch {
	case len(busy) > 0:
		return "leave " + strings.Join(busy, " and ") + " plugged in until it is copied"
	case len(away) > 0:
		return "plug in " + strings.Join(away, " or ") + "; copying starts by itself"
	case len(released) > 0:
		return "unplug " + strings.Join(released, " or ") + " and plug it in again, or go on with: copyhold resume"
	default:
		return "plug in another drive, and adopt it: copyhold drive add DIR --name NAME"
	}
}

// notStored counts what a drive that is otherwise well refused, with the most
// frequent cause. Full, absent and read-only drives have notices of their own.
func (c Cover) notStored() (n int64, cause Cause) {
	var most int64
	for _, share := range c.Drives {
		for why, sum := range share.Refused {
			switch why {
			case NameRefused, TooLarge, ReadBackDiffers, DriveRefused, NameTaken, NoPlaceOnDrive:
				n += sum.Files
				if sum.Files > most || sum.Files == most && why < cause {
					most, cause = sum.Files, why
				}
			}
		}
	}
	return n, cause
}

func (c Cover) damaged() (n int64) {
	for _, share := range c.Drives {
		n += share.Damaged.Files
	}
	return n
}

func driveNotices(d DriveFacts) []Notice {
	if !d.Drive.InUse() {
		return nil
	}
	name := fmt.Sprintf("%q", d.Drive.Name)
	n := Notice{About: string(d.Drive.ID), Severity: Normal, Since: d.Since}
	switch {
	case d.Doubt != "":
		n.Code, n.Severity = NoticeDoubtful, Critical
		n.Text = fmt.Sprintf("the drive %s is not used: %s", name, d.Doubt)
		n.Safe = "nothing is written to it"
		n.Do = "unplug the one that is not the drive, or adopt it anew under another name"
		if d.Unreadable {
			n.Do = "unplug it and plug it in again; if it goes on, try another cable and another computer"
		}
	case d.Trouble == DriveFull:
		n.Code = NoticeDriveFull
		n.Text = fmt.Sprintf("the drive %s has no room for %s more", name, Size(d.Missing))
		n.Safe = "what is on it stays; files that still fit are copied"
		n.Do = "make room on it or adopt a larger drive; copying goes on by itself"
	case d.Trouble == DriveReadOnly:
		n.Code = NoticeReadOnly
		n.Text = fmt.Sprintf("the drive %s takes no writes: it is mounted read-only or its permissions refuse", name)
		n.Safe = "what is on it stays and is counted"
		n.Do = "look at its lock switch, its file system and who may write to it; copying goes on by itself"
	case d.Trouble != NoCause:
		n.Code = NoticeDriveFails
		n.Text = fmt.Sprintf("copying to the drive %s does not work: %s", name, d.Trouble)
		n.Safe = "the originals are untouched; finished copies are kept"
		n.Do = "unplug it and plug it in again; if it goes on, replace the cable or the drive"
	default:
		return nil
	}
	return []Notice{n}
}

func workingNotices(w WorkingFacts) []Notice {
	var all []Notice
	name := fmt.Sprintf("%q", w.Name)
	if !w.Online {
		all = append(all, Notice{
			Code: NoticeWorkingAway, About: w.Name, Severity: Low, Since: w.Since,
			Text: fmt.Sprintf("the working folder %s is away: %s", name, w.Why),
			Safe: "nothing on the drives changes because of it",
			Do:   fmt.Sprintf("plug in the working drive so that %s is there; work goes on by itself", w.Path),
		})
	}
	if w.WatchLimit > 0 {
		all = append(all, Notice{
			Code: NoticeWatchLimit, About: w.Name, Severity: Normal, Since: w.Since,
			Text: fmt.Sprintf("the system lets Copyhold watch only %d folders of %s; the rest is found by timed scans", w.WatchLimit, name),
			Safe: "every file is still found and copied, only later",
			Do:   "raise the limit: sudo sysctl fs.inotify.max_user_watches=524288",
		})
	}
	if len(w.ClosedPaths) > 0 {
		all = append(all, Notice{
			Code: NoticeUnreadable, About: w.Name, Severity: Normal, Weight: len(w.ClosedPaths), Since: w.Since,
			Text: fmt.Sprintf("%s of %s cannot be read, %q first", plural(len(w.ClosedPaths), "folder", "folders"), name, w.ClosedPaths[0]),
			Safe: "everything else is copied as usual; copies made earlier stay counted",
			Do:   "look at the permissions of the folder; it is tried again at the next scan",
		})
	}
	return all
}

func generalNotices(f Facts) []Notice {
	var all []Notice
	used := slices.ContainsFunc(f.Drives, func(d DriveFacts) bool { return d.Drive.InUse() })
	if !used {
		all = append(all, Notice{
			Code: NoticeNoDrive, Severity: Normal, Since: f.Now,
			Text: "no drive is adopted yet, so no copies are made",
			Safe: "the working folders are only read",
			Do:   "adopt one: copyhold drive add DIR --name NAME",
		})
	}
	if f.Paused {
		text := "copying is paused"
		if !f.PausedUntil.IsZero() {
			text += " until " + f.PausedUntil.Format("2006-01-02 15:04")
		}
		all = append(all, Notice{
			Code: NoticePaused, Severity: Low, Since: f.Now, Text: text,
			Safe: "copies that are made stay; nothing new is copied", Do: "go on: copyhold resume",
		})
	}
	return all
}

func files(n int64) string {
	if n == 1 {
		return "1 file"
	}
	return fmt.Sprintf("%d files", n)
}

func copies(n int64) string {
	if n == 1 {
		return "1 copy"
	}
	return fmt.Sprintf("%d copies", n)
}

// Size writes bytes in decimal units, as drive makers print them.
func Size(bytes int64) string {
	units := []string{"B", "kB", "MB", "GB", "TB", "PB"}
	value, unit := float64(bytes), 0
	for value >= 999.5 && unit < len(units)-1 {
		value, unit = value/1000, unit+1
	}
	switch {
	case unit == 0:
		return fmt.Sprintf("%d B", bytes)
	case value < 9.95:
		return fmt.Sprintf("%.1f %s", value, units[unit])
	default:
		return fmt.Sprintf("%.0f %s", value, units[unit])
	}
}

// Said is what was last said aloud of one notice.
type Said struct {
	At       time.Time
	Severity Severity
	Weight   int
}

// UnplugGrace is how long a drive must be failing or in doubt before that is
// said: one that is being unplugged is so for a moment.
const UnplugGrace = 5 * time.Second

// Speak decides whether to say n aloud now, and why (not).
func Speak(n Notice, before Said, now time.Time) (bool, string) {
	switch {
	case n.Severity == Low:
		return false, "shown when asked"
	case (n.Code == NoticeDriveFails || n.Code == NoticeDoubtful) && now.Sub(n.Since) < UnplugGrace:
		return false, "it may be on its way out"
	case before.At.IsZero():
		return true, "new"
	case n.Severity > before.Severity || n.Severity == before.Severity && n.Weight > before.Weight && n.Code == NoticeOneCopy:
		return true, "worse than said"
	case n.Severity == Critical && now.Sub(before.At) >= 24*time.Hour:
		return true, "still so, a day later"
	default:
		return false, "said before"
	}
}
