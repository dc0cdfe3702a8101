package transfer

import (
	"fmt"
	"io/fs"
	"math/rand/v2"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"copyhold/replicate"
	"copyhold/replicate/lists"
	"copyhold/replicate/volume"
	"copyhold/replicate/volume/volumetest"
)

// failEverywhere fails each call once with an error. The drive stays where it is; the
// next run must end well.
func (o *outing) failEverywhere(seed uint64, with error, match func(volumetest.Op) bool, wrap func(*volumetest.Mem) volume.Volume, count *tally) error {
	return tryEverywhere(o.from, func(n int) (bool, error) {
		m := o.drive()
		fail := &at{n: n, match: match, effect: volumetest.Effect{Err: with}}
		m.Inject(fail)
		said := o.run(wrap(m))
		m.Inject(nil)
		count.points.Add(1)
		op := fail.hit.Load()
		what := fmt.Sprintf("call %d fails, %v: %v", n, op, with)
		if err := o.check(m, said); err != nil {
			return false, broke(err, what, m)
		}
		if err := goesOn(op, with, said); err != nil {
			return false, broke(err, what, m)
		}
		again := o.run(wrap(m))
		if err := o.complete(m, again); err != nil {
			return false, broke(err, what+", next run", m)
		}
		if err := syncedOnce(m); err != nil {
			return false, broke(err, what, m)
		}
		for state := range 2 {
			count.states.Add(1)
			left := m.Crash(chanceFor(seed, n, state))
			for _, said := range []report{said, again} {
				if err := o.check(left, said); err != nil {
					return false, broke(err, fmt.Sprintf("%s, next run, crash at its end, state %d", what, state), m)
				}
			}
		}
		return op == nil, nil
	})
}

// goesOn: a call for one file fails that file alone, unless the drive is lost.
func goesOn(op *volumetest.Op, with error, said report) error {
	failed := 0
	for _, r := range said.results {
		if r.Err != nil {
			failed++
		}
	}
	switch {
	case op == nil && failed > 0:
		return fmt.Errorf("%d files failed for nothing", failed)
	case op == nil || with == volume.ErrLost || op.Kind == volumetest.Sync || op.Kind == volumetest.SyncDir:
	case failed > 1:
		return fmt.Errorf("%d files failed together", failed)
	}
	return nil
}

// syncedOnce is P5: no partial is synced again after its sync failed. A file that
// was found there is copied anew then; on a later day, when the drive is back,
// what can be read of it past the cache is what counts.
func syncedOnce(m *volumetest.Mem) error {
	given := map[string]bool{}
	calls, failed := m.Calls()
	for i, op := range calls {
		if op.Kind != volumetest.Sync || !strings.HasPrefix(op.Name, lists.PartialDir+"/") {
			continue
		}
		if given[op.Name] {
			return fmt.Errorf("P5: %s was synced again after that had failed", op.Name)
		}
		given[op.Name] = failed[i]
	}
	return nil
}

// P2, P3, P4, P5, P6: any call may fail.
func TestFailEverywhere(t *testing.T) {
	noneLeft(t)
	small, large := newOuting(t, "Shoots", 5000), newOuting(t, "Shoots", long)
	for name, c := range map[string]struct {
		o     *outing
		with  error
		match func(volumetest.Op) bool
	}{
		"lost":              {small, volume.ErrLost, everything},
		"lost when writing": {large, volume.ErrLost, writes},
		"full":              {small, volume.ErrFull, changes},
		"read-only":         {small, volume.ErrReadOnly, changes},
		"refused":           {small, fs.ErrPermission, everything},
	} {
		t.Run(name, func(t *testing.T) {
			seed, began, count := labSeed(t), time.Now(), new(tally)
			if err := c.o.failEverywhere(seed, c.with, c.match, asIs, count); err != nil {
				t.Error(err)
			}
			t.Logf("%d calls, %d states, %v", count.points.Load(), count.states.Load(), time.Since(began))
		})
	}
}

