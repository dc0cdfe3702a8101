// Package lists hides the formats of what is written on each drive: the
// identity file, and for each shoot a checksum list and a list of its copies.
//
// Its rules:
//
//   - Bytes in, bytes out. Where they come from and how they are made to last
//     is the business of package transfer.
//   - What is read may have been written by anyone. Nothing is returned that
//     names a place outside the drive (P7), two contents for one place, or a
//     copy without a digest (P8); the error names the entry.
//   - Paths are bytes. What is no UTF-8 survives a list byte for byte; only the
//     checksum lists leave it out, because b3sum cannot check it.
//   - A backslash or a colon is an ordinary byte of a name. What they mean on
//     some systems is for volume.Volume, which never leaves the drive, to know.
//   - One file has one form: the same entries make the same bytes.
package lists

import (
	"errors"
	"fmt"
	"strings"

	"copyhold/replicate"
)

// The drive's own folder and what is in it, as paths from the drive folder.
const (
	Dir          = replicate.OwnFolder
	IdentityFile = Dir + "/drive.json"
	PartialDir   = Dir + "/partial"
	KeptDir      = Dir + "/kept"
	ListsDir     = Dir + "/lists"
)

// ErrNewer says that a later version of the program wrote this. Nothing of it
// may be changed by this one.
var ErrNewer = errors.New("written by a newer Copyhold; update this one to use it")

// checkPath refuses a path that is not a plain way down from a folder (P7).
func checkPath(path string) error {
	switch {
	case path == "":
		return errors.New("has an empty path")
	case path[0] == '/':
		return fmt.Errorf("has an absolute path %q", path)
	case strings.Contains(path, "\x00"):
		return fmt.Errorf("has a NUL in its path %q", path)
	}
	for part := range strings.SplitSeq(path, "/") {
		if part == "" || part == "." || part == ".." {
			return fmt.Errorf("has a path with a part %q: %q", part, path)
		}
	}
	return nil
}

// checkFolder refuses what cannot name a working folder on a drive. The drive's
// own folder cannot, in any case of its letters: many drives fold it.
func checkFolder(name string) error {
	if checkPath(name) != nil || strings.Contains(name, "/") || strings.EqualFold(name, Dir) {
		return fmt.Errorf("is about %q, which cannot be a working folder", name)
	}
	return nil
}

// checkShoot refuses what cannot be one folder in a working folder.
func checkShoot(name string) error {
	if checkPath(name) != nil || strings.Contains(name, "/") {
		return fmt.Errorf("is about %q, which cannot be a shoot", name)
	}
	return nil
}
