package transfer

import (
	"io/fs"
	"strings"
	"sync"
	"testing"
	"time"

	"copyhold/replicate/lists"
	"copyhold/replicate/volume"
	"copyhold/replicate/volume/volumetest"
)

// The loops are worth something only if they find what is wrong. Each drive here
// turns the engine above it into one with a well-known mistake.

// noSync takes every sync of content for done.
type noSync struct{ *volumetest.Mem }

func (noSync) Sync([]volume.Sink) error { return nil }

// noSyncDir takes every sync of names for done.
type noSyncDir struct{ *volumetest.Mem }

func (noSyncDir) SyncDir(string) error { return nil }

// noTime sets no times.
type noTime struct{ *volumetest.Mem }

func (noTime) SetTime(string, time.Time) error { return nil }

// lateTime sets times when the content is synced already.
type lateTime struct {
	*volumetest.Mem
	times map[string]time.Time
}

func (d *lateTime) SetTime(name string, at time.Time) error {
	d.times[name] = at
	return nil
}

func (d *lateTime) Sync(files []volume.Sink) error {
	if err := d.Mem.Sync(files); err != nil {
		return err
	}
	for name, at := range d.times {
		if err := d.Mem.SetTime(name, at); err != nil {
			return err
		}
	}
	clear(d.times)
	return nil
}

// renameFirst syncs contents only when the files have their final names.
type renameFirst struct {
	*volumetest.Mem
	waiting []volume.Sink
}

func (d *renameFirst) Create(name string) (volume.Sink, error) {
	s, err := d.Mem.Create(name)
	if err != nil {
		return nil, err
	}
	return &openSink{Sink: s}, nil
}

// openSink is closed by nobody, so that it can be synced late.
type openSink struct{ volume.Sink }

func (*openSink) Close() error { return nil }

func (d *renameFirst) Sync(files []volume.Sink) error {
	d.waiting = append(d.waiting, files...)
	return nil
}

func (d *renameFirst) SyncDir(name string) error {
	if strings.HasPrefix(name, lists.Dir) && !strings.HasPrefix(name, lists.PartialDir) || name == "" {
		return d.Mem.SyncDir(name) // before the renames
	}
	err := d.Mem.Sync(d.waiting)
	d.waiting = nil
	if err != nil {
		return err
	}
	return d.Mem.SyncDir(name)
}

// overwriting drops what should be kept.
type overwriting struct{ *volumetest.Mem }

func (d overwriting) Rename(from, to string) error {
	if strings.HasPrefix(to, lists.KeptDir+"/") {
		return d.Remove(from)
	}
	return d.Mem.Rename(from, to)
}

// inPlace gives files their final names before they are written.
type inPlace struct {
	*volumetest.Mem
}

func (d *inPlace) Rename(from, to string) error {
	if !strings.HasPrefix(from, lists.PartialDir+"/") {
		return d.Mem.Rename(from, to)
	}
	content := d.Files()[from]
	s, err := d.Mem.Create(to)
	if err != nil {
		return err
	}
	defer s.Close()
	if _, err := s.Write(content.Bytes); err != nil {
		return err
	}
	if err := s.Sync(); err != nil {
		return err
	}
	if err := d.Mem.SetTime(to, content.Time); err != nil {
		return err
	}
	return d.Mem.Remove(from)
}

// ownNamesOnly syncs the folders that gained a name through itself: what an engine
// does that takes a folder which is there for one that lasts.
type ownNamesOnly struct {
	*volumetest.Mem
	mu     sync.Mutex
	gained map[string]bool
}

func (d *ownNamesOnly) note(folders ...string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, f := range folders {
		d.gained[f] = true
	}
}

func (d *ownNamesOnly) MkdirAll(name string) ([]string, error) {
	gained, err := d.Mem.MkdirAll(name)
	d.note(gained...)
	return gained, err
}

func (d *ownNamesOnly) Rename(from, to string) error {
	d.note(parentOf(to))
	return d.Mem.Rename(from, to)
}

func (d *ownNamesOnly) Replace(from, to string) error {
	d.note(parentOf(to))
	return d.Mem.Replace(from, to)
}

func (d *ownNamesOnly) SyncDir(name string) error {
	d.mu.Lock()
	gained := d.gained[name]
	d.mu.Unlock()
	if !gained {
		return nil
	}
	return d.Mem.SyncDir(name)
}

