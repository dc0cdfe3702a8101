package daemon

import (
	"crypto/rand"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"copyhold/config"
	"copyhold/daemon/api"
	"copyhold/daemon/drives"
	"copyhold/replicate"
	"copyhold/replicate/lists"
	"copyhold/replicate/transfer"
	"copyhold/replicate/volume"
)

// Adopting a drive, changing it and retiring it, for the daemon and without it
// alike. What touches the drive is apart from what is decided about it.

// resolve finds the folder that is meant, without links in its path.
func resolve(add *api.AddDrive) error {
	path, err := filepath.Abs(add.Path)
	if err == nil {
		path, err = filepath.EvalSymlinks(path)
	}
	if err == nil {
		var fi os.FileInfo
		if fi, err = os.Stat(path); err == nil && !fi.IsDir() {
			err = errors.New("it is not a folder")
		}
	}
	if err != nil {
		return &api.Fault{
			What: fmt.Sprintf("%s cannot become a drive: %s", add.Path, plainError(err)), Safe: "nothing was changed",
			Do: "plug it in and give the folder where it is mounted", Misuse: true,
		}
	}
	add.Path = path
	return nil
}

// checkAdd refuses what cannot become a drive before anything is written.
func checkAdd(add *api.AddDrive, c config.Config, known []replicate.Drive) error {
	if err := lists.ValidName(add.Name); err != nil {
		return &api.Fault{What: err.Error(), Do: "give one: --name NAME", Misuse: true}
	}
	if err := checkPlace(&add.Place); err != nil {
		return err
	}
	if err := checkFree(add.Name, "", known); err != nil {
		return err
	}
	return checkApart(add.Path, c, known)
}

// checkFree refuses a name that another drive in use has.
func checkFree(name string, own replicate.DriveID, known []replicate.Drive) error {
	for _, d := range known {
		if d.ID != own && d.InUse() && strings.EqualFold(d.Name, name) {
			return &api.Fault{What: fmt.Sprintf("a drive is already called %q", d.Name), Safe: "nothing was changed", Do: "choose another name", Misuse: true}
		}
	}
	return nil
}

// plainError is what the system says without the call and path around it.
func plainError(err error) string {
	if errors.Is(err, fs.ErrNotExist) {
		return "there is no such folder"
	}
	return err.Error()
}

func checkPlace(place *string) error {
	if *place == "" {
		*place = string(replicate.WithMe)
	}
	if !slices.Contains(replicate.Places(), replicate.Place(*place)) {
		return &api.Fault{What: fmt.Sprintf("%q is no place for a drive", *place), Do: "say with-me, home or off-site", Misuse: true}
	}
	return nil
}

// checkApart: a drive inside a working folder, or the reverse, would copy its
// own copies; one inside another would be written by two.
func checkApart(path string, c config.Config, known []replicate.Drive) error {
	for _, w := range c.Working {
		folder := w.Folder
		if real, err := filepath.EvalSymlinks(folder); err == nil {
			folder = real
		}
		if overlap(path, folder) {
			return &api.Fault{
				What: fmt.Sprintf("%s and the working folder %s lie one inside the other", path, w.Folder), Safe: "nothing was changed",
				Do: "choose a folder on another drive", Misuse: true,
			}
		}
	}
	for _, d := range known {
		if d.InUse() && d.LastPath != "" && d.LastPath != path && overlap(path, d.LastPath) {
			if _, err := os.Stat(filepath.Join(d.LastPath, filepath.FromSlash(lists.IdentityFile))); err != nil {
				continue // it is not there now
			}
			return &api.Fault{
				What: fmt.Sprintf("%s and the drive %q at %s lie one inside the other", path, d.Name, d.LastPath), Safe: "nothing was changed",
				Do: "choose a folder outside of it", Misuse: true,
			}
		}
	}
	return nil
}

func overlap(a, b string) bool {
	_, inside := below(a, b)
	_, around := below(b, a)
	return a == b || inside || around
}

// adopt writes what makes a folder a drive. A folder that is a drive already,
// adopted by another computer or by a ledger that is gone, keeps its identity.
func adopt(add api.AddDrive, known []replicate.Drive, now time.Time) (replicate.Drive, drives.Place, error) {
	place, err := drives.Describe(add.Path)
	if err != nil {
		return replicate.Drive{}, place, driveFault(add, err)
	}
	v, err := volume.OpenDrive(add.Path)
	if err != nil {
		return replicate.Drive{}, place, driveFault(add, err)
	}
	defer v.Close()
	id, err := identityFor(v, add, place, known, now)
	if err != nil {
		return replicate.Drive{}, place, err
	}
	if id.Traits, err = transfer.Probe(v); err != nil {
		return replicate.Drive{}, place, driveFault(add, err)
	}
	if err := transfer.WriteIdentity(v, id); err != nil {
		return replicate.Drive{}, place, driveFault(add, err)
	}
	if err := transfer.Prepare(v); err != nil {
		return replicate.Drive{}, place, driveFault(add, err)
	}
	room, err := v.Room()
	if err != nil {
		return replicate.Drive{}, place, driveFault(add, err)
	}
	return replicate.Drive{
		ID: id.ID, Name: id.Name, Place: id.Place, Volume: place.Volume, LastPath: add.Path, Sub: subOf(place),
		Separate: add.Separate, Adopted: now, LastSeen: now, Room: room, Traits: id.Traits,
	}, place, nil
}

