package volumetest

import (
	"fmt"
	"strings"
)

// Kind is what a call does.
type Kind string

// The kinds. The first ones change the drive, or make a change last.
const (
	Create  Kind = "create"
	Write   Kind = "write"
	Sync    Kind = "sync"
	MakeDir Kind = "make folder"
	Rename  Kind = "rename"
	Replace Kind = "replace"
	Remove  Kind = "remove"
	SetTime Kind = "set time"
	SyncDir Kind = "sync folder"

	Lstat    Kind = "look at"
	ReadDir  Kind = "list"
	Open     Kind = "open"
	OpenPast Kind = "open past cache"
	Read     Kind = "read"
	Same     Kind = "same"
	Room     Kind = "room"
)

// Changes reports whether the call changes the drive or makes a change last: a
// power cut before any other call finds what one before the next change finds.
func (k Kind) Changes() bool {
	switch k {
	case Create, Write, Sync, MakeDir, Rename, Replace, Remove, SetTime, SyncDir:
		return true
	}
	return false
}

// Op is one call.
type Op struct {
	Kind Kind
	Name string
	To   string // of a rename
	Off  int64  // of a read or write
	Len  int
	N    int // counts the calls of a Mem from 1
}

func (o Op) String() string {
	switch o.Kind {
	case Rename, Replace:
		return fmt.Sprintf("%d %s %q -> %q", o.N, o.Kind, o.Name, o.To)
	case Read, Write:
		return fmt.Sprintf("%d %s %q %d+%d", o.N, o.Kind, o.Name, o.Off, o.Len)
	default:
		return fmt.Sprintf("%d %s %q", o.N, o.Kind, o.Name)
	}
}

// Effect is what happens to a call. The zero value lets it go on.
type Effect struct {
	Err     error           // the call does nothing and answers this
	Crash   bool            // power is cut just before it
	Corrupt func(p []byte)  // changes what a read returns
	Hang    <-chan struct{} // the call waits until this is closed, then goes on
}

// Injector decides what happens to each call. It is asked without a lock held: it
// may pull the drive or make it read-only itself.
type Injector interface {
	Before(Op) Effect
}

// InjectorFunc is a function that is an Injector.
type InjectorFunc func(Op) Effect

// Before implements Injector.
func (f InjectorFunc) Before(op Op) Effect { return f(op) }

// done is a call that was made, and its error.
type done struct {
	op  Op
	err error
}

// Trace is the calls so far as text, one on a line, with the errors they met.
func (m *Mem) Trace() string {
	m.mu.Lock()
	defer m.mu.Unlock()
	var b strings.Builder
	for _, d := range m.calls {
		b.WriteString(d.op.String())
		if d.err != nil {
			fmt.Fprintf(&b, " = %v", d.err)
		}
		b.WriteByte('\n')
	}
	return b.String()
}

// Calls is the calls so far. Failed tells for each whether it met an error.
func (m *Mem) Calls() (calls []Op, failed []bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, d := range m.calls {
		calls, failed = append(calls, d.op), append(failed, d.err != nil)
	}
	return calls, failed
}
