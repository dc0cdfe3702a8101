package transfer

import (
	"bytes"
	"context"
	"errors"
	"flag"
	"fmt"
	"math/rand/v2"
	"path"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"go.uber.org/goleak"

	"copyhold/replicate"
	"copyhold/replicate/lists"
	"copyhold/replicate/volume"
	"copyhold/replicate/volume/volumetest"
)

// replaySeed makes the loops below go the way a failed one went: it prints its seed.
// Every choice hangs on the seed, the step and the number of the state alone.
var replaySeed = flag.Uint64("faultlab.seed", 0, "seed of the crashes in memory; 0 draws one")

// chanceFor is the chance of one state of one step.
func chanceFor(seed uint64, step, state int) *rand.Rand {
	return rand.New(rand.NewPCG(seed, uint64(step)<<16|uint64(state)))
}

func labSeed(t testing.TB) uint64 {
	seed := *replaySeed
	if seed == 0 {
		seed = rand.Uint64()
	}
	t.Logf("seed: -faultlab.seed=%d", seed)
	return seed
}

// noneLeft checks at the end of the test that it left no goroutine.
func noneLeft(t testing.TB) {
	before := goleak.IgnoreCurrent()
	t.Cleanup(func() { goleak.VerifyNone(t, before) })
}

// outing is a shoot on its way to a drive in memory that may hold earlier copies of
// a part of it, and what must be true of that drive whatever happens.
type outing struct {
	working string
	options volumetest.Options
	tasks   []Task
	want    map[string][]byte // by path on the drive: what the run brings
	digests map[string]replicate.Digest
	before  map[string][]byte // by path on the drive: what it has from earlier days
	blank   bool              // the drive is new: not even prepared, and before is empty
	from    int               // so many points are not tried
	oldList []byte
	newList []byte
}

// long is a clip of two buffers. Loops that need none are twice as fast.
const long = BufferSize + 77

// newOuting is the scenario of all loops: a clip of some size, small files, an empty one, new folders, one file found with the right content, one with other
// content of the same size, and one that is known to be outdated.
func newOuting(t testing.TB, working string, clip int) *outing {
	t.Helper()
	o := &outing{
		working: working,
		want:    map[string][]byte{}, before: map[string][]byte{}, digests: map[string]replicate.Digest{},
		oldList: []byte("the old list\n"), newList: bytes.Repeat([]byte("the new list\n"), 700),
	}
	for name, content := range map[string][]byte{
		"A001.mov":       random(clip, 1),
		"A002.raw":       random(5000, 2),
		"A003.raw":       random(9000, 3),
		"A004.raw":       random(6000, 4),
		"DCIM/B001.raw":  random(300, 5),
		"DCIM/empty.xmp": nil,
		"sound/C001.wav": random(4097, 6),
	} {
		o.want[o.final(name)], o.digests[o.final(name)] = content, digestFor(content)
	}
	o.before[o.final("A002.raw")] = random(5000, 12) // to be compared
	o.before[o.final("A003.raw")] = random(9000, 3)  // found
	o.before[o.final("A004.raw")] = random(7000, 14) // known to be old
	o.tasks = o.scanned(t)
	return o
}

func (o *outing) final(name string) string { return path.Join(o.working, shoot, name) }

func (o *outing) listName() string { return path.Join(lists.ListsDir, o.working, shoot+".b3") }

func (o *outing) scanned(t testing.TB) (tasks []Task) {
	t.Helper()
	var failed error
	for seen := range Scan(context.Background(), o.source().Source(), shoot, ignoreNothing, &failed) {
		f := replicate.File{FileID: replicate.FileID{Working: o.working, Path: seen.Path}, Stat: seen.Stat}
		order := Order{Keep: strings.HasSuffix(seen.Path, "A004.raw")}
		tasks = append(tasks, Task{File: f, To: map[replicate.DriveNo]Order{1: order}})
	}
	check(t, failed)
	return tasks
}

// source is the working folder.
func (o *outing) source() *volumetest.Mem {
	m := volumetest.New(volumetest.Options{})
	for name, content := range o.want {
		m.Put(strings.TrimPrefix(name, o.working+"/"), content, taken)
	}
	return m
}