// flip is an effect that turns one bit of a read round.
func flip(chance *rand.Rand, flipped *atomic.Bool) volumetest.Effect {
	return volumetest.Effect{Corrupt: func(p []byte) {
		flipped.Store(len(p) > 0)
		if len(p) > 0 {
			p[chance.IntN(len(p))] ^= 1 << chance.IntN(8)
		}
	}}
}

// corruptEverywhere turns a bit round in each read from the drive.
func (o *outing) corruptEverywhere(seed uint64, wrap func(*volumetest.Mem) volume.Volume, count *tally) error {
	return tryEverywhere(o.from, func(n int) (bool, error) {
		m, flipped := o.drive(), new(atomic.Bool)
		read := &at{n: n, match: reads, effect: flip(chanceFor(seed, n, 0), flipped)}
		m.Inject(read)
		said := o.run(wrap(m))
		m.Inject(nil)
		op := read.hit.Load()
		count.points.Add(1)
		what := fmt.Sprintf("read %d differs, %v", n, op)
		if err := o.check(m, said); err != nil {
			return false, broke(err, what, m)
		}
		differ := 0
		for _, r := range said.results {
			if r.Cause == replicate.ReadBackDiffers {
				differ++
			}
		}
		readBack := op != nil && strings.HasPrefix(op.Name, lists.PartialDir+"/") && flipped.Load()
		if readBack != (differ == 1) || differ > 1 {
			return false, broke(fmt.Errorf("P4: %d files read back differently, of a partial: %t", differ, readBack), what, m)
		}
		if err := o.complete(m, o.run(m)); err != nil {
			return false, broke(err, what+", next run", m)
		}
		return op == nil, nil
	})
}

// P4: what does not read back as it was written is not verified, and not named.
func TestCorruptEverywhere(t *testing.T) {
	noneLeft(t)
	o, seed, began, count := newOuting(t, "Shoots", long), labSeed(t), time.Now(), new(tally)
	if err := o.corruptEverywhere(seed, asIs, count); err != nil {
		t.Error(err)
	}
	t.Logf("%d reads, %v", count.points.Load(), time.Since(began))
}

// What the source reads wrongly without an error nobody can see: it is hashed as it
// came, and the copy is as wrong as the digest says. All that can be had is that the
// drive holds what the digest says (P4), that two readings of a file which differ
// are not both believed, and that the next right reading brings the right content
// and loses none. A camera's own list, or the digest of an earlier reading, can tell.
func TestCorruptSource(t *testing.T) {
	noneLeft(t)
	o, seed, unseen, seen := newOuting(t, "Shoots", long), labSeed(t), new(atomic.Int32), new(atomic.Int32)
	err := tryEverywhere(o.from, func(n int) (bool, error) {
		m, src, flipped := o.drive(), o.source(), new(atomic.Bool)
		read := &at{n: n, match: reads, effect: flip(chanceFor(seed, n, 0), flipped)}
		src.Inject(read)
		said := o.runFrom(src, m)
		op := read.hit.Load()
		what := fmt.Sprintf("read %d of the source differs, %v", n, op)
		files := m.Files()
		for name, r := range said.results {
			switch hit := op != nil && flipped.Load() && name == o.working+"/"+op.Name; {
			case r.Err != nil && hit && r.Cause == replicate.ReadBackDiffers:
				seen.Add(1)
			case r.Err != nil:
				return false, broke(fmt.Errorf("%s: %w", name, r.Err), what, m)
			case r.Digest != digestFor(files[name].Bytes):
				return false, broke(fmt.Errorf("P4: %s is not what its digest says", name), what, m)
			case hit != (r.Digest != o.digests[name]):
				return false, broke(fmt.Errorf("%s: misread %t, but has the digest %v", name, hit, r.Digest), what, m)
			case hit:
				unseen.Add(1)
			}
		}
		if err := o.complete(m, o.run(m)); err != nil {
			return false, broke(err, what+", next run", m)
		}
		return op == nil, nil
	})
	if err != nil {
		t.Error(err)
	}
	t.Logf("%d misread files were copied as they were read, %d were noticed", unseen.Load(), seen.Load())
	if unseen.Load() == 0 || seen.Load() == 0 {
		t.Error("the test does not do what it says")
	}
}
