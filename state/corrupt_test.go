package state

import (
	"encoding/binary"
	"errors"
	"math/rand/v2"
	"testing"
)

// TestCutLedgers cuts the file after every page: what is left is refused, or
// found out by the check.
func TestCutLedgers(t *testing.T) {
	whole := readLedger(t, filled(t))
	for n := 0; n < len(whole); n += 4096 {
		noticed(t, whole[:n], n < len(whole)/2, "cut to %d bytes", n)
	}
}

// TestFlippedBytes changes bytes at random places. Where it touches nothing that
// is used, all that is asked is that nothing falls over.
func TestFlippedBytes(t *testing.T) {
	whole := readLedger(t, filled(t))
	r := seeded(t)
	for range 100 {
		bad := append([]byte(nil), whole...)
		for range 1 + r.IntN(3) {
			bad[r.IntN(len(bad))] ^= byte(1 + r.IntN(255))
		}
		noticed(t, bad, false, "flipped")
	}
}

// TestRandomPages puts noise in the place of a page.
func TestRandomPages(t *testing.T) {
	whole := readLedger(t, filled(t))
	r := seeded(t)
	for n := 0; n < len(whole); n += 4096 {
		bad := append([]byte(nil), whole...)
		for i := range 4096 {
			bad[n+i] = byte(r.Uint32())
		}
		noticed(t, bad, false, "noise at %d", n)
	}
	for range 20 {
		noise := make([]byte, 4096*(1+r.IntN(8)))
		rand.NewChaCha8([32]byte{byte(r.Uint32())}).Read(noise)
		noticed(t, noise, true, "nothing but noise")
	}
}

// noticed opens, asks, checks and asks, in both ways. Any error but ErrCorrupt at the
// opening is a failure, as is a check that finds nothing where it must.
func noticed(t *testing.T, content []byte, must bool, what string, args ...any) {
	t.Helper()
	dir := t.TempDir()
	for _, open := range []func(string) (*Ledger, error){OpenReadOnly, Open} {
		writeLedger(t, dir, content)
		l, err := open(dir)
		if err != nil {
			if !errors.Is(err, ErrCorrupt) {
				t.Errorf(what+": %v", append(args, err)...)
			}
			continue
		}
		if err := l.View(askEverything); err != nil {
			must = false // a question told
		}
		err = l.Check()
		if err == nil {
			if must {
				t.Errorf(what+": not noticed", args...)
			}
			if err := l.View(askEverything); err != nil {
				t.Errorf(what+": checked well, and then %v", append(args, err)...)
			}
		}
		if err := l.Close(); err != nil {
			t.Error(err)
		}
	}
}

// TestPagesInCircles leads every branch back to itself: following it, the
// database would never return.
func TestPagesInCircles(t *testing.T) {
	whole := readLedger(t, filled(t))
	branches := 0
	for n := 2 * 4096; n < len(whole); n += 4096 {
		id, kind := binary.LittleEndian.Uint64(whole[n:]), binary.LittleEndian.Uint16(whole[n+8:])
		if id != uint64(n/4096) || kind != branchPage {
			continue
		}
		branches++
		bad := append([]byte(nil), whole...)
		binary.LittleEndian.PutUint64(bad[n+pageHeader+8:], id)
		dir := t.TempDir()
		writeLedger(t, dir, bad)
		if l, err := Open(dir); err == nil { // a branch of earlier times
			if err := errors.Join(l.Check(), l.Close()); err != nil {
				t.Error(err)
			}
			branches--
		} else if !errors.Is(err, ErrCorrupt) {
			t.Error(err)
		}
	}
	if branches == 0 {
		t.Error("no branch was led astray")
	}
}
