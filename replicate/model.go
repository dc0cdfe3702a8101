package replicate

import (
	"encoding/hex"
	"strings"
	"time"
)

// LooseFiles is the shoot that files directly in a working folder belong to.
const LooseFiles = "(loose files)"

// OwnFolder is the folder on a drive that holds Copyhold's own records.
const OwnFolder = ".copyhold"

// DriveID is the random name a drive got when it was adopted; it stands in the
// drive's identity file and never changes.
type DriveID string

// DriveNo is the small number a ledger gives a drive, so that a file's copies
// cost a few bytes each. It means nothing outside that ledger.
type DriveNo uint16

// Place says where a drive usually is.
type Place string

// The places a drive can be at. Home and OffSite count as away from the
// working drive.
const (
	WithMe  Place = "with-me"
	Home    Place = "home"
	OffSite Place = "off-site"
)

// Places lists every place, in the order people meet them.
func Places() []Place { return []Place{WithMe, Home, OffSite} }

// Away reports whether a drive at p survives the loss of the person's bag.
func (p Place) Away() bool { return p == Home || p == OffSite }

// Digest is the BLAKE3-256 of a file's content. The zero value means that the
// content has not been read yet.
type Digest [32]byte

// Known reports whether the content has been read.
func (d Digest) Known() bool { return d != Digest{} }

// String is the 64 lower-case hex digits that b3sum prints.
func (d Digest) String() string { return hex.EncodeToString(d[:]) }

// ParseDigest reads what String wrote.
func ParseDigest(s string) (Digest, bool) {
	var d Digest
	b, err := hex.DecodeString(s)
	if err != nil || len(b) != len(d) {
		return Digest{}, false
	}
	copy(d[:], b)
	return d, true
}

// XXH128 is the XXH3 128-bit hash of a file's content, big-endian, taken in
// the same pass as the digest because media hash lists ask for it.
type XXH128 [16]byte

// FileID names one file: the working folder's name and the path inside it,
// slash-separated, byte for byte as the file system has it.
type FileID struct{ Working, Path string }

// Shoot is the shoot the file belongs to.
func (id FileID) Shoot() ShootID {
	shoot, _, inside := strings.Cut(id.Path, "/")
	if !inside {
		shoot = LooseFiles
	}
	return ShootID{Working: id.Working, Name: shoot}
}

// InShoot is the path inside the shoot.
func (id FileID) InShoot() string {
	if _, rest, inside := strings.Cut(id.Path, "/"); inside {
		return rest
	}
	return id.Path
}

func (id FileID) String() string { return id.Working + "/" + id.Path }

// ShootID names one shoot of one working folder.
type ShootID struct{ Working, Name string }

func (id ShootID) String() string { return id.Working + "/" + id.Name }

// Stat is what the file system says about a file without reading it. Two equal
// stats mean "not touched in between"; nothing else is concluded from them.
type Stat struct {
	Size  int64
	MTime time.Time
	Inode uint64 // 0 where the system has none
}

// Same reports whether nothing was touched between the two looks. The inode is
// left out: a working drive that moved to another computer keeps its files.
func (s Stat) Same(o Stat) bool { return s.Size == o.Size && s.MTime.Equal(o.MTime) }

// Life tells where a file stands in the working folder.
type Life uint8

// The lives of a file. The zero value is a file that is there.
const (
	Here     Life = iota
	LetGo         // deleted while its shoot stayed: not counted, stays on the drives
	Archived      // its shoot left the working folder whole: counted on the drives
	Skipped       // not a regular file (a link, a pipe): never copied, told once
)

func (l Life) String() string {
	return [...]string{"here", "let go", "archived", "skipped"}[l]
}

// Counted reports whether the policy asks for copies of such a file.
func (l Life) Counted() bool { return l == Here || l == Archived }

// File is everything the ledger knows about one path.
type File struct {
	FileID
	Stat
	SeenAt  time.Time // first of the equal looks that led to Stat
	Digest  Digest    // of the content that Stat describes; zero until read
	XXH128  XXH128
	Life    Life
	GoneAt  time.Time // when it was let go or archived
	Attempt Attempt   // the last reading of the source that failed
	Copies  []Copy    // at most one per drive, ordered by drive number
}

// Copy is what the ledger knows about one file on one drive. A File without a
// Copy for a drive was never brought there.
type Copy struct {
	Drive      DriveNo
	State      CopyState
	Digest     Digest // of what the drive holds; differs from the file's when outdated
	Size       int64
	VerifiedAt time.Time
	StoredAs   string  // path inside the working folder when its own cannot be stored; else empty
	Attempt    Attempt // the last failure to bring the content there
}

// CopyState is how much is known about a copy.
type CopyState uint8

// The states of a copy. Only Verified counts (P8).
const (
	Missing  CopyState = iota // nothing there; the Attempt says why
	Verified                  // read back and equal (P4)
	Damaged                   // reads back as something else
)

// Attempt remembers a failure, so that it is told and not repeated at once.
// The zero value means that nothing failed.
type Attempt struct {
	Cause   Cause
	Count   int       // failures in a row
	RetryAt time.Time // do nothing before
}

