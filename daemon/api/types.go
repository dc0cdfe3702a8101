// Package api is how the daemon and everybody who asks it talk: the types of
// every question and answer, the client, and the plumbing of the control
// socket. It is a leaf: it knows nothing of the rest, so that the command line
// and the tray link neither the database nor the copy engine.
//
// The JSON of these types is a contract: Schema counts it, names are never
// reworded, fields are only added. A time that is not known is left out.
package api

import (
	"context"
	"time"
)

// Schema is the version of every JSON answer.
const Schema = 1

// Service is every question and order there is. The daemon answers it over the
// socket; without a daemon the questions are answered from the ledger.
type Service interface {
	Status(ctx context.Context) (Status, error)
	Shoots(ctx context.Context, pattern string) (Shoots, error)
	Shoot(ctx context.Context, name string) (ShootDetail, error)
	Where(ctx context.Context, pattern string) (Where, error)
	Explain(ctx context.Context, path string) (Explanation, error)
	Drives(ctx context.Context) (Drives, error)

	AddDrive(ctx context.Context, add AddDrive) (Drive, error)
	ChangeDrive(ctx context.Context, change ChangeDrive) (Drive, error)
	// ReleaseDrive answers once the drive is flushed and closed; a *Fault when
	// it cannot be said to be safe.
	ReleaseDrive(ctx context.Context, release ReleaseDrive) (Drive, error)
	Pause(ctx context.Context, pause Pause) (Status, error)
	Resume(ctx context.Context) (Status, error)
}

// Status is the answer to "how do things stand".
type Status struct {
	Schema  int       `json:"schema"`
	Daemon  Daemon    `json:"daemon"`
	Working []Working `json:"working"`
	Drives  []Drive   `json:"drives"`
	Shoots  []Shoot   `json:"shoots"`
	Notices []Notice  `json:"notices"`
}

// Daemon tells about the process that does the work.
type Daemon struct {
	Running     bool       `json:"running"`
	Since       *time.Time `json:"since"`
	Version     string     `json:"version"`
	Paused      bool       `json:"paused"`
	PausedUntil *time.Time `json:"paused_until"` // null while Paused means: until resumed
}

// Working is one working folder.
type Working struct {
	Name     string `json:"name"`
	Path     string `json:"path"`
	Online   bool   `json:"online"`
	Scanning bool   `json:"scanning"`
	Settling int    `json:"settling"` // files that changed a moment ago
	Files    int64  `json:"files"`
	Bytes    int64  `json:"bytes"`
}

// Drive is one adopted drive. Every figure about a drive that is not online was
// true at LastSeen.
type Drive struct {
	ID           string    `json:"id"`
	Name         string    `json:"name"`
	Place        string    `json:"place"`
	Online       bool      `json:"online"`
	Path         string    `json:"path"` // where it is, or was last seen
	FreeBytes    int64     `json:"free_bytes"`
	SizeBytes    int64     `json:"size_bytes"`
	WantedFiles  int64     `json:"wanted_files"`
	WantedBytes  int64     `json:"wanted_bytes"`
	Copies       int64     `json:"copies"`
	CopiesBytes  int64     `json:"copies_bytes"`
	Damaged      int64     `json:"damaged"`
	LastSeen     time.Time `json:"last_seen,omitzero"`
	LastVerified time.Time `json:"last_verified,omitzero"` // day of the copy verified longest ago; zero if none
	Activity     Activity  `json:"activity"`
	SafeToUnplug bool      `json:"safe_to_unplug"`
	Released     bool      `json:"released"` // nothing is copied to it until it is plugged in again
	Trouble      *string   `json:"trouble"`
	SharesWith   []string  `json:"shares_device_with"` // drives and working folders counted as one device with it
	Retired      bool      `json:"retired"`
}

// Activity is what a drive does at this moment.
type Activity struct {
	Doing          string `json:"doing"` // copy, verify or idle
	Path           string `json:"path"`
	DoneBytes      int64  `json:"done_bytes"`
	TotalBytes     int64  `json:"total_bytes"`
	BytesPerSecond int64  `json:"bytes_per_second"`
	ETASeconds     int64  `json:"eta_seconds"`
}

// Shoot is one line of the table of shoots.
type Shoot struct {
	Working  string    `json:"working"`
	Name     string    `json:"name"`
	Files    int64     `json:"files"`
	Bytes    int64     `json:"bytes"`
	Copies   int       `json:"copies"`
	OffSite  int       `json:"off_site"`
	Standing string    `json:"standing"` // covered, unproven, short or one copy
	Archived bool      `json:"archived"`
	Since    time.Time `json:"since"`
	On       []string  `json:"on"` // drives that hold every file of it
}

// Notice is something that the person should know.
type Notice struct {
	Code     string    `json:"code"`
	Severity string    `json:"severity"` // low, normal or critical
	About    string    `json:"about"`
	Text     string    `json:"text"`
	Safe     string    `json:"safe"`
	Do       string    `json:"do"`
	Since    time.Time `json:"since"`
}

