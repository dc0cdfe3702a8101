package drives

import (
	"cmp"
	"context"
	"errors"
	"io/fs"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"copyhold/replicate"
)

// Where says where to look for a drive that is known.
type Where struct {
	ID       replicate.DriveID // for the caller's use: evidence is joined to drives by Identify, not here
	LastPath string            // "" = never seen here
	Sub      string            // the drive's folder within its volume, slash-separated; "" = the whole volume
}

// mount is one mounted file system, as far as looking for drives needs it.
type mount struct {
	Point  string
	ID     string // as the system's list has it; may be reused after an unmount
	Pseudo bool   // not a place where anybody keeps files
}

// Finder looks for drives.
type Finder struct {
	mounts func() ([]mount, error)
	probe  func(folder string) (evidence replicate.Evidence, found bool)
	wait   time.Duration

	looking sync.Mutex // one Look at a time

	mu   sync.Mutex
	busy map[string]bool // visits whose probe has not come back
}

// NewFinder returns a finder for this computer.
func NewFinder() *Finder {
	return &Finder{mounts: mounts, probe: probe, wait: patience, busy: map[string]bool{}}
}

// visit is a row of folders probed one after the other, as they would hang together.
type visit struct {
	key      string
	folders  []string
	expected map[string]bool // folders where a known drive was last
}

type answer struct {
	key   string
	found []replicate.Evidence
}

// silence is the evidence of a visit that did not come back. Other people's dead mounts are not our news.
func (v visit) silence() []replicate.Evidence {
	var out []replicate.Evidence
	for _, folder := range v.folders {
		if v.expected[folder] {
			out = append(out, replicate.Evidence{Path: folder, Err: ErrNoAnswer.Error()})
		}
	}
	return out
}

// Look returns evidence of every drive that is plugged in, by path. It looks at the top of each mounted volume, at
// each known sub-folder of each volume, and wherever a known drive was last.
//
// It returns within a few seconds even when file systems hang. A folder that hangs is evidence (of trouble) only
// where a known drive was last; until its probe comes back it is not asked again, so that a dead share costs one
// goroutine however often we look. When ctx ends first, Look returns nil, which means nothing.
func (f *Finder) Look(ctx context.Context, known []Where) []replicate.Evidence {
	f.looking.Lock()
	defer f.looking.Unlock()

	visits := f.visits(known)
	answers := make(chan answer, len(visits)) // room for all: a late probe must not wait for a reader
	silent := map[string]visit{}
	pending := 0
	for _, v := range visits {
		silent[v.key] = v
		if f.send(v, answers) {
			pending++
		}
	}

	var out []replicate.Evidence
	late := time.NewTimer(f.wait)
	defer late.Stop()
	for waiting := true; waiting && pending > 0; {
		select {
		case a := <-answers:
			delete(silent, a.key)
			out = append(out, a.found...)
			pending--
		case <-late.C:
			waiting = false
		case <-ctx.Done():
			return nil
		}
	}
	for _, v := range silent {
		out = append(out, v.silence()...)
	}
	slices.SortFunc(out, func(a, b replicate.Evidence) int { return cmp.Compare(a.Path, b.Path) })
	return out
}

// send starts the probes of v, unless an earlier one still hangs.
func (f *Finder) send(v visit, answers chan<- answer) bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.busy[v.key] {
		return false
	}
	f.busy[v.key] = true
	// Nobody waits for this goroutine: it may hang in the kernel for as long as the file system does.
	go func() {
		a := answer{key: v.key}
		for _, folder := range v.folders {
			if e, found := f.probe(folder); found || (e.Err != "" && v.expected[folder]) {
				a.found = append(a.found, e)
			}
		}
		f.mu.Lock()
		delete(f.busy, v.key)
		f.mu.Unlock()
		answers <- a
	}()
	return true
}

// visits lists what to look at: one visit per mount, and one per last path that no mount covers.
// The mount's id is in the key, so that a new volume is asked although the hung one before it was mounted there.
func (f *Finder) visits(known []Where) []visit {
	all, _ := f.mounts() // without a list the last paths remain
	expected := map[string]bool{}
	for _, w := range known {
		expected[clean(w.LastPath)] = true
	}
	var out []visit
	covered := map[string]bool{"": true}
	for _, m := range all {
		v := visit{key: m.ID + " " + m.Point, expected: expected}
		for _, folder := range folders(m, known) {
			if !covered[folder] && holder(all, folder) == m.ID {
				covered[folder] = true
				v.folders = append(v.folders, folder)
			}
		}
		if len(v.folders) > 0 {
			out = append(out, v)
		}
	}
	for _, w := range known {
		if path := clean(w.LastPath); !covered[path] {
			covered[path] = true
			out = append(out, visit{key: holder(all, path) + " " + path, folders: []string{path}, expected: expected})
		}
	}
	return out
}

// folders lists where a drive may be on m.
func folders(m mount, known []Where) []string {
	if m.Pseudo {
		return nil
	}
	out := []string{clean(m.Point)}
	for _, w := range known {
		if sub := filepath.FromSlash(w.Sub); sub != "" && filepath.IsLocal(sub) {
			out = append(out, filepath.Join(m.Point, sub))
		}
	}
	return out
}

// holder is the id of the mount that path lies on, by its name alone. Of mounts over each other it is the last.
func holder(all []mount, path string) string {
	var best mount
	for _, m := range all {
		if within(m.Point, path) && len(m.Point) >= len(best.Point) {
			best = m
		}
	}
	return best.ID
}

// within says whether path is point or below it, by its name alone.
func within(point, path string) bool {
	rest, ok := strings.CutPrefix(path, strings.TrimRight(point, string(filepath.Separator)))
	return ok && (rest == "" || rest[0] == filepath.Separator)
}

func clean(path string) string {
	if path == "" {
		return ""
	}
	return filepath.Clean(path)
}

// probe gathers the evidence at one folder. Not found with an error in the evidence means that the folder could
// not even be looked at; found with an error, that there is an identity and that it cannot be believed.
func probe(path string) (replicate.Evidence, bool) {
	e := replicate.Evidence{Path: path}
	root, folder, err := openFolder(path)
	if err != nil {
		if !absent(err) {
			e.Err = "its folder cannot be read: " + cause(err).Error()
		}
		return e, false
	}
	defer root.Close()
	defer folder.Close()
	id, err := readIdentity(root, folder)
	if errors.Is(err, errNoDrive) {
		return e, false
	}
	e.ID, e.IDVolume = id.ID, id.Volume
	if err != nil {
		e.Err = err.Error()
	}
	p, err := placeOf(folder, path)
	if err != nil && e.Err == "" {
		e.Err = "the volume that it is on cannot be told: " + cause(err).Error()
	}
	e.Volume, e.Mount, e.Disk, e.Folder, e.ReadOnly = p.Volume, p.Mount, p.Disk, p.Folder, p.ReadOnly
	return e, true
}

// absent says that err means "no folder there", which is no trouble.
func absent(err error) bool {
	is := func(target error) bool { return errors.Is(err, target) }
	return is(fs.ErrNotExist) || is(errNoFolder) || slices.ContainsFunc(absences, is)
}