// sourceFirst syncs the folder that a file left before the one where it is now.
type sourceFirst struct{ *volumetest.Mem }

func (d sourceFirst) SyncDir(name string) error {
	if strings.HasPrefix(name, lists.KeptDir) {
		for _, first := range []string{"Shoots/" + shoot, lists.PartialDir} {
			if err := d.Mem.SyncDir(first); err != nil {
				return err
			}
		}
	}
	return d.Mem.SyncDir(name)
}

// stubborn tries a sync again that failed.
type stubborn struct{ *volumetest.Mem }

func (d stubborn) Sync(files []volume.Sink) error {
	if err := d.Mem.Sync(files); err != nil {
		return d.Mem.Sync(files)
	}
	return nil
}

// fromCache answers a read-back with what was written and not with what is stored.
type fromCache struct{ *volumetest.Mem }

func (d fromCache) OpenPastCache(name string) (volume.File, error) {
	f, err := d.Mem.OpenPastCache(name)
	if err != nil {
		return nil, err
	}
	return &cachedFile{File: f, content: d.Files()[name].Bytes}, nil
}

type cachedFile struct {
	volume.File
	content []byte
}

func (f *cachedFile) Read(p []byte) (int, error) {
	n, err := f.File.Read(p)
	f.content = f.content[copy(p[:n], f.content):]
	return n, err
}

func TestHarnessBites(t *testing.T) {
	noneLeft(t)
	seed := labSeed(t)
	o, whole := newOuting(t, "Shoots", 5000), newOuting(t, "Shoots", 5000)
	o.from = 20 // before the first sync there is nothing to notice
	type drive = func(*volumetest.Mem) volume.Volume
	named := *o
	named.from = 32 // nor before the first rename
	crash := func(wrap drive) error { return named.crashEverywhere(seed, 24, cut, wrap, new(tally)) }
	kill := func(wrap drive) error { return o.killEverywhere(seed, 24, wrap, new(tally)) }
	fail := func(wrap drive) error { return o.failEverywhere(seed, fs.ErrPermission, changes, wrap, new(tally)) }
	corrupt := func(wrap drive) error { return whole.corruptEverywhere(seed, wrap, new(tally)) }
	for name, c := range map[string]struct {
		loop func(drive) error
		wrap drive
		want string // a promise that is broken
	}{
		"no sync":            {crash, func(m *volumetest.Mem) volume.Volume { return noSync{m} }, "P2"},
		"no sync of folders": {crash, func(m *volumetest.Mem) volume.Volume { return noSyncDir{m} }, "P6"},
		"no times":           {crash, func(m *volumetest.Mem) volume.Volume { return noTime{m} }, "P6"},
		"times after the sync": {crash, func(m *volumetest.Mem) volume.Volume {
			return &lateTime{Mem: m, times: map[string]time.Time{}}
		}, "P6"},
		"rename before the sync":     {crash, func(m *volumetest.Mem) volume.Volume { return &renameFirst{Mem: m} }, "P2"},
		"nothing kept":               {crash, func(m *volumetest.Mem) volume.Volume { return overwriting{m} }, "P3"},
		"written in place":           {crash, func(m *volumetest.Mem) volume.Volume { return &inPlace{Mem: m} }, "P2"},
		"folder that was left first": {crash, func(m *volumetest.Mem) volume.Volume { return sourceFirst{m} }, "P3"},
		"what is there, lasts": {kill, func(m *volumetest.Mem) volume.Volume {
			return &ownNamesOnly{Mem: m, gained: map[string]bool{}}
		}, "P"},
		"failed sync tried again":  {fail, func(m *volumetest.Mem) volume.Volume { return stubborn{m} }, "P5"},
		"read back from the cache": {corrupt, func(m *volumetest.Mem) volume.Volume { return fromCache{m} }, "P4"},
	} {
		t.Run(name, func(t *testing.T) {
			err := c.loop(c.wrap)
			if err == nil {
				t.Fatal("the loop does not notice")
			}
			first, _, _ := strings.Cut(err.Error(), "\n")
			t.Log(first)
			if !strings.Contains(first, ": "+c.want) {
				t.Errorf("it should have been %s", c.want)
			}
		})
	}
}
