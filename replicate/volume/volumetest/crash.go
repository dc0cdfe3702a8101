package volumetest

import (
	"math/rand/v2"
	"slices"
	"time"

	"copyhold/replicate/volume"
)

// block is the piece of content that a crash keeps or loses, in bytes.
const block = 4096

// Crash returns what the next one to plug in the drive may find. It draws all its
// choices from rng, in the order in which things were made, so that a seed gives the
// same again. The Mem itself stays as it is.
func (m *Mem) Crash(rng *rand.Rand) *Mem {
	m.mu.Lock()
	defer m.mu.Unlock()
	c := crash{
		m: m, rng: rng, to: New(m.options), made: map[*node]*node{},
		// Extremes are the likeliest to break something: all, none, or even odds.
		names:    []float64{0, 0.5, 0.5, 1}[rng.IntN(4)],
		contents: []float64{0, 0.5, 1}[rng.IntN(3)],
	}
	c.to.clock = m.clock.Add(time.Hour)
	c.draw()
	if !m.options.Torn {
		for c.mend() {
		}
	}
	c.build(m.root, c.to.root)
	c.to.settle()
	return c.to
}

type crash struct {
	m               *Mem
	rng             *rand.Rand
	to              *Mem
	names, contents float64 // how likely what was not synced is there
	slots           []*slot
	made            map[*node]*node
}

// slot is one name in one folder with the states it went through: the one that
// lasts, then one for each effect.
type slot struct {
	folder *node
	key    string
	steps  []effect
	state  int // 0 = the one that lasts
}

// entry is what is under the name in the slot's state.
func (s *slot) entry() entry {
	if s.state == 0 {
		return s.folder.kept[s.key]
	}
	return s.steps[s.state-1].to
}

// draw puts every name into one of its states.
func (c *crash) draw() {
	for _, n := range c.m.nodes {
		byKey := map[string]*slot{}
		for _, e := range n.log {
			s := byKey[e.key]
			if s == nil {
				s = &slot{folder: n, key: e.key}
				byKey[e.key] = s
				c.slots = append(c.slots, s)
			}
			s.steps = append(s.steps, e)
		}
	}
	for _, s := range c.slots {
		for range s.steps {
			if c.rng.Float64() < c.names {
				s.state++
			}
		}
	}
}

// mend takes back one removal whose rename did not arrive anywhere. It reports
// whether it did: taking one back may leave another one without its arrival.
func (c *crash) mend() bool {
	reached := c.reach()
	for _, s := range c.slots {
		for i := s.state - 1; i >= 0; i-- {
			step := s.steps[i]
			if step.into != nil && reached[s.folder] && !(reached[step.into] && c.arrived(step)) {
				s.state = i
				return true
			}
		}
	}
	return false
}

// arrived: an arrival that is in no log any more lasts.
func (c *crash) arrived(step effect) bool {
	for _, s := range c.slots {
		if s.folder != step.into {
			continue
		}
		i := slices.IndexFunc(s.steps, func(e effect) bool { return e.seq == step.pair })
		if i >= 0 {
			return s.state > i
		}
	}
	return true
}

// reach is the folders that the present states leave below the root.
func (c *crash) reach() map[*node]bool {
	reached := map[*node]bool{}
	var walk func(n *node)
	walk = func(n *node) {
		if reached[n] {
			return
		}
		reached[n] = true
		for _, e := range c.entries(n) {
			if e.node.kind == volume.Folder {
				walk(e.node)
			}
		}
	}
	walk(c.m.root)
	return reached
}

// entries is the names in a folder in the present states, in the order of what is
// under them.
func (c *crash) entries(n *node) []entry {
	var all []entry
	touched := map[string]bool{}
	for _, s := range c.slots {
		if s.folder == n {
			touched[s.key] = true
			if e := s.entry(); e.node != nil {
				all = append(all, e)
			}
		}
	}
	for key, e := range n.kept {
		if !touched[key] {
			all = append(all, e)
		}
	}
	slices.SortStableFunc(all, func(a, b entry) int { return a.node.id - b.node.id })
	return all
}

// build fills a new folder.
func (c *crash) build(from, to *node) {
	c.made[from] = to
	for _, e := range c.entries(from) {
		n, twice := c.made[e.node]
		switch {
		case twice && e.node.kind == volume.Folder:
			continue
		case twice:
			n.shared = c.m.options.Shared
		case e.node.kind == volume.Folder:
			n = c.to.add(volume.Folder)
			c.build(e.node, n)
		default:
			n = c.content(e.node)
		}
		c.to.set(to, entry{e.name, n})
	}
}

// content is a new file with what is left of one.
func (c *crash) content(from *node) *node {
	n := c.to.add(volume.Regular)
	c.made[from] = n
	n.time = []time.Time{from.lasting, from.time, c.to.clock}[c.rng.IntN(3)]
	if from.time.Equal(from.lasting) {
		n.time = from.lasting
	}
	written := len(from.data)
	if from.reach >= 0 {
		written = min(written, from.reach)
	}
	n.data = from.data[:from.synced:from.synced]
	if from.synced < written {
		n.data = c.rest(from.data[:written], from.synced)
	}
	c.to.used += int64(len(n.data))
	return n
}

// rest is content of which only a part was synced.
func (c *crash) rest(data []byte, synced int) []byte {
	size := len(data)
	switch c.rng.IntN(4) {
	case 0:
		size = synced
	case 1:
		size = synced + c.rng.IntN(size-synced+1)
	}
	left := slices.Clone(data[:size])
	for at := synced; at < size; at = (at/block + 1) * block {
		if c.rng.Float64() < c.contents {
			continue
		}
		piece := left[at:min(size, (at/block+1)*block)]
		rubbish := byte(c.rng.IntN(2)) * 0xa5 // or zeros
		for i := range piece {
			piece[i] = rubbish
		}
	}
	return left
}
