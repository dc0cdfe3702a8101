package lists

import (
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"copyhold/replicate"
)

// format is the number of the identity file's format that is written.
const format = 1

// maxDriveName is the length of the longest drive name, in runes.
const maxDriveName = 64

// what tells a person who finds the identity file what it is.
const what = "This folder belongs to Copyhold, which keeps checked copies of shoots on this drive; " +
	"deleting it makes Copyhold forget the drive, while the copies beside it stay as they are."

// Identity is what a drive says about itself.
type Identity struct {
	Format  int // as it was read; Marshal writes its own
	ID      replicate.DriveID
	Name    string
	Place   replicate.Place
	Created time.Time
	Volume  string // the volume's own UUID, empty where it has none
	Traits  replicate.Traits
}

// identityForm is the form of an Identity in its file.
type identityForm struct {
	What    string            `json:"what"`
	Format  int               `json:"format"`
	ID      replicate.DriveID `json:"id"`
	Name    string            `json:"name"`
	Place   replicate.Place   `json:"place"`
	Created string            `json:"created"`
	Volume  string            `json:"volume"`
	Traits  replicate.Traits  `json:"traits"`
}

// NewID makes the id of a drive that is being adopted.
func NewID(random [16]byte) replicate.DriveID {
	return replicate.DriveID(hex.EncodeToString(random[:]))
}

// ValidName says what is wrong with a name for a drive, in words for the person
// who chose it; nil if nothing is.
func ValidName(name string) error {
	switch {
	case strings.TrimSpace(name) == "":
		return errors.New("a drive needs a name")
	case !utf8.ValidString(name):
		return errors.New("a drive's name must be text in UTF-8")
	case strings.ContainsFunc(name, breaksLine):
		return errors.New("a drive's name cannot hold line breaks or other control characters")
	case utf8.RuneCountInString(name) > maxDriveName:
		return fmt.Errorf("a drive's name can have at most %d characters", maxDriveName)
	}
	return nil
}

func breaksLine(r rune) bool { return unicode.In(r, unicode.Cc, unicode.Zl, unicode.Zp) }

// Marshal is the content of the identity file.
func (id Identity) Marshal() []byte {
	text, err := json.MarshalIndent(identityForm{
		What: what, Format: format, ID: id.ID, Name: id.Name, Place: id.Place,
		Created: formatTime(id.Created), Volume: id.Volume, Traits: id.Traits,
	}, "", "  ")
	if err != nil {
		panic(err) // strings, numbers and truth values cannot fail
	}
	return append(text, '\n')
}

// ParseIdentity reads what Marshal wrote.
func ParseIdentity(text []byte) (Identity, error) {
	var f identityForm
	err := decode(text, &f)
	if f.Format > format {
		return Identity{}, fmt.Errorf("identity file of format %d: %w", f.Format, ErrNewer)
	}
	if err != nil {
		return Identity{}, err
	}
	created, err := parseTime(f.Created)
	if err != nil {
		return Identity{}, fmt.Errorf("identity file: created: %w", err)
	}
	id := Identity{
		Format: f.Format, ID: f.ID, Name: f.Name, Place: f.Place,
		Created: created, Volume: f.Volume, Traits: f.Traits,
	}
	if err := id.check(); err != nil {
		return Identity{}, fmt.Errorf("identity file: %w", err)
	}
	return id, nil
}

func (id Identity) check() error {
	t := id.Traits
	switch {
	case id.Format < 1:
		return errors.New("tells no format")
	case !slices.Contains(replicate.Places(), id.Place):
		return fmt.Errorf("unknown place %q, want one of %q", id.Place, replicate.Places())
	case t.MaxName < 0 || t.LargestFile < 0 || t.TimeStep < 0:
		return errors.New("traits that no drive can have")
	}
	if err := checkID(id.ID); err != nil {
		return err
	}
	return ValidName(id.Name)
}

func checkID(id replicate.DriveID) error {
	switch {
	case id == "":
		return errors.New("tells no drive id")
	case !isLowerHex(string(id), 32):
		return fmt.Errorf("drive id %q is not 32 lower-case hex digits", id)
	}
	return nil
}

func isLowerHex(s string, digits int) bool {
	return len(s) == digits && strings.Trim(s, "0123456789abcdef") == ""
}

// decode fills v from text. On a value of the wrong type the rest of v is
// filled nevertheless, so that a newer format can be told from a damaged file.
func decode(text []byte, v any) error {
	if !utf8.Valid(text) {
		return errors.New("damaged: not text in UTF-8")
	}
	if err := json.Unmarshal(text, v); err != nil {
		return fmt.Errorf("damaged or cut short: %w", err)
	}
	return nil
}

// formatTime writes t in UTC. A time that is not known is empty, and so is one
// that RFC 3339 has no form for: some file systems keep years beyond 9999.
func formatTime(t time.Time) string {
	t = t.UTC()
	if t.IsZero() || t.Year() < 0 || t.Year() > 9999 {
		return ""
	}
	return t.Format(time.RFC3339Nano)
}

// parseTime reads what formatTime wrote.
func parseTime(s string) (time.Time, error) {
	if s == "" {
		return time.Time{}, nil
	}
	t, err := time.Parse(time.RFC3339Nano, s)
	if err != nil || !strings.HasSuffix(s, "Z") {
		return time.Time{}, fmt.Errorf("%q is not a time in UTC as in 2026-03-02T18:45:12Z", s)
	}
	return t.UTC(), nil
}
