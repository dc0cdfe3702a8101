// Package volumetest holds a drive in memory that can be cut off at any call: what
// a crash leaves of it is as bad as the rules for a file system allow.
//
// # What lasts
//
// Two things are kept apart for every file: what is there now, as a reader finds
// it, and what is on the medium.
//
//   - Sync of a file makes its content and its time last, not its name.
//   - SyncDir of a folder makes the names that are in it now last: not the folder's
//     own name above, and not what a rename did in another folder.
//
// # What a crash may do
//
// There is no order among what was not synced ("All File Systems Are Not Created
// Equal", Pillai et al., OSDI 2014, section 2: persistence properties differ in
// atomicity and in ordering between file systems and must not be relied on).
//
//   - Content: any subset of the unsynced blocks is there, the others are zeros or
//     rubbish; the length is any between the synced and the written one.
//   - Time: the synced one, the one of now, or a third.
//   - Names: each name is, by itself, in any of the states that it went through
//     since its folder was last synced. So a later change may last without an
//     earlier one, a name may last without its content, a folder's content without
//     the folder's name, whereupon it is lost.
//   - A rename is a name that comes and a name that goes. Both may last, either, or
//     none, but the removal comes by itself only after the arrival: both names can
//     exist after a crash, and neither only when the folder that was left was
//     synced and the one of arrival was not. (Journalled file systems commit both
//     at once. FAT and ext2 write two blocks.)
//   - Replace is whole: the name holds the old file or the new one.
//
// Options loosen two of these. Torn drops the order between arrival and removal:
// then a rename alone can lose a file, which nobody can guard against who may not
// write the content twice. Shared makes two names of one file, as a crash left
// them, share blocks the way they do on FAT: removing one ruins the other.
//
// Not modelled: a folder under two names (the first one wins), blocks that rot by
// themselves (use Rot), a failed SyncDir that makes the next one lie.
//
// A sync that failed makes the next one on the same file say ok and do nothing
// ("Can Applications Recover from fsync Failures?", Rebello et al., ATC 2020), and
// reading past the cache then finds zeros.
package volumetest

import (
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"slices"
	"strings"
	"sync"
	"time"

	"copyhold/replicate"
	"copyhold/replicate/volume"
)

// Options are the habits of a Mem. The zero value is a large drive that stores any
// name of up to 255 bytes.
type Options struct {
	Traits   replicate.Traits
	Capacity int64 // bytes; 0 = a terabyte
	Deaf     bool  // when pulled, writes go on being ok and looks are answered from the cache; syncs fail
	Torn     bool  // a crash may do the removal half of a rename alone
	Shared   bool  // names that a crash doubled share their blocks
}

// Mem is a volume.Volume in memory.
type Mem struct {
	options Options

	mu       sync.Mutex
	root     *node
	nodes    []*node // all that ever were, in the order they were made
	used     int64
	seq      int
	clock    time.Time
	cut      bool // power or process is gone
	pulled   bool
	readOnly bool
	closed   bool
	injector Injector
	calls    []done
}

var _ volume.Volume = (*Mem)(nil)

// New makes an empty drive.
func New(o Options) *Mem {
	m := &Mem{options: o, clock: time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)}
	m.root = m.add(volume.Folder)
	m.root.links = 1
	return m
}

// Inject has i asked before every call from now on; nil lets all go on.
func (m *Mem) Inject(i Injector) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.injector = i
}

// Pull takes the drive off in the middle of whatever it does.
func (m *Mem) Pull() {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.pullLocked()
}

func (m *Mem) pullLocked() {
	if m.pulled || m.cut {
		return
	}
	m.pulled = true
	for _, n := range m.nodes {
		n.reach = len(n.data)
	}
}

// Restart is what a process finds that starts after another one was killed: the
// same drive, where nothing more lasts than before.
func (m *Mem) Restart() {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.cut, m.closed = false, false
}

// SetReadOnly makes the drive take writes no more, or again.
func (m *Mem) SetReadOnly(is bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.readOnly = is
}

