package volumetest

import (
	"io"
	"io/fs"

	"copyhold/replicate/volume"
)

// sink is a file being written.
type sink struct {
	m      *Mem
	node   *node
	name   string
	closed bool
}

// Write implements volume.Sink. What has no more room is written as far as it goes.
func (s *sink) Write(p []byte) (n int, err error) {
	_, err = s.m.do(Op{Kind: Write, Name: s.name, Off: s.size(), Len: len(p)}, func() error {
		room := int(min(s.m.capacity()-s.m.used, int64(len(p))))
		largest := s.m.options.Traits.LargestFile
		switch {
		case s.closed:
			return fs.ErrClosed
		case largest > 0 && int64(len(s.node.data)+len(p)) > largest:
			return volume.ErrTooLarge
		case room < len(p):
			err = volume.ErrFull
		}
		n = max(0, room)
		s.node.data = appended(s.node.data, p[:n])
		s.node.time = s.m.tick()
		s.m.used += int64(n)
		return err
	})
	return n, err
}

func (s *sink) size() int64 {
	s.m.mu.Lock()
	defer s.m.mu.Unlock()
	return int64(len(s.node.data))
}

// Sync implements volume.Sink.
func (s *sink) Sync() error {
	_, err := s.m.do(Op{Kind: Sync, Name: s.name}, func() error {
		if s.closed {
			return fs.ErrClosed
		}
		if !s.node.spoiled {
			s.node.synced, s.node.lasting = len(s.node.data), s.node.time
		}
		return nil
	})
	if err != nil {
		s.m.mu.Lock()
		s.node.spoiled = true
		s.m.mu.Unlock()
	}
	return err
}

// Forget implements volume.Sink.
func (s *sink) Forget() {}

// Close implements volume.Sink: it proves nothing.
func (s *sink) Close() error {
	s.m.mu.Lock()
	defer s.m.mu.Unlock()
	if s.closed {
		return fs.ErrClosed
	}
	s.closed = true
	return nil
}

// appended is append without the race detector's look at every byte, see copied.
func appended(to, p []byte) []byte {
	if size := len(to) + len(p); size > cap(to) {
		more := make([]byte, len(to), max(size, 2*len(to)))
		copied(more, to)
		to = more
	}
	copied(to[len(to):len(to)+len(p)], p)
	return to[:len(to)+len(p)]
}

// copied is copy without the race detector's look at every byte, which would take
// most of the time of a loop over all crashes. Other tests show it the same buffers
// on real drives. It moves whole blocks, because copy itself looks.
//
//go:norace
func copied(to, from []byte) int {
	n := min(len(to), len(from))
	at := 0
	for ; at+block <= n; at += block {
		*(*[block]byte)(to[at:]) = *(*[block]byte)(from[at:])
	}
	for ; at < n; at++ {
		to[at] = from[at]
	}
	return n
}

// file is a file being read.
type file struct {
	m      *Mem
	node   *node
	name   string
	past   bool // past the cache
	at     int64
	closed bool
}

// Open implements volume.Reader.
func (m *Mem) Open(name string) (volume.File, error) { return m.open(Open, name) }

// OpenPastCache implements volume.Volume.
func (m *Mem) OpenPastCache(name string) (volume.File, error) { return m.open(OpenPast, name) }

func (m *Mem) open(kind Kind, name string) (volume.File, error) {
	f := &file{m: m, name: name, past: kind == OpenPast}
	_, err := m.do(Op{Kind: kind, Name: name}, func() (err error) {
		f.node, err = m.find(name)
		if err == nil && f.node.kind != volume.Regular {
			err = volume.ErrNotRegular
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	return f, nil
}

// Read implements volume.File.
func (f *file) Read(p []byte) (int, error) {
	n, err := f.read(p, f.at)
	f.at += int64(n)
	return n, err
}

// ReadAt implements volume.File.
func (f *file) ReadAt(p []byte, off int64) (int, error) {
	n, err := f.read(p, off)
	if err == nil && n < len(p) {
		err = io.EOF
	}
	return n, err
}

func (f *file) read(p []byte, off int64) (n int, err error) {
	end := false
	e, err := f.m.do(Op{Kind: Read, Name: f.name, Off: off, Len: len(p)}, func() error {
		switch {
		case f.closed:
			return fs.ErrClosed
		case off < 0:
			return fs.ErrInvalid
		}
		n = copied(p, f.node.data[min(off, int64(len(f.node.data))):])
		end = n == 0 && len(p) > 0
		if f.past && f.node.spoiled { // the pages went from the cache as if they had been written
			clear(p[min(max(0, int64(f.node.synced)-off), int64(n)):n])
		}
		return nil
	})
	if err != nil {
		return 0, err
	}
	if end {
		return 0, io.EOF
	}
	if e.Corrupt != nil {
		e.Corrupt(p[:n])
	}
	return n, nil
}

// Stat implements volume.File.
func (f *file) Stat() (volume.Info, error) {
	f.m.mu.Lock()
	defer f.m.mu.Unlock()
	if f.closed {
		return volume.Info{}, fs.ErrClosed
	}
	return f.node.info(f.name), nil
}

// Forget implements volume.File.
func (f *file) Forget() {}

// Close implements volume.File.
func (f *file) Close() error {
	f.m.mu.Lock()
	defer f.m.mu.Unlock()
	if f.closed {
		return fs.ErrClosed
	}
	f.closed = true
	return nil
}
