package main

import (
	"bufio"
	"context"
	"io"
	"os"
	"runtime"
	"time"

	"golang.org/x/term"

	"copyhold/config"
	"copyhold/daemon"
	"copyhold/daemon/api"
)

// The exit codes that a script may rely on.
const (
	exitDone   = 0
	exitError  = 1
	exitMisuse = 2
)

// cli is what all commands share: where they write, what surrounds them, and
// how they reach somebody who answers.
type cli struct {
	out, errs io.Writer
	getenv    func(string) string
	now       func() time.Time
	width     int  // of the terminal that out is, in cells; 0 = it is none
	color     bool // out takes colours, and nobody objects

	dial    func(stateDir string) (api.Service, error)
	offline func(daemon.Options) (ledger, error)

	configFlag, stateFlag string
	json                  bool
}

// ledger answers when no daemon runs.
type ledger interface {
	api.Service
	Close() error
}

func newCLI() *cli {
	c := &cli{
		out: os.Stdout, errs: os.Stderr, getenv: os.Getenv, now: time.Now,
		dial:    func(stateDir string) (api.Service, error) { return api.Dial(stateDir) },
		offline: openLedger,
	}
	if fd := int(os.Stdout.Fd()); term.IsTerminal(fd) {
		c.color = takesColor(os.Getenv, runtime.GOOS)
		if width, _, err := term.GetSize(fd); err == nil {
			c.width = width
		}
	}
	return c
}

// takesColor follows https://no-color.org. The old console of Windows prints
// escape sequences as they are; the newer one sets a variable of its own.
func takesColor(getenv func(string) string, goos string) bool {
	switch {
	case getenv("NO_COLOR") != "", getenv("TERM") == "dumb":
		return false
	case goos == "windows":
		return getenv("WT_SESSION") != ""
	}
	return true
}

// execute runs what was typed and returns the exit code.
func (c *cli) execute(ctx context.Context, args []string) int {
	root := newRoot(c)
	root.SetArgs(args)
	return c.report(root.ExecuteContext(ctx))
}

func (c *cli) places() (config.Places, error) {
	return config.Locate(c.configFlag, c.stateFlag, c.getenv, runtime.GOOS)
}

// print writes one answer for a person. A full disk behind out is an error.
func (c *cli) print(render func(*page)) error {
	w := bufio.NewWriter(c.out)
	render(&page{out: w, now: c.now(), width: c.width, color: c.color})
	return w.Flush()
}
