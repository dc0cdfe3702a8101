package volumetest

import (
	"io/fs"
	"maps"
	"path"
	"strings"
	"time"
	"unicode/utf16"
	"unicode/utf8"

	"copyhold/replicate"
	"copyhold/replicate/volume"
)

// node is a file or a folder. Its names belong to the folders that hold it.
//
// A file is only ever appended to, so that what was synced is a prefix. A
// folder holds the names of now, the names that last, and the effects in between.
type node struct {
	id   int
	kind volume.Kind

	data    []byte
	synced  int  // bytes that last
	spoiled bool // a sync failed: the next one says ok and does nothing
	reach   int  // bytes written when the drive was pulled; -1 = it was not
	time    time.Time
	lasting time.Time // the time that lasts

	links  int
	shared bool // has two names by accident: removing one takes the blocks from the other

	names map[string]entry // by key
	kept  map[string]entry // that last
	log   []effect
}

// entry is a name in a folder; no node means that the name is free.
type entry struct {
	name string
	node *node
}

// effect is a change of one name that does not last yet.
type effect struct {
	key  string
	to   entry
	seq  int
	into *node // a name that left by a rename: the folder it went to,
	pair int   // and the number of its arrival there
}

func (n *node) info(name string) volume.Info {
	return volume.Info{Name: path.Base("/" + name), Kind: n.kind, Stat: replicate.Stat{
		Size: int64(len(n.data)), MTime: n.time, Inode: uint64(n.id),
	}}
}

// syncNames makes the names in a folder last: of its own names only, not of the
// folders above, and not the other halves of renames.
func (n *node) syncNames() {
	n.kept = maps.Clone(n.names)
	n.log = nil
}

// add makes a node. Its id is its inode.
func (m *Mem) add(kind volume.Kind) *node {
	n := &node{id: len(m.nodes) + 1, kind: kind, reach: -1, time: m.tick()}
	n.lasting = n.time
	if kind == volume.Folder {
		n.names, n.kept = map[string]entry{}, map[string]entry{}
	}
	m.nodes = append(m.nodes, n)
	return n
}

// tick is a clock that goes on by a second at each change.
func (m *Mem) tick() time.Time {
	m.clock = m.clock.Add(time.Second)
	return m.clock
}

// key is what a name is found by.
func (m *Mem) key(name string) string {
	if m.options.Traits.FoldsCase {
		return strings.ToUpper(name)
	}
	return name
}

// set changes a name in a folder and returns the effect's number.
func (m *Mem) set(folder *node, e entry) int {
	m.seq++
	key := m.key(e.name)
	if old := folder.names[key].node; old != nil {
		old.links--
		m.free(old)
	}
	if e.node == nil {
		delete(folder.names, key)
	} else {
		e.node.links++
		folder.names[key] = e
	}
	folder.log = append(folder.log, effect{key: key, to: e, seq: m.seq})
	return m.seq
}

// move is set on both sides of a rename. The removal knows its arrival.
func (m *Mem) move(from *node, old string, to *node, name string) {
	n := from.names[m.key(old)].node
	n.links++ // it stays in between
	arrival := m.set(to, entry{name, n})
	m.set(from, entry{name: old})
	n.links--
	left := &from.log[len(from.log)-1]
	left.into, left.pair = to, arrival
}

// free gives back the room of a file that has no name any more.
func (m *Mem) free(n *node) {
	if n.links == 0 {
		m.used -= int64(len(n.data))
	}
}

// find is the node under a name.
func (m *Mem) find(name string) (*node, error) {
	if name == "" {
		return m.root, nil
	}
	folder, last, err := m.parent(name)
	if err != nil {
		return nil, err
	}
	e, there := folder.names[m.key(last)]
	if !there {
		return nil, fs.ErrNotExist
	}
	return e.node, nil
}

// folder is find for a folder.
func (m *Mem) folder(name string) (*node, error) {
	n, err := m.find(name)
	if err == nil && n.kind != volume.Folder {
		err = volume.ErrBlocked
	}
	return n, err
}

// parent is the folder that holds a name, and the name's last element.
func (m *Mem) parent(name string) (*node, string, error) {
	if path.IsAbs(name) || path.Clean(name) != name || name == "." || name == ".." || strings.HasPrefix(name, "../") {
		return nil, "", fs.ErrInvalid
	}
	cut := strings.LastIndexByte(name, '/')
	folder, err := m.folder(name[:max(0, cut)])
	return folder, name[cut+1:], err
}

// storable says what is wrong with a new name.
func (m *Mem) storable(name string) error {
	t := m.options.Traits
	units, limit := len(name), t.MaxName
	if limit == 0 {
		limit = 255
	}
	if t.NameInUTF16 {
		units = len(utf16.Encode([]rune(name)))
	}
	if units > limit || t.UTF8Only && !utf8.ValidString(name) || strings.ContainsAny(name, t.Forbidden) {
		return volume.ErrName
	}
	return nil
}
