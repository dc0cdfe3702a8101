//go:build !linux

package lab

import "testing"

// Lab and Drive have the methods of their Linux selves, so that tests build
// everywhere. New never returns here, so that none of them is ever called.
type (
	Lab   struct{}
	Drive struct{}
)

// Filler is the name of the file that fills a drive.
const Filler = "filler.bin"

// New skips the test.
func New(t testing.TB) *Lab {
	t.Helper()
	refuse(t, "real drives can be had on Linux only")
	return nil
}

func (*Lab) Media() string          { return "" }
func (*Lab) Drive(Kind, int) *Drive { return nil }

func (*Drive) Kind() Kind             { return "" }
func (*Drive) Path() string           { return "" }
func (*Drive) Plugged() bool          { return false }
func (*Drive) Image() string          { return "" }
func (*Drive) Device() string         { return "" }
func (*Drive) Plug() string           { return "" }
func (*Drive) PlugAt(string) string   { return "" }
func (*Drive) TryPlugAt(string) error { return nil }
func (*Drive) Unplug()                {}
func (*Drive) LazyUnplug()            {}
func (*Drive) CanPull() bool          { return false }
func (*Drive) Pull()                  {}
func (*Drive) Cut()                   {}
func (*Drive) KillServer()            {}
func (*Drive) Fsck()                  {}
func (*Drive) Remount(bool)           {}
func (*Drive) ReadOnly() bool         { return false }
func (*Drive) Clone() *Drive          { return nil }
func (*Drive) RotFile(string)         {}
func (*Drive) Fill(int64)             {}
func (*Drive) Unfill()                {}
func (*Drive) Free() int64            { return 0 }