// Drives is the answer to "which drives are there".
type Drives struct {
	Schema int     `json:"schema"`
	Drives []Drive `json:"drives"`
}

// Shoots is the table of shoots.
type Shoots struct {
	Schema int           `json:"schema"`
	Shoots []ShootDetail `json:"shoots"`
}

// ShootDetail is one shoot in full. In a table Folders is empty.
type ShootDetail struct {
	Schema int `json:"schema,omitempty"`
	Shoot
	LetGo   int64         `json:"let_go"`
	Skipped int64         `json:"skipped"`
	Unread  int64         `json:"unread"`
	Shares  []Share       `json:"drives"`
	Folders []FolderShare `json:"folders,omitempty"`
	Missing string        `json:"missing"` // one sentence: what the next standing needs; empty when covered
}

// Share is what one drive holds of a shoot.
type Share struct {
	Drive       string    `json:"drive"`
	Place       string    `json:"place"`
	Online      bool      `json:"online"`
	LastSeen    time.Time `json:"last_seen,omitzero"`
	Files       int64     `json:"files"`
	Bytes       int64     `json:"bytes"`
	WantedFiles int64     `json:"wanted_files"`
	WantedBytes int64     `json:"wanted_bytes"`
	Damaged     int64     `json:"damaged"`
	Verified    time.Time `json:"verified,omitzero"` // of the copy verified longest ago; zero if none
	Refused     []Refused `json:"refused"`
}

// Refused counts files that could not be brought to a drive, by cause.
type Refused struct {
	Files int64  `json:"files"`
	Cause string `json:"cause"`
}

// FolderShare is one folder of a shoot: its files and how many each drive
// holds, in the order of ShootDetail.Shares.
type FolderShare struct {
	Folder string  `json:"folder"` // inside the shoot; "" = directly in it
	Files  int64   `json:"files"`
	Bytes  int64   `json:"bytes"`
	Held   []int64 `json:"held"`
}

// Where is the answer to "where is that footage".
type Where struct {
	Schema int         `json:"schema"`
	Shoots []ShootPath `json:"shoots"`
	Files  []FilePath  `json:"files"`
	More   int64       `json:"more"` // files that match beyond those listed
}

// ShootPath tells where a shoot lies.
type ShootPath struct {
	Working string     `json:"working"`
	Shoot   string     `json:"shoot"`
	Files   int64      `json:"files"`
	At      []Location `json:"at"`
}

// FilePath tells where one file lies.
type FilePath struct {
	Working string     `json:"working"`
	Path    string     `json:"path"`
	Bytes   int64      `json:"bytes"`
	At      []Location `json:"at"`
}

// Location is one place of a shoot or file.
type Location struct {
	Drive    string    `json:"drive"` // "" = the working folder
	Place    string    `json:"place"`
	Path     string    `json:"path"` // where it lies when the drive is online, or lay when it was last seen
	Online   bool      `json:"online"`
	LastSeen time.Time `json:"last_seen,omitzero"`
	Files    int64     `json:"files"`
	Verified time.Time `json:"verified,omitzero"` // zero: not verified there
}

// Explanation is what is decided for one file, and why.
type Explanation struct {
	Schema   int        `json:"schema"`
	Working  string     `json:"working"`
	Path     string     `json:"path"`
	Bytes    int64      `json:"bytes"`
	Modified time.Time  `json:"modified,omitzero"`
	Digest   string     `json:"digest"` // BLAKE3; "" = not read yet
	Life     string     `json:"life"`   // here, let go, archived or skipped
	Known    bool       `json:"known"`  // false: the ledger has not met it
	Note     string     `json:"note"`
	Drives   []Decision `json:"drives"`
}

// Decision is what is decided for a file on one drive.
type Decision struct {
	Drive    string    `json:"drive"`
	Action   string    `json:"action"`
	StoredAs string    `json:"stored_as"`
	Verified time.Time `json:"verified,omitzero"`
	Until    time.Time `json:"until,omitzero"` // not before; zero if an event will tell
}

// AddDrive adopts a drive.
type AddDrive struct {
	Path     string `json:"path"`
	Name     string `json:"name"`
	Place    string `json:"place"`
	Separate bool   `json:"separate"`
}

// ChangeDrive renames, moves or retires a drive; empty fields stay as they are.
type ChangeDrive struct {
	Drive  string `json:"drive"` // name or id
	Name   string `json:"name"`
	Place  string `json:"place"`
	Retire bool   `json:"retire"`
}

// ReleaseDrive makes a drive safe to unplug.
type ReleaseDrive struct {
	Drive   string `json:"drive"` // name or id
	Unmount bool   `json:"unmount"`
}

// Pause stops copying. Zero Seconds means: until resumed.
type Pause struct {
	Seconds int64 `json:"seconds"`
}

// Fault is an error as it goes over the wire and to the person: what happened,
// what is still safe, what to do.
type Fault struct {
	What   string `json:"what"`
	Safe   string `json:"safe,omitempty"`
	Do     string `json:"do,omitempty"`
	Misuse bool   `json:"misuse,omitempty"` // the request itself is wrong
}

func (f *Fault) Error() string { return f.What }