// movedFolder recognises a drive that is known and was moved within its volume,
// where nobody looks for it by itself: its identity is in the folder now and no
// longer where it was. Adding it again tells where it is.
func movedFolder(path string, known []replicate.Drive) (replicate.Drive, bool) {
	id, err := readIdentityAt(path)
	if err != nil {
		return replicate.Drive{}, false
	}
	for _, d := range known {
		if d.ID != id || !d.InUse() || d.LastPath == path {
			continue
		}
		before, err := readIdentityAt(d.LastPath)
		return d, err != nil || before != d.ID
	}
	return replicate.Drive{}, false
}

func readIdentityAt(path string) (replicate.DriveID, error) {
	v, err := volume.OpenSource(path)
	if err != nil {
		return "", err
	}
	defer v.Close()
	id, err := transfer.ReadIdentity(v)
	return id.ID, err
}

// identityFor is the identity that the folder has, or a new one.
func identityFor(v *volume.Drive, add api.AddDrive, place drives.Place, known []replicate.Drive, now time.Time) (lists.Identity, error) {
	id, err := transfer.ReadIdentity(v)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		var random [16]byte
		rand.Read(random[:])
		id = lists.Identity{ID: lists.NewID(random), Created: now}
	case err != nil:
		return id, &api.Fault{
			What: fmt.Sprintf("%s holds an identity file that cannot be used: %v", add.Path, err), Safe: "nothing was changed",
			Do: "look at " + filepath.Join(add.Path, filepath.FromSlash(lists.IdentityFile)) + "; if it is worthless, remove it and try again",
		}
	}
	for _, d := range known {
		if d.ID == id.ID && d.InUse() {
			return id, &api.Fault{
				What: fmt.Sprintf("%s is already the drive %q, or a copy of it", add.Path, d.Name), Safe: "nothing was changed",
				Do: "see it: copyhold drive list; a copied drive needs its " + lists.IdentityFile + " removed before it can be adopted", Misuse: true,
			}
		}
	}
	id.Name, id.Place, id.Volume = add.Name, replicate.Place(add.Place), place.Volume
	return id, nil
}

// driveFault says what a drive that cannot be adopted means.
func driveFault(add api.AddDrive, err error) error {
	f := &api.Fault{What: fmt.Sprintf("%s cannot become a drive: %v", add.Path, err), Safe: "files on it are untouched"}
	switch {
	case errors.Is(err, volume.ErrReadOnly), errors.Is(err, fs.ErrPermission):
		f.Do = "make it writable for you, and try again"
	case errors.Is(err, volume.ErrFull):
		f.Do = "make some room on it, and try again"
	default:
		f.Do = "unplug it, plug it in again, and try again"
	}
	return f
}

// pick is the drive that a person means by name or id.
func pick(known []replicate.Drive, name string) (replicate.Drive, error) {
	for _, d := range known {
		if d.InUse() && (string(d.ID) == name || strings.EqualFold(d.Name, name)) {
			return d, nil
		}
	}
	return replicate.Drive{}, &api.Fault{What: fmt.Sprintf("no drive is called %q", name), Do: "see their names: copyhold drive list", Misuse: true}
}

// changed is the drive after a change that was asked for.
func changed(d replicate.Drive, c api.ChangeDrive, known []replicate.Drive, now time.Time) (replicate.Drive, error) {
	if c.Name != "" {
		if err := lists.ValidName(c.Name); err != nil {
			return d, &api.Fault{What: err.Error(), Misuse: true}
		}
		if err := checkFree(c.Name, d.ID, known); err != nil {
			return d, err
		}
		d.Name = c.Name
	}
	if c.Place != "" {
		if err := checkPlace(&c.Place); err != nil {
			return d, err
		}
		d.Place = replicate.Place(c.Place)
	}
	if c.Retire {
		d.Retired = now
	}
	return d, nil
}

// writeChange brings a new name or place to the identity file of a drive that
// is there. One that is away gets it when it returns.
func writeChange(d replicate.Drive, path string) error {
	at := seat{drive: d, path: path}
	if err := at.open(); err != nil {
		return err
	}
	defer at.volume.Close()
	return at.rename()
}

// rename makes the drive's identity file say what the ledger does.
func (s *seat) rename() error {
	id, err := transfer.ReadIdentity(s.volume)
	if err != nil {
		return err
	}
	if id.Name == s.drive.Name && id.Place == s.drive.Place {
		return nil
	}
	id.Name, id.Place = s.drive.Name, s.drive.Place
	return transfer.WriteIdentity(s.volume, id)
}
