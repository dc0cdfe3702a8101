package transfer

import (
	"cmp"
	"errors"
	"io/fs"
	"maps"
	"path"
	"slices"
	"strconv"
	"strings"
	"time"

	"copyhold/replicate/lists"
	"copyhold/replicate/volume"
)

// sealer makes a lane's written files final.
type sealer struct {
	lane   *lane
	buffer []byte
	spelt  *spelling
	gained map[string]bool // folders that gained or lost a name since the last sync
	lasts  map[string]bool // folders that are known to have a lasting name, all the way up
}

// seal takes a group through the last steps of the protocol. A step that fails
// for one file leaves the others going; a step for all fails for all.
func (s *sealer) seal(group []*draft) {
	s.gained = map[string]bool{}
	s.last(group)
	s.each(group, s.readBack)
	s.each(group, s.vacate)
	s.lastKept(group)
	s.each(group, s.name)
	for _, d := range group {
		if d.compare { // a killed process may have left the name where power can lose it
			s.reach(parentOf(d.final))
			s.gained[parentOf(d.final)] = true
		}
	}
	err := s.syncFolders(partialsTurn)
	for _, d := range group {
		d.err = cmp.Or(d.err, err)
		if d.err != nil {
			s.lane.fail(d)
			continue
		}
		s.lane.engine.report(s.lane.result(d))
	}
}

// each takes a step with the files of a group that are new and well so far.
func (s *sealer) each(group []*draft, step func(*draft) error) {
	for _, d := range group {
		if d.err == nil && !d.compare {
			d.err = step(d)
		}
	}
}

// last makes contents and times last. After a failed sync nothing is known of
// any file of the group: all are dropped and made again (P5).
func (s *sealer) last(group []*draft) {
	v := s.lane.target.Volume
	var sinks []volume.Sink
	for _, d := range group {
		if d.compare {
			continue
		}
		d.err = v.SetTime(d.partial, d.file.MTime)
		sinks = append(sinks, d.sink)
	}
	err := v.Sync(sinks)
	for _, d := range group {
		if d.compare {
			continue
		}
		d.err = cmp.Or(d.err, err)
		if d.err != nil {
			continue
		}
		d.sink.Forget()
		d.err = d.sink.Close()
		d.sink = closedSink{}
	}
}

// closedSink stands for a partial that is closed but may still be dropped.
type closedSink struct{ volume.Sink }

func (closedSink) Close() error { return nil }

func (s *sealer) readBack(d *draft) error {
	equal, err := s.lane.holds(d, d.partial, s.buffer)
	if err == nil && !equal {
		// A drive that just vanished may read as zeros: that is no damage.
		err = cmp.Or(s.lane.target.Volume.Same(), errReadBack)
	}
	return err
}

// vacate makes the folder of the final name and keeps what stands under it, if
// anything. Until it has its new content the name does not exist, which P2 allows.
func (s *sealer) vacate(d *draft) error {
	folder := parentOf(d.final)
	if err := s.spelt.check(folder); err != nil {
		return err
	}
	if err := s.makeFolder(folder); err != nil || !d.keep {
		return err
	}
	return s.keep(d)
}

// lastKept makes what was kept last before any partial gets its final name: as long
// as the partials are there, Prepare sees that a killed process may have left
// versions that do not last (P3). When it fails, they go back where they were.
func (s *sealer) lastKept(group []*draft) {
	if !slices.ContainsFunc(group, func(d *draft) bool { return d.kept != "" }) {
		return
	}
	err := s.syncFolders(ownTurn)
	if err == nil {
		return
	}
	for _, d := range group {
		if d.kept == "" {
			continue
		}
		d.err = cmp.Or(d.err, err)
		if s.lane.target.Volume.Rename(d.kept, d.final) != nil {
			d.sink = nil // the partial stays as a mark
			continue
		}
		d.kept = ""
	}
}

// name gives the final name to the partial.
func (s *sealer) name(d *draft) error {
	if err := s.lane.target.Volume.Rename(d.partial, d.final); err != nil {
		return err
	}
	d.sink = nil // nothing to drop any more
	s.gained[parentOf(d.final)] = true
	// That the partial is gone must last too. Without a journal (FAT) it could come
	// back beside the final name, be cleared, and take the copy's blocks with it.
	s.gained[lists.PartialDir] = true
	return nil
}

// keep moves earlier content out of the way, under the time of now (P3).
func (s *sealer) keep(d *draft) error {
	v := s.lane.target.Volume
	for try := range 100 {
		to := keptName(s.lane.engine.now(), try, d.final)
		if err := s.makeFolder(parentOf(to)); err != nil {
			return err
		}
		err := v.Rename(d.final, to)
		if errors.Is(err, fs.ErrExist) {
			continue // two versions within a second
		}
		if err != nil {
			return err
		}
		s.gained[parentOf(to)] = true
		d.kept = to
		return nil
	}
	return fs.ErrExist
}

// keptName is where a version goes that is replaced at the given time.
func keptName(at time.Time, try int, final string) string {
	stamp := at.UTC().Format("20060102T150405Z")
	if try > 0 {
		stamp += "-" + strconv.Itoa(try)
	}
	return path.Join(lists.KeptDir, stamp, final)
}

func (s *sealer) makeFolder(name string) error {
	gained, err := s.lane.target.Volume.MkdirAll(name)
	for _, folder := range gained {
		s.gained[folder] = true
	}
	if err == nil {
		s.reach(name)
	}
	return err
}

// reach has the folders above one synced once, also when they were there before:
// that a folder is found does not say that its name lasts.
func (s *sealer) reach(folder string) {
	for folder != "" && !s.lasts[folder] {
		s.lasts[folder] = true
		folder = parentOf(folder)
		s.gained[folder] = true
	}
}

// syncFolders makes the new names last, up to those of a turn. Only then is a copy
// told of (P6). Where a file came to goes before where it left: what a folder lost
// may last at its sync, before what another one gained (P3).
func (s *sealer) syncFolders(until int) error {
	folders := slices.SortedFunc(maps.Keys(s.gained), func(a, b string) int {
		return cmp.Or(cmp.Compare(syncTurn(a), syncTurn(b)), cmp.Compare(a, b))
	})
	for _, folder := range folders {
		if syncTurn(folder) > until {
			break
		}
		if err := s.lane.target.Volume.SyncDir(folder); err != nil {
			clear(s.lasts)
			return err
		}
		delete(s.gained, folder)
	}
	return nil
}

// The turns of the folders: earlier versions come from the folders of the files,
// and files from the folder of the partials.
const (
	ownTurn = iota
	filesTurn
	partialsTurn
)

func syncTurn(folder string) int {
	switch {
	case folder == lists.PartialDir:
		return partialsTurn
	case folder == "" || folder == lists.Dir || strings.HasPrefix(folder, lists.Dir+"/"):
		return ownTurn
	default:
		return filesTurn
	}
}

func parentOf(name string) string {
	if dir := path.Dir(name); dir != "." {
		return dir
	}
	return ""
}
