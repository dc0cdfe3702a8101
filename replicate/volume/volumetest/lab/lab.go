// Package lab plugs real drives into a test: file systems on image files that
// can be mounted, moved, filled, released, torn out and rotted.
//
// A drive here is a file system of its own kind on a loop device, so what a test
// sees is what the kernel does, errors included. Rules:
//   - One Lab per test, used from the test's own goroutine. New registers the
//     cleanup, which runs also when the test fails or panics: no mount, loop
//     device, file system server or file outlives it, and what still holds a
//     drive then is reported as an error of the test.
//   - Every command has a limit of ten seconds: nothing hangs.
//   - It needs Linux, root and the file systems' tools. Without them a test is
//     skipped with the reason; with COPYHOLD_LAB=require it fails with it.
//   - A test binary that was killed leaves its lab behind; the next lab to be made
//     on the machine takes it down.
//
// The life of a drive:
//
//	            Plug, PlugAt                Cut, KillServer
//	[unplugged] ------------> [plugged in] ----------------> [gone, still mounted]
//	     ^                         |                                  |
//	     +-- Unplug, LazyUnplug ---+--------------- Pull -------------+---> [unplugged]
package lab

import (
	"fmt"
	"os"
	"testing"
)

// Require is the environment variable that turns "cannot have drives here" from a
// skip into a failure when its value is "require".
const Require = "COPYHOLD_LAB"

// Kind is the file system of a drive, by the name that mkfs and mount know.
type Kind string

const (
	Ext4  Kind = "ext4"
	XFS   Kind = "xfs"
	Btrfs Kind = "btrfs"
	ExFAT Kind = "exfat" // served by exfat-fuse: a mount with a process behind it
)

// Kinds lists every kind of drive that the lab knows.
func Kinds() []Kind { return []Kind{Ext4, XFS, Btrfs, ExFAT} }

// smallest is the least size in MB with which mkfs accepts each kind.
var smallest = map[Kind]int{Ext4: 16, XFS: 300, Btrfs: 110, ExFAT: 16}

// CorruptFile flips one byte in the middle of the file at path through its file
// system and puts the modification time back: the damage that a stray program
// does, and that no stat betrays. For the damage of an ageing disk, see RotFile.
func CorruptFile(t testing.TB, path string) {
	t.Helper()
	if err := corrupt(path); err != nil {
		t.Fatalf("lab: corrupt %s: %v", path, err)
	}
}

func corrupt(path string) error {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return err
	}
	if err := flip(f, info.Size()/2); err != nil {
		return err
	}
	if err := f.Sync(); err != nil {
		return err
	}
	return os.Chtimes(path, info.ModTime(), info.ModTime())
}

// flip inverts the lowest bit of the byte of f at offset.
func flip(f *os.File, offset int64) error {
	var b [1]byte
	if _, err := f.ReadAt(b[:], offset); err != nil {
		return fmt.Errorf("read the byte at %d: %w", offset, err)
	}
	b[0] ^= 1
	if _, err := f.WriteAt(b[:], offset); err != nil {
		return fmt.Errorf("write the byte at %d: %w", offset, err)
	}
	return nil
}

// refuse ends the test because the lab cannot work here: a skip, or a failure
// where the lab is required.
func refuse(t testing.TB, reason string) {
	t.Helper()
	if os.Getenv(Require) == "require" {
		t.Fatalf("lab: %s=require, but %s", Require, reason)
	}
	t.Skipf("lab: %s", reason)
}
