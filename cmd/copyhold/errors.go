package main

import (
	"context"
	"errors"
	"fmt"
	"runtime"
	"strings"

	"github.com/spf13/cobra"

	"copyhold/config"
	"copyhold/daemon/api"
)

// say writes beside the results; kind is error, note or hint. Several lines are
// several errors that were joined.
func (c *cli) say(kind, text string) {
	for line := range strings.SplitSeq(text, "\n") {
		fmt.Fprintf(c.errs, "copyhold: %s: %s\n", kind, clean(line))
	}
}

// misused is what was typed and cannot be meant; it becomes a Fault for the
// person, whose way out is the usage line unless a better one is known.
func misused(cmd *cobra.Command, format string, args ...any) error {
	return &api.Fault{
		What:   fmt.Sprintf(format, args...),
		Do:     fmt.Sprintf("usage: %s (more: %s --help)", cmd.UseLine(), cmd.CommandPath()),
		Misuse: true,
	}
}

// report writes err for a person, if there is one, and returns the exit code.
func (c *cli) report(err error) int {
	if err == nil {
		return exitDone
	}
	complaints := configErrors(err)
	fault, isFault := errors.AsType[*api.Fault](err)
	switch {
	case len(complaints) > 0:
		c.reportConfig(complaints)
	case isFault:
		c.reportFault(fault)
	default:
		c.reportFault(faultFor(err))
		if errors.Is(err, config.ErrNoConfig) {
			fmt.Fprint(c.errs, smallestConfig(runtime.GOOS))
		}
	}
	if isFault && fault.Misuse {
		return exitMisuse
	}
	return exitError
}

func (c *cli) reportFault(f *api.Fault) {
	c.say("error", f.What)
	if f.Safe != "" {
		c.say("note", f.Safe)
	}
	if f.Do != "" {
		c.say("hint", f.Do)
	}
}

func (c *cli) reportConfig(complaints []error) {
	for _, e := range complaints {
		c.say("error", e.Error())
	}
	c.say("note", "nothing was started or changed; a configuration is used whole or not at all")
	c.say("hint", "correct the file and run the command again")
}

// configErrors is every complaint about the configuration that was joined into
// err, or nil if err is about something else.
func configErrors(err error) (all []error) {
	if joined, ok := err.(interface{ Unwrap() []error }); ok {
		for _, e := range joined.Unwrap() {
			all = append(all, configErrors(e)...)
		}
		return all
	}
	if _, ok := errors.AsType[*config.Error](err); ok {
		return []error{err}
	}
	return nil
}

// faultFor puts errors that are no Fault yet into words.
func faultFor(err error) *api.Fault {
	f := &api.Fault{What: err.Error()}
	switch {
	case errors.Is(err, config.ErrNoConfig):
		f.Do = "write that file; the smallest one names the folder that holds your shoots:"
	case errors.Is(err, config.ErrNoHome):
		f.Do = "name the places yourself: --config FILE --state DIR, or COPYHOLD_CONFIG and COPYHOLD_STATE"
	case errors.Is(err, api.ErrOtherUser):
		f.What = api.ErrOtherUser.Error()
		f.Do = "ask as that user, or name your own state folder with --state"
	case errors.Is(err, api.ErrNotRunning):
		f.What = "Copyhold stopped while it was asked"
		f.Safe = "finished copies are kept"
		f.Do = "start it: copyhold run"
	case errors.Is(err, context.Canceled):
		f.What = "interrupted"
	}
	return f
}

// smallestConfig is all that a first configuration needs.
func smallestConfig(goos string) string {
	folder := `"/media/ana/WORK/Shoots"`
	switch goos {
	case "darwin":
		folder = `"/Volumes/WORK/Shoots"`
	case "windows":
		folder = `'D:\Shoots'`
	}
	return "\n    [[working]]\n    folder = " + folder + "\n\n"
}

// arguments checks how many were given; what says what they are.
func arguments(least, most int, what string) cobra.PositionalArgs {
	return func(cmd *cobra.Command, args []string) error {
		switch {
		case len(args) < least && len(args) == 0:
			return misused(cmd, "%q needs %s", cmd.CommandPath(), what)
		case len(args) < least:
			return misused(cmd, "%q needs %s, and got only %s", cmd.CommandPath(), what, quotedList(args))
		case len(args) > most && most == 0:
			return misused(cmd, "%q takes no arguments, and got %s", cmd.CommandPath(), quotedList(args))
		case len(args) > most:
			return misused(cmd, "%q takes %s, and got %d arguments; put quotes around one that has spaces", cmd.CommandPath(), what, len(args))
		}
		for _, a := range args {
			if strings.TrimSpace(a) == "" {
				return misused(cmd, "%q got an empty argument; it takes %s", cmd.CommandPath(), what)
			}
		}
		return nil
	}
}
