package transfer

import (
	"cmp"
	"errors"
	"io/fs"
	"path"
	"slices"
	"strconv"
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
}

// seal takes a group through the last steps of the protocol. A step that fails
// for one file leaves the others going; a step for all fails for all.
func (s *sealer) seal(group []*draft) {
	s.gained = map[string]bool{}
	s.last(group)
	for _, d := range group {
		if d.err == nil && !d.compare {
			d.err = s.readBack(d)
		}
		if d.err == nil && !d.compare {
			d.err = s.name(d)
		}
	}
	err := s.syncFolders()
	for _, d := range group {
		d.err = cmp.Or(d.err, err)
		if d.err != nil {
			s.lane.fail(d)
			continue
		}
		s.lane.engine.report(s.lane.result(d))
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

// name keeps what stands under the final name, if anything, and gives it to the
// partial. Between the two renames the name does not exist, which P2 allows.
func (s *sealer) name(d *draft) error {
	folder := parentOf(d.final)
	if err := s.spelt.check(folder); err != nil {
		return err
	}
	if err := s.makeFolder(folder); err != nil {
		return err
	}
	if d.keep {
		if err := s.keep(d); err != nil {
			return err
		}
	}
	if err := s.lane.target.Volume.Rename(d.partial, d.final); err != nil {
		return err
	}
	d.sink = nil // nothing to drop any more
	s.gained[folder] = true
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
	return err
}

// syncFolders makes the new names last. Only then is a copy told of (P6).
func (s *sealer) syncFolders() error {
	folders := make([]string, 0, len(s.gained))
	for folder := range s.gained {
		folders = append(folders, folder)
	}
	slices.Sort(folders)
	for _, folder := range folders {
		if err := s.lane.target.Volume.SyncDir(folder); err != nil {
			return err
		}
	}
	return nil
}

func parentOf(name string) string {
	if dir := path.Dir(name); dir != "." {
		return dir
	}
	return ""
}
