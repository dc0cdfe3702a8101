package replicate

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"
)

// KnownDrive is what the ledger remembers of a drive, as far as recognizing it needs.
type KnownDrive struct {
	ID       DriveID
	Name     string
	LastPath string // "" = never seen by this computer
	Volume   string // UUID of its volume as this computer recorded it, "" = the volume told none
}

// Evidence is one identity file found just now, and what is true of the place where it was found.
type Evidence struct {
	Path     string  // folder where the identity file is
	ID       DriveID // as the identity file says
	IDVolume string  // the volume's own UUID as the identity file says, may be ""
	Volume   string  // the volume's UUID as read now, "" = it tells none (FUSE)
	Mount    string  // id of the mount, not reused while this computer runs
	Disk     string  // physical disk now, such as its kernel name
	Folder   string  // the folder itself: device and inode. Equal for one folder seen on two ways, "" = unknown
	ReadOnly bool
	Err      string // why the identity file cannot be believed; then ID may be ""
}

// Sight is what a drive turned out to be.
type Sight int

// The zero value is the one that allows nothing.
const (
	Away     Sight = iota // known, not seen
	Same                  // known, where it was last
	Moved                 // known, at another path
	New                   // healthy, not known to this computer
	Cloned                // its identity is on a volume where it does not belong, or in two places
	Doubtful              // it cannot be told
)

var sights = [...]string{"away", "same", "moved", "new", "cloned", "doubtful"}

func (s Sight) String() string {
	if s < 0 || int(s) >= len(sights) {
		return fmt.Sprintf("sight %d", int(s))
	}
	return sights[s]
}

// Verdict says which drive an identity is, and whether it is to be believed.
type Verdict struct {
	ID       DriveID // "" when an identity file could not be read and no known drive was last there
	Kind     Sight
	Why      string
	Evidence Evidence   // zero when Away
	Others   []Evidence // further places with this identity
}

// Usable says whether the drive may be opened at v.Evidence.Path. (P7)
// Nothing may be written when v.Evidence.ReadOnly.
func (v Verdict) Usable() bool { return v.Kind == Same || v.Kind == Moved }

func (v Verdict) String() string {
	who := string(v.ID)
	if who == "" {
		who = "(no identity)"
	}
	if v.Evidence.Path == "" {
		return fmt.Sprintf("%s: %s (%s)", who, v.Kind, v.Why)
	}
	return fmt.Sprintf("%s: %s at %q (%s)", who, v.Kind, v.Evidence.Path, v.Why)
}

// Identify decides what every known drive and every identity found is: first the known drives by id, then
// the unknown ones by id, then the unreadable ones by path, whatever the order of its arguments.
//
// The identity file is the identity. A volume's UUID only speaks against it: it tells a copied identity
// file from the one that was adopted. One identity in two live places is never settled here. (P7, P8)
func Identify(known []KnownDrive, seen []Evidence) []Verdict {
	known = slices.SortedStableFunc(slices.Values(known), func(a, b KnownDrive) int { return cmp.Compare(a.ID, b.ID) })
	healthy, broken := sortOut(seen)

	var out []Verdict
	claimed := map[string]bool{} // paths of unreadable identities that a known drive accounts for
	for _, k := range known {
		found, ok := healthy[k.ID]
		delete(healthy, k.ID)
		if ok {
			out = append(out, judge(k, found))
			continue
		}
		v := missing(k, broken)
		claimed[v.Evidence.Path] = v.Kind == Doubtful
		out = append(out, v)
	}
	for _, found := range slices.SortedFunc(maps.Values(healthy), byID) {
		out = append(out, judgeUnknown(found))
	}
	for _, e := range broken {
		if !claimed[e.Path] {
			out = append(out, Verdict{Kind: Doubtful, Evidence: e, Why: e.Err + "; it is left alone"})
		}
	}
	return out
}

// sortOut groups the readable identities by id and orders everything by path, shorter paths first.
func sortOut(seen []Evidence) (healthy map[DriveID][]Evidence, broken []Evidence) {
	healthy = map[DriveID][]Evidence{}
	for _, e := range slices.SortedFunc(slices.Values(seen), byPath) {
		if e.ID == "" && e.Err == "" {
			e.Err = "its identity file names no drive"
		}
		if e.Err != "" {
			broken = append(broken, e)
			continue
		}
		healthy[e.ID] = append(healthy[e.ID], e)
	}
	return healthy, broken
}

func byID(a, b []Evidence) int { return cmp.Compare(a[0].ID, b[0].ID) }

func byPath(a, b Evidence) int {
	return cmp.Or(cmp.Compare(len(a.Path), len(b.Path)), cmp.Compare(a.Path, b.Path), cmp.Compare(a.Mount, b.Mount))
}

// missing judges a known drive whose identity was read nowhere.
func missing(k KnownDrive, broken []Evidence) Verdict {
	for _, e := range broken {
		if k.LastPath != "" && e.Path == k.LastPath {
			why := fmt.Sprintf("this is where %q was last, but %s; it is not used until that is settled", k.Name, e.Err)
			return Verdict{ID: k.ID, Kind: Doubtful, Evidence: e, Why: why}
		}
	}
	return Verdict{ID: k.ID, Kind: Away, Why: "not plugged in"}
}