// drive is the drive as it is before the run.
func (o *outing) drive() *volumetest.Mem {
	m := volumetest.New(o.options)
	if o.blank {
		return m
	}
	for _, task := range o.tasks { // in an order that stays the same
		name := o.working + "/" + task.File.Path
		if content, there := o.before[name]; there {
			m.Put(name, content, taken)
		}
	}
	m.Put(lists.PartialDir+"/0123456789abcdef", random(100, 20), taken) // of an earlier day
	m.Put(o.listName(), o.oldList, taken)
	return m
}

// report is what a run said.
type report struct {
	results map[string]Result // by path on the drive
	twice   error
	listed  bool // the list is said to be written
}

// run is what happens to a drive that arrives: it is prepared, gets its files and
// then a new list.
func (o *outing) run(v volume.Volume) report { return o.runFrom(o.source(), v) }

func (o *outing) runFrom(src *volumetest.Mem, v volume.Volume) report {
	said := report{results: map[string]Result{}}
	if err := Prepare(v); err != nil {
		return said
	}
	var mu sync.Mutex
	p := newPace(o)
	e := Engine{
		Now: func() time.Time { return taken.Add(time.Hour) },
		Result: func(r Result) {
			mu.Lock()
			defer mu.Unlock()
			if r.Cause == replicate.DriveLost {
				p.end()
			}
			final := o.working + "/" + r.File.Path
			if r.StoredAs != "" {
				final = o.working + "/" + r.StoredAs
			}
			if _, twice := said.results[final]; twice {
				said.twice = fmt.Errorf("%s has two results", final)
			}
			said.results[final] = r
		},
	}
	target := Target{Drive: 1, Volume: pacedDrive{v, p}, Traits: o.options.Traits}
	e.Copy(context.Background(), pacedSource{src.Source(), p, o.working}, o.tasks, []Target{target}, func(replicate.DriveNo) {})
	said.listed = WriteRecord(v, o.listName(), o.newList) == nil
	return said
}

// pace keeps the reader from running ahead of the drive: what it reads into, a new
// megabyte for each file, takes longer under the race detector than all the rest.
type pace struct {
	begun map[string]chan struct{} // by path on the drive: the drive is at this file
	dead  chan struct{}            // or at none any more
	once  map[string]*sync.Once
}

func newPace(o *outing) *pace {
	p := &pace{begun: map[string]chan struct{}{}, dead: make(chan struct{}), once: map[string]*sync.Once{"": {}}}
	for name := range o.want {
		p.begun[name], p.once[name] = make(chan struct{}), new(sync.Once)
	}
	return p
}

func (p *pace) begin(name string) {
	if begun, ours := p.begun[name]; ours {
		p.once[name].Do(func() { close(begun) })
	}
}

func (p *pace) end() { p.once[""].Do(func() { close(p.dead) }) }

type pacedSource struct {
	volumetest.Source
	*pace
	working string
}

func (s pacedSource) Open(name string) (volume.File, error) {
	select {
	case <-s.begun[s.working+"/"+name]:
	case <-s.dead:
	}
	return s.Source.Open(name)
}

type pacedDrive struct {
	volume.Volume
	*pace
}

func (d pacedDrive) Lstat(name string) (volume.Info, error) {
	d.begin(name)
	return d.Volume.Lstat(name)
}

// check says which promise the drive breaks, after a run that said so much.
func (o *outing) check(m *volumetest.Mem, said report) error {
	files := m.Files()
	return errors.Join(o.whole(files), o.nothingLost(files), o.list(files, said.listed), o.claims(files, said), said.twice)
}

// whole is P2.
func (o *outing) whole(files map[string]volumetest.Content) error {
	for name, c := range files {
		if strings.HasPrefix(name, lists.Dir+"/") {
			continue
		}
		old, had := o.before[name]
		if !equal(c.Bytes, o.want[name]) && !(had && equal(c.Bytes, old)) {
			return fmt.Errorf("P2: %s is not whole (%d bytes)", name, len(c.Bytes))
		}
		if _, ours := o.want[name]; !ours {
			return fmt.Errorf("P2: %s is there", name)
		}
	}
	return nil
}

// nothingLost is P3: earlier content has its own name still, or is kept.
func (o *outing) nothingLost(files map[string]volumetest.Content) error {
	for name, old := range o.before {
		found := equal(files[name].Bytes, old)
		for at, c := range files {
			found = found || strings.HasPrefix(at, lists.KeptDir+"/") && strings.HasSuffix(at, "/"+name) && equal(c.Bytes, old)
		}
		if !found && !o.options.Torn {
			return fmt.Errorf("P3: the earlier content of %s is lost", name)
		}
	}
	return nil
}

