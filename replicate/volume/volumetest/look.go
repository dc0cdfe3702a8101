package volumetest

import (
	"path"
	"strings"
	"time"

	"copyhold/replicate/volume"
)

// What a test puts on a drive and looks at past all hooks. Nothing here is a call
// that is counted or can fail.

// Put makes a file that has been there for long: all of it lasts.
func (m *Mem) Put(name string, content []byte, modified time.Time) {
	m.mu.Lock()
	defer m.mu.Unlock()
	folder := m.root
	parts := strings.Split(name, "/")
	for _, part := range parts[:len(parts)-1] {
		e, there := folder.names[m.key(part)]
		if !there {
			e = entry{part, m.add(volume.Folder)}
			m.put(folder, e)
		}
		folder = e.node
	}
	n := m.add(volume.Regular)
	n.data, n.synced = content[:len(content):len(content)], len(content)
	n.time, n.lasting = modified, modified
	m.used += int64(len(content))
	m.put(folder, entry{parts[len(parts)-1], n})
}

func (m *Mem) put(folder *node, e entry) {
	m.set(folder, e)
	folder.log = folder.log[:len(folder.log)-1]
	folder.kept[m.key(e.name)] = e
}

// Content is one file as a test finds it.
type Content struct {
	Name  string
	Bytes []byte
	Time  time.Time
}

// Files is every file there is now, by name. The bytes are the drive's own: not to
// be changed.
func (m *Mem) Files() map[string]Content {
	m.mu.Lock()
	defer m.mu.Unlock()
	files := map[string]Content{}
	var walk func(at string, n *node)
	walk = func(at string, n *node) {
		for _, e := range n.names {
			name := path.Join(at, e.name)
			if e.node.kind == volume.Folder {
				walk(name, e.node)
				continue
			}
			files[name] = Content{Name: name, Bytes: e.node.data, Time: e.node.time}
		}
	}
	walk("", m.root)
	return files
}

// Rot turns a bit of a stored file round, as a disk does by itself.
func (m *Mem) Rot(name string, at int) {
	m.mu.Lock()
	defer m.mu.Unlock()
	n, err := m.find(name)
	if err != nil {
		panic(err)
	}
	n.data = append([]byte(nil), n.data...)
	n.data[at] ^= 1
}
