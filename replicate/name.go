package replicate

import (
	"fmt"
	"strings"
	"time"
	"unicode/utf16"
	"unicode/utf8"
)

// Traits are the habits of a drive's file system that decide what can be
// stored and how. They are probed once on the volume itself.
type Traits struct {
	Probed      bool          `json:"probed"`
	FoldsCase   bool          `json:"folds_case"`    // "A" and "a" are one name
	Forbidden   string        `json:"forbidden"`     // characters no name may have, beside "/" and NUL
	UTF8Only    bool          `json:"utf8_only"`     // other bytes are refused
	MaxName     int           `json:"max_name"`      // longest name, in its units; 0 = 255
	NameInUTF16 bool          `json:"name_in_utf16"` // the unit is the UTF-16 code unit, else the byte
	LargestFile int64         `json:"largest_file"`  // bytes; 0 = no limit met
	TimeStep    time.Duration `json:"time_step"`     // granularity of modification times
}

// StoredPath is the path under which a drive with traits t stores path: the
// same wherever possible. It is false when no form of the name fits. The form
// can be read back: every byte that cannot be stored stands as %XX, and so does
// a percent sign that could be taken for such an escape.
func StoredPath(path string, t Traits) (string, bool) {
	parts := strings.Split(path, "/")
	for i, part := range parts {
		stored := escapeName(part, t)
		if !t.fits(stored) {
			return "", false
		}
		parts[i] = stored
	}
	return strings.Join(parts, "/"), true
}

// OwnPath is the path that StoredPath stored.
func OwnPath(stored string, t Traits) string {
	if !t.escapes() {
		return stored
	}
	var b strings.Builder
	for i := 0; i < len(stored); i++ {
		if hexPair(stored[i:]) {
			b.WriteByte(unhex(stored[i+1])<<4 | unhex(stored[i+2]))
			i += 2
			continue
		}
		b.WriteByte(stored[i])
	}
	return b.String()
}

// escapes reports whether any name at all is stored otherwise on the drive.
func (t Traits) escapes() bool { return t.Forbidden != "" || t.UTF8Only }

func (t Traits) fits(name string) bool {
	limit := t.MaxName
	if limit == 0 {
		limit = 255
	}
	units := len(name)
	if t.NameInUTF16 {
		units = 0
		for _, r := range name {
			units += utf16.RuneLen(r)
		}
	}
	return units <= limit
}

func escapeName(name string, t Traits) string {
	if !t.escapes() {
		return name
	}
	var b strings.Builder
	for i := 0; i < len(name); {
		r, size := utf8.DecodeRuneInString(name[i:])
		last := i+size == len(name)
		if t.mustEscape(r, size, last) || hexPair(name[i:]) {
			for _, c := range []byte(name[i : i+size]) {
				fmt.Fprintf(&b, "%%%02X", c)
			}
		} else {
			b.WriteString(name[i : i+size])
		}
		i += size
	}
	return b.String()
}

// mustEscape: a dot or space at the end is escaped wherever characters are
// forbidden, because the other systems that mount such a volume drop it.
func (t Traits) mustEscape(r rune, size int, last bool) bool {
	switch {
	case r == utf8.RuneError && size == 1:
		return t.UTF8Only
	case t.Forbidden != "" && last && (r == '.' || r == ' '):
		return true
	default:
		return strings.ContainsRune(t.Forbidden, r)
	}
}

// hexPair reports whether s begins like an escape.
func hexPair(s string) bool {
	return len(s) >= 3 && s[0] == '%' && isHex(s[1]) && isHex(s[2])
}

func isHex(c byte) bool { return '0' <= c && c <= '9' || 'A' <= c && c <= 'F' || 'a' <= c && c <= 'f' }

func unhex(c byte) byte {
	switch {
	case c <= '9':
		return c - '0'
	case c <= 'F':
		return c - 'A' + 10
	default:
		return c - 'a' + 10
	}
}