// list: a record is the old one or the new one.
func (o *outing) list(files map[string]volumetest.Content, written bool) error {
	c, there := files[o.listName()]
	switch {
	case there && equal(c.Bytes, o.newList):
	case written:
		return fmt.Errorf("P6: the list is said to be written and is not")
	case there && equal(c.Bytes, o.oldList), !there && o.blank:
	default:
		return fmt.Errorf("the list is neither the old one nor the new one: %d bytes", len(c.Bytes))
	}
	return nil
}

// claims is P4 and P6: what was said to be verified is there.
func (o *outing) claims(files map[string]volumetest.Content, said report) error {
	for name, r := range said.results {
		if r.Err != nil {
			continue
		}
		switch c, there := files[name]; {
		case !there || !equal(c.Bytes, o.want[name]):
			return fmt.Errorf("P6: %s was said to be verified; there %t, %d bytes", name, there, len(c.Bytes))
		case !c.Time.Equal(taken):
			return fmt.Errorf("P6: %s was said to be verified, its time is %v", name, c.Time)
		case r.Digest != o.digests[name]:
			return fmt.Errorf("P4: %s has the digest %v", name, r.Digest)
		}
		if _, there := files[r.Kept]; r.Kept != "" && !there {
			return fmt.Errorf("P6: %s was said to be kept as %s", name, r.Kept)
		}
	}
	return nil
}

// complete says what is missing after a run that nothing disturbed.
func (o *outing) complete(m *volumetest.Mem, said report) error {
	for name := range o.want {
		if r, there := said.results[name]; !there || r.Err != nil {
			return fmt.Errorf("%s is not verified by the next run: %v", name, r.Err)
		}
	}
	if !said.listed {
		return errors.New("the list is not written by the next run")
	}
	for name := range m.Files() {
		if strings.HasPrefix(name, lists.PartialDir+"/") {
			return fmt.Errorf("%s is left", name)
		}
	}
	return o.check(m, said)
}

// at is an effect on the n-th call of those that match, counted from 1.
type at struct {
	n      int
	match  func(volumetest.Op) bool
	effect volumetest.Effect
	do     func() // beside the effect
	seen   atomic.Int32
	hit    atomic.Pointer[volumetest.Op]
}

// Before implements volumetest.Injector.
func (a *at) Before(op volumetest.Op) volumetest.Effect {
	if !a.match(op) || int(a.seen.Add(1)) != a.n {
		return volumetest.Effect{}
	}
	a.hit.Store(&op)
	if a.do != nil {
		a.do()
	}
	return a.effect
}

func changes(op volumetest.Op) bool { return op.Kind.Changes() }

func everything(volumetest.Op) bool { return true }

func writes(op volumetest.Op) bool { return op.Kind == volumetest.Write }

func reads(op volumetest.Op) bool { return op.Kind == volumetest.Read }

// tally is how much was tried.
type tally struct{ points, states atomic.Int64 }

// tryEverywhere calls try for n = from+1, from+2… on two cores until one of them says that
// nothing was left to break, or that something broke.
func tryEverywhere(from int, try func(n int) (untouched bool, err error)) error {
	var next atomic.Int64
	next.Store(int64(from))
	var stop atomic.Bool
	errs := make([]error, 2)
	var wg sync.WaitGroup
	for i := range errs {
		wg.Go(func() {
			for !stop.Load() && errs[i] == nil {
				var untouched bool
				untouched, errs[i] = try(int(next.Add(1)))
				if untouched || errs[i] != nil {
					stop.Store(true)
				}
			}
		})
	}
	wg.Wait()
	return errors.Join(errs...)
}

// equal is bytes.Equal without the race detector's look at every byte.
//
//go:norace
func equal(a, b []byte) bool {
	const block = 4096
	for len(a) == len(b) && len(a) >= block {
		if *(*[block]byte)(a) != *(*[block]byte)(b) {
			return false
		}
		a, b = a[block:], b[block:]
	}
	return bytes.Equal(a, b)
}

// broke is an error with all that is needed to see it again.
func broke(err error, what string, m *volumetest.Mem) error {
	return fmt.Errorf("%s: %w\nthe calls were\n%s", what, err, m.Trace())
}
