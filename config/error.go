package config

import (
	"errors"
	"fmt"
)

// ErrNoConfig is returned by Load, with the path, when there is no file.
var ErrNoConfig = errors.New("no configuration file")

// Error is one thing that is wrong with a configuration, and where.
type Error struct {
	File string
	// Line and Column count from 1, Column in characters as an editor does.
	// Both are zero for a configuration that was not read from a file.
	Line, Column int
	What         string
	Expected     string
	// Err is the operating system's word on it, if it had one.
	Err error
}

func (e *Error) Error() string {
	text := e.What
	if e.Err != nil {
		text = fmt.Sprintf("%s: %v", text, e.Err)
	}
	if e.Expected != "" {
		text += "; expected " + e.Expected
	}
	if e.Line == 0 {
		return text
	}
	return fmt.Sprintf("%s:%d:%d: %s", e.File, e.Line, e.Column, text)
}

func (e *Error) Unwrap() error { return e.Err }

// MissingFolder says that a working folder is not there. For a command that was
// asked to look it is an error like any other; for the daemon it is a working
// drive that is away.
type MissingFolder struct {
	Working Working
	err     *Error
}

func (m *MissingFolder) Error() string { return m.err.Error() }

// Unwrap lets errors.As find the Error as well.
func (m *MissingFolder) Unwrap() error { return m.err }

// SplitMissing parts what Check returned into the folders that are missing and
// everything else, so that a caller who can live with the former does not
// overlook the latter.
func SplitMissing(err error) (missing []*MissingFolder, rest error) {
	var others []error
	for _, e := range flatten(err) {
		var m *MissingFolder
		if errors.As(e, &m) {
			missing = append(missing, m)
			continue
		}
		others = append(others, e)
	}
	return missing, errors.Join(others...)
}

// flatten returns the errors that were joined into err.
func flatten(err error) []error {
	if err == nil {
		return nil
	}
	if joined, ok := err.(interface{ Unwrap() []error }); ok {
		return joined.Unwrap()
	}
	return []error{err}
}

// place is a position in a file; the zero value is nowhere.
type place struct {
	file         string
	line, column int
}

func (p place) errorf(expected, format string, args ...any) *Error {
	return &Error{
		File: p.file, Line: p.line, Column: p.column,
		What: fmt.Sprintf(format, args...), Expected: expected,
	}
}

// valueError is a value that does not fit, by itself. Whoever knows where it
// stands, and what for, makes an Error of it.
type valueError struct{ value, expected string }

func (e *valueError) Error() string { return e.value + " is not understood; expected " + e.expected }

func quoted(text []byte) string { return fmt.Sprintf("%q", text) }