// longestPause is the longest that a failure puts a file off.
const longestPause = time.Hour

// Failed is the attempt after one more failure: the pause doubles from ten
// seconds to an hour.
func (a Attempt) Failed(cause Cause, now time.Time) Attempt {
	if a.Cause != cause {
		a.Count = 0
	}
	pause := min(10*time.Second<<min(a.Count, 10), longestPause)
	return Attempt{Cause: cause, Count: min(a.Count+1, 255), RetryAt: now.Add(pause)}
}

// CopyOn is the copy that drive no holds, or the zero Copy.
func (f *File) CopyOn(no DriveNo) Copy {
	for _, c := range f.Copies {
		if c.Drive == no {
			return c
		}
	}
	return Copy{Drive: no}
}

// SetCopy puts c in its place among the copies.
func (f *File) SetCopy(c Copy) {
	for i := range f.Copies {
		switch {
		case f.Copies[i].Drive == c.Drive:
			f.Copies[i] = c
			return
		case f.Copies[i].Drive > c.Drive:
			f.Copies = append(f.Copies[:i], append([]Copy{c}, f.Copies[i:]...)...)
			return
		}
	}
	f.Copies = append(f.Copies, c)
}

// Holds reports whether c is a verified copy of the file's present content.
func (f *File) Holds(c Copy) bool {
	return c.State == Verified && f.Digest.Known() && c.Digest == f.Digest
}

// Drive is what the ledger knows about an adopted drive.
type Drive struct {
	ID       DriveID
	No       DriveNo
	Name     string
	Place    Place
	Volume   string    // the volume's own UUID, empty where it has none
	LastPath string    // the drive folder where it was last seen
	Sub      string    // the drive folder relative to its mount point, "" = the mount itself
	Separate bool      // the person said: count it as a device of its own
	Beside   []string  // drive ids, or WorkingDisk(name), met on the same disk (P8)
	Adopted  time.Time // when
	LastSeen time.Time
	Retired  time.Time // not zero: no longer copied to, no longer counted
	Room     Room      // at LastSeen
	Traits   Traits
}

// Folder is the folder on the drive that stands for a working folder.
func (d Drive) Folder(working string) string {
	stored, _ := StoredPath(working, d.Traits)
	return stored
}

// InUse reports whether the drive takes copies.
func (d Drive) InUse() bool { return d.Retired.IsZero() }

// WorkingDisk is how Drive.Beside names the disk of a working folder.
func WorkingDisk(working string) string { return "working:" + working }

// Room is the space of a volume, in bytes.
type Room struct{ Free, Size int64 }

// Policy is what the person asked for.
type Policy struct {
	Copies       int // separate devices, the working drive's included
	OffSite      int // of these, away from the working drive
	WarnAfter    time.Duration
	VerifyEvery  time.Duration
	KeepVersions time.Duration
	Settle       time.Duration
}

// Cause says why something could not be done. It is stored in the ledger as a
// number: append only.
type Cause uint8

// The causes. Those of the source concern every drive; the others one drive.
const (
	NoCause          Cause = iota
	SourceUnreadable       // the working drive or its permissions refuse the file
	SourceGone             // it left before it could be read
	SourceChanging         // it changed while it was read
	DriveFull              // no room for it, with the margin
	DriveReadOnly          // the drive takes no writes
	DriveLost              // the drive went away or fails
	NameRefused            // no stored form of the name is accepted
	TooLarge               // over the largest file of the drive's file system
	ReadBackDiffers        // what was written reads back otherwise
	DriveRefused           // permission, quota or another refusal for this file
	NameTaken              // another file's copy has the only possible name
	NoPlaceOnDrive         // a file stands where a folder is needed, or the reverse
)

// causes holds the words for each Cause; the test checks that none is missing.
var causes = [...]string{
	NoCause:          "",
	SourceUnreadable: "cannot be read on the working drive",
	SourceGone:       "left the working folder",
	SourceChanging:   "was changing while it was read",
	DriveFull:        "no room on the drive",
	DriveReadOnly:    "the drive takes no writes",
	DriveLost:        "the drive went away",
	NameRefused:      "the drive cannot store this name",
	TooLarge:         "too large for the drive's file system",
	ReadBackDiffers:  "read back differently from what was written",
	DriveRefused:     "the drive refused it",
	NameTaken:        "another file has that name on the drive",
	NoPlaceOnDrive:   "something else stands in its place on the drive",
}

func (c Cause) String() string { return causes[c] }

// Known reports whether this program knows the cause's number.
func (c Cause) Known() bool { return int(c) < len(causes) }

// Causes lists every cause but NoCause, in a fixed order.
func Causes() []Cause {
	all := make([]Cause, 0, len(causes)-1)
	for c := range causes[1:] {
		all = append(all, Cause(c+1))
	}
	return all
}

// OfSource reports whether the cause lies in the working folder and not in a drive.
func (c Cause) OfSource() bool {
	return c == SourceUnreadable || c == SourceGone || c == SourceChanging
}