// do makes a call: the injector is asked, then the state of the drive, then act
// does it under the lock.
func (m *Mem) do(op Op, act func() error) (Effect, error) {
	m.mu.Lock()
	op.N = len(m.calls) + 1
	m.calls = append(m.calls, done{op: op})
	injector := m.injector
	m.mu.Unlock()
	var e Effect
	if injector != nil {
		e = injector.Before(op)
	}
	if e.Hang != nil {
		<-e.Hang
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	m.cut = m.cut || e.Crash
	err := cmp.Or(e.Err, m.refusal(op.Kind))
	if err == nil {
		err = act()
	}
	if err != nil {
		err = fmt.Errorf("%s %s: %w", op.Kind, cmp.Or(op.To, op.Name), err)
		m.calls[op.N-1].err = err
	}
	return e, err
}

var errShut = fmt.Errorf("%w: %w", volume.ErrLost, volume.ErrReadOnly)

// refusal is what the state of the drive makes of any call of a kind.
func (m *Mem) refusal(k Kind) error {
	switch {
	case m.closed && k != Same && k != Read && k != Write && k != Sync:
		return fs.ErrClosed
	case m.cut:
		return volume.ErrLost
	case m.pulled && m.options.Deaf:
		return deaf(k)
	case m.pulled:
		return volume.ErrLost
	case m.readOnly && (k == Write || k == Sync):
		return errShut
	case m.readOnly && k.Changes() && k != SyncDir:
		return volume.ErrReadOnly
	}
	return nil
}

// deaf is how ext4 answers on a device that is gone.
func deaf(k Kind) error {
	switch k {
	case Write, Lstat, ReadDir, Open, Same, Room:
		return nil
	case Sync, SyncDir, OpenPast, Read:
		return volume.ErrLost
	default:
		return volume.ErrReadOnly
	}
}

// Lstat implements volume.Reader.
func (m *Mem) Lstat(name string) (info volume.Info, err error) {
	_, err = m.do(Op{Kind: Lstat, Name: name}, func() error {
		n, err := m.find(name)
		if err == nil {
			info = n.info(name)
		}
		return err
	})
	return info, err
}

// ReadDir implements volume.Reader.
func (m *Mem) ReadDir(name string) (infos []volume.Info, err error) {
	_, err = m.do(Op{Kind: ReadDir, Name: name}, func() error {
		n, err := m.folder(name)
		if err != nil {
			return err
		}
		for _, e := range n.names {
			infos = append(infos, e.node.info(e.name))
		}
		return nil
	})
	slices.SortFunc(infos, func(a, b volume.Info) int { return cmp.Compare(inPath(a), inPath(b)) })
	return infos, err
}

func inPath(i volume.Info) string {
	if i.Kind == volume.Folder {
		return i.Name + "/"
	}
	return i.Name
}

// Same implements volume.Reader.
func (m *Mem) Same() error {
	_, err := m.do(Op{Kind: Same}, func() error { return nil })
	return err
}

// Close implements volume.Reader.
func (m *Mem) Close() error {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.closed = true
	return nil
}

// Create implements volume.Volume.
func (m *Mem) Create(name string) (volume.Sink, error) {
	s := &sink{m: m, name: name}
	_, err := m.do(Op{Kind: Create, Name: name}, func() error {
		folder, last, err := m.vacant(name)
		if err != nil {
			return err
		}
		s.node = m.add(volume.Regular)
		m.set(folder, entry{last, s.node})
		return nil
	})
	if err != nil {
		return nil, err
	}
	return s, nil
}

// vacant is parent for a name that must be free and storable.
func (m *Mem) vacant(name string) (*node, string, error) {
	folder, last, err := m.parent(name)
	if err != nil {
		return nil, "", err
	}
	if _, taken := folder.names[m.key(last)]; taken {
		return nil, "", fs.ErrExist
	}
	return folder, last, m.storable(last)
}

// MkdirAll implements volume.Volume.
func (m *Mem) MkdirAll(name string) (gained []string, err error) {
	info, err := m.Lstat(name)
	if err == nil && info.Kind != volume.Folder {
		return nil, fmt.Errorf("make folder %s: %w", name, volume.ErrBlocked)
	}
	if !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	above := name[:max(0, strings.LastIndexByte(name, '/'))]
	if gained, err = m.MkdirAll(above); err != nil {
		return gained, err
	}
	_, err = m.do(Op{Kind: MakeDir, Name: name}, func() error {
		folder, last, err := m.vacant(name)
		if err == nil {
			m.set(folder, entry{last, m.add(volume.Folder)})
		}
		return err
	})
	if err != nil {
		return gained, err
	}
	return append(gained, above), nil
}

// Rename implements volume.Volume.
func (m *Mem) Rename(from, to string) error {
	_, err := m.do(Op{Kind: Rename, Name: from, To: to}, func() error {
		a, old, err := m.there(from)
		switch {
		case err != nil:
			return err
		case strings.HasPrefix(to, from+"/"):
			return volume.ErrName // a folder into itself
		}
		b, name, err := m.vacant(to)
		if err == nil {
			m.move(a, old, b, name)
		}
		return err
	})
	return err
}

// there is parent for a name that must exist; it returns the name as it is stored.
func (m *Mem) there(name string) (*node, string, error) {
	folder, last, err := m.parent(name)
	if err != nil {
		return nil, "", err
	}
	e, there := folder.names[m.key(last)]
	if !there {
		return nil, "", fs.ErrNotExist
	}
	return folder, e.name, nil
}

// Replace implements volume.Volume.
func (m *Mem) Replace(from, to string) error {
	if !strings.HasPrefix(to, replicate.OwnFolder+"/") {
		return fmt.Errorf("replace %s: %w", to, fs.ErrExist)
	}
	_, err := m.do(Op{Kind: Replace, Name: from, To: to}, func() error {
		a, old, err := m.there(from)
		if err != nil {
			return err
		}
		b, name, err := m.parent(to)
		if err != nil {
			return err
		}
		over, moved := b.names[m.key(name)].node, a.names[m.key(old)].node
		switch {
		case over == moved:
			return nil
		case over != nil && over.kind != volume.Regular:
			return volume.ErrBlocked
		}
		if err := m.storable(name); err != nil {
			return err
		}
		m.move(a, old, b, name)
		return nil
	})
	return err
}

// Remove implements volume.Volume.
func (m *Mem) Remove(name string) error {
	_, err := m.do(Op{Kind: Remove, Name: name}, func() error {
		folder, last, err := m.there(name)
		if err != nil {
			return err
		}
		n := folder.names[m.key(last)].node
		if len(n.names) > 0 {
			return volume.ErrBlocked
		}
		m.set(folder, entry{name: last})
		if n.shared {
			n.data = make([]byte, len(n.data)) // its blocks are free, and soon another file's
		}
		return nil
	})
	return err
}

// SetTime implements volume.Volume.
func (m *Mem) SetTime(name string, modified time.Time) error {
	_, err := m.do(Op{Kind: SetTime, Name: name}, func() error {
		n, err := m.find(name)
		if err == nil {
			n.time = modified
			if step := m.options.Traits.TimeStep; step > 0 {
				n.time = modified.Truncate(step)
			}
		}
		return err
	})
	return err
}

// Sync implements volume.Volume: one call after the other, each tried, as a drive
// does it.
func (m *Mem) Sync(files []volume.Sink) error {
	errs := make([]error, len(files))
	for i, f := range files {
		errs[i] = f.Sync()
	}
	return errors.Join(errs...)
}

// SyncFile implements volume.Volume.
func (m *Mem) SyncFile(name string) error {
	_, err := m.do(Op{Kind: Sync, Name: name}, func() error {
		n, err := m.find(name)
		switch {
		case err != nil:
			return err
		case n.info(name).Kind != volume.Regular:
			return volume.ErrNotRegular
		case !n.spoiled:
			n.synced, n.lasting = len(n.data), n.time
		}
		return nil
	})
	return err
}

// SyncDir implements volume.Volume.
func (m *Mem) SyncDir(name string) error {
	_, err := m.do(Op{Kind: SyncDir, Name: name}, func() error {
		n, err := m.folder(name)
		if err == nil {
			n.syncNames()
		}
		return err
	})
	return err
}

// Room implements volume.Volume.
func (m *Mem) Room() (room replicate.Room, err error) {
	_, err = m.do(Op{Kind: Room}, func() error {
		room = replicate.Room{Free: m.capacity() - m.used, Size: m.capacity()}
		return nil
	})
	return room, err
}

func (m *Mem) capacity() int64 { return cmp.Or(m.options.Capacity, 1e12) }

// Source is a Mem that can only be read: a working folder or a card.
type Source struct{ m *Mem }

var _ volume.Reader = Source{}

// Source is the drive as one that cannot be written.
func (m *Mem) Source() Source { return Source{m} }

// Lstat implements volume.Reader.
func (s Source) Lstat(name string) (volume.Info, error) { return s.m.Lstat(name) }

// ReadDir implements volume.Reader.
func (s Source) ReadDir(name string) ([]volume.Info, error) { return s.m.ReadDir(name) }

// Open implements volume.Reader.
func (s Source) Open(name string) (volume.File, error) { return s.m.Open(name) }

// Same implements volume.Reader.
func (s Source) Same() error { return s.m.Same() }

// Close implements volume.Reader.
func (s Source) Close() error { return s.m.Close() }

// settle makes everything last.
func (m *Mem) settle() {
	for _, n := range m.nodes {
		n.synced, n.lasting = len(n.data), n.time
		n.kept, n.log = maps.Clone(n.names), nil
	}
}
