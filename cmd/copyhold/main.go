// Command copyhold copies shoots to backup drives, verifies the copies and
// answers where they are. This package speaks with the person: it reads what
// was typed, asks the daemon or, without one, the ledger, and writes answers.
//
// Its rules:
//
//   - Results go to standard output, all else to standard error.
//   - Whatever a person reads passes through a page or through cli.say, which
//     clean it: a file's name may hold anything, an escape sequence too.
//   - What is written is a function of the api types, the time and the width of
//     the terminal. Nothing in a render file asks anybody.
//   - --json writes the api types as they are and is never reworded.
package main

import (
	"context"
	"os"
	"os/signal"
	"syscall"
)

func main() { os.Exit(realMain()) }

// realMain ends cleanly at the first signal and at once at the second.
func realMain() int {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	context.AfterFunc(ctx, stop)
	return newCLI().execute(ctx, os.Args[1:])
}