// judge decides on a known drive whose identity was read at least once.
func judge(k KnownDrive, found []Evidence) Verdict {
	found = preferring(k.LastPath, found)
	v := Verdict{ID: k.ID, Evidence: found[0], Others: found[1:]}
	if kind := agreement(found); kind != Same {
		v.Kind, v.Why = kind, twice(fmt.Sprintf("%q", k.Name), kind, found)
		return v
	}
	here := v.Evidence
	switch {
	case otherVolume(k, here):
		v.Kind = Cloned
		v.Why = fmt.Sprintf("the volume is not the one recorded for %q, so this is taken for a clone and never written: "+
			"unplug it, or adopt it as a drive of its own; if it replaces %q, retire that first", k.Name, k.Name)
	case here.Path == k.LastPath:
		v.Kind, v.Why = Same, "where it was last"+asides(k, v)
	case k.LastPath == "":
		v.Kind, v.Why = Moved, "seen here for the first time"+asides(k, v)
	default:
		v.Kind, v.Why = Moved, fmt.Sprintf("was last at %q", k.LastPath)+asides(k, v)
	}
	return v
}

// judgeUnknown decides on an identity that this computer never adopted.
func judgeUnknown(found []Evidence) Verdict {
	v := Verdict{ID: found[0].ID, Evidence: found[0], Others: found[1:]}
	if kind := agreement(found); kind != Same {
		v.Kind, v.Why = kind, twice("a drive not known here", kind, found)
		return v
	}
	if otherVolume(KnownDrive{}, v.Evidence) {
		v.Kind = Cloned
		v.Why = "its identity file was written for another volume, so this is taken for a clone and never written: " +
			"unplug it, or adopt it as a drive of its own"
		return v
	}
	v.Kind = New
	v.Why = "not known here, perhaps adopted by another computer: adopt it here to use it" + asides(KnownDrive{}, v)
	return v
}

// preferring puts the evidence at path first and leaves the rest in order.
func preferring(path string, found []Evidence) []Evidence {
	i := slices.IndexFunc(found, func(e Evidence) bool { return e.Path == path })
	if i <= 0 {
		return found
	}
	return slices.Concat(found[i:i+1], found[:i], found[i+1:])
}

// agreement says whether all evidence of one identity is one folder on several ways (Same), surely is not
// (Cloned), or cannot be told (Doubtful). Every pair counts: one doubt among three is a doubt.
func agreement(found []Evidence) Sight {
	kind := Same
	for i, a := range found {
		for _, b := range found[i+1:] {
			switch {
			case oneFolder(a, b):
			case apart(a, b):
				return Cloned
			default:
				kind = Doubtful
			}
		}
	}
	return kind
}

// oneFolder says that a and b are the same folder: mounted twice, or reached through a link.
// Without a Folder a UUID and a disk in common must do; two copied partitions of one disk would pass for one then.
func oneFolder(a, b Evidence) bool {
	if a.Folder != "" && b.Folder != "" {
		return a.Folder == b.Folder
	}
	if a.Mount == b.Mount {
		return a.Path == b.Path
	}
	return a.Volume != "" && a.Volume == b.Volume && a.Disk == b.Disk
}

// apart says that a and b are surely two folders.
func apart(a, b Evidence) bool {
	differ := func(x, y string) bool { return x != "" && y != "" && x != y }
	return differ(a.Folder, b.Folder) || differ(a.Volume, b.Volume) || differ(a.Disk, b.Disk)
}

// otherVolume says that the volume under e is not the one that its identity was adopted on.
// What this computer recorded is in this computer's words and is compared strictly. The identity file may have been
// written by another system that words the same volume differently ("1A2B-3C4D", "1a2b3c4d-…"), so only words of
// equal length are held against each other.
func otherVolume(k KnownDrive, e Evidence) bool {
	if e.Volume == "" {
		return false
	}
	if k.Volume != "" {
		return !strings.EqualFold(k.Volume, e.Volume)
	}
	return len(e.IDVolume) == len(e.Volume) && !strings.EqualFold(e.IDVolume, e.Volume)
}

// twice words the case of one identity in several places.
func twice(who string, kind Sight, found []Evidence) string {
	paths := make([]string, len(found))
	for i, e := range found {
		paths[i] = fmt.Sprintf("%q", e.Path)
	}
	at := strings.Join(paths, " and ")
	if kind == Cloned {
		return fmt.Sprintf("the identity of %s is at %s, and one is a copy of the other: none is written until "+
			"only one is plugged in, or one is adopted as a drive of its own", who, at)
	}
	return fmt.Sprintf("the identity of %s is at %s, and it cannot be told whether they are one: none is written until "+
		"only one of them is left", who, at)
}

// asides adds what is worth knowing about a drive that is believed.
func asides(k KnownDrive, v Verdict) string {
	var b strings.Builder
	if len(v.Others) > 0 {
		fmt.Fprintf(&b, "; the same folder is also at %q", v.Others[0].Path)
	}
	if k.Volume != "" && v.Evidence.Volume == "" {
		b.WriteString("; its volume tells no UUID now, its identity file decides")
	}
	if v.Evidence.ReadOnly {
		b.WriteString("; read-only")
	}
	return b.String()
}
