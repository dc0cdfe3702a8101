package main

import (
	"strings"

	"github.com/spf13/cobra"
)

// The groups that the list of commands is shown in.
const (
	groupAsk   = "ask"
	groupDrive = "drive"
	groupWork  = "work"
)

// Commands are listed in the order in which they are added, not by letter.
func init() { cobra.EnableCommandSorting = false }

// usage is what help shows below a command's description.
const usage = `Usage:
  {{.UseLine}}
{{- if .HasExample}}

Examples:
{{.Example}}
{{- end}}
{{- range $group := .Groups}}

{{.Title}}
{{- range $.Commands}}{{if eq .GroupID $group.ID}}
  {{rpad .Name .NamePadding}}  {{.Short}}
{{- end}}{{end}}
{{- end}}
{{- if .HasAvailableSubCommands}}

{{if .Groups}}Other:{{else}}Commands:{{end}}
{{- range .Commands}}{{if and (eq .GroupID "") .IsAvailableCommand}}
  {{rpad .Name .NamePadding}}  {{.Short}}
{{- end}}{{end}}
{{- end}}
{{- if .HasAvailableLocalFlags}}

Flags:
{{.LocalFlags.FlagUsages | trimTrailingWhitespaces}}
{{- end}}
{{- if .HasAvailableInheritedFlags}}

Flags of every command:
{{.InheritedFlags.FlagUsages | trimTrailingWhitespaces}}
{{- end}}
{{- if .HasAvailableSubCommands}}

More about one: {{.CommandPath}} COMMAND --help
{{- end}}
`

func newRoot(c *cli) *cobra.Command {
	root := &cobra.Command{
		Use:   "copyhold COMMAND",
		Short: "Copy shoots to backup drives, verify the copies, know where they are",
		Long: `Copyhold runs while you edit. It copies every new file of your working folders
to each backup drive that is plugged in, reads the copy back, remembers what the
drives that are away still lack, and catches up when they return. Working
folders are only read.`,
		Example: `  copyhold run
  copyhold drive add /media/ana/SLATE --name Slate
  copyhold status
  copyhold shoot "2026-03-02 Tern Island"`,
		Args:          knownCommand,
		RunE:          showHelp,
		SilenceErrors: true,
		SilenceUsage:  true,

		SuggestionsMinimumDistance: 2,
	}
	root.SetOut(c.out)
	root.SetErr(c.errs)
	root.SetFlagErrorFunc(func(cmd *cobra.Command, err error) error { return misused(cmd, "%v", err) })
	root.PersistentFlags().StringVar(&c.configFlag, "config", "", "the configuration `FILE` (or COPYHOLD_CONFIG)")
	root.PersistentFlags().StringVar(&c.stateFlag, "state", "", "the `DIR` of the ledger and the control socket (or COPYHOLD_STATE)")
	root.MarkPersistentFlagFilename("config", "toml")
	root.MarkPersistentFlagDirname("state")
	root.AddGroup(
		&cobra.Group{ID: groupAsk, Title: "Asking:"},
		&cobra.Group{ID: groupDrive, Title: "Drives:"},
		&cobra.Group{ID: groupWork, Title: "Working:"},
	)
	addGroup(root, groupAsk, newStatus(c), newShoots(c), newShoot(c), newWhere(c), newExplain(c))
	addGroup(root, groupDrive, newDrive(c))
	addGroup(root, groupWork, newRun(c), newPause(c), newResume(c), newDemo(c))
	root.AddCommand(newCompletion(), newVersion(c))
	root.SetUsageTemplate(usage)
	neverGuessFlags(root)
	return root
}

func addGroup(root *cobra.Command, group string, commands ...*cobra.Command) {
	for _, cmd := range commands {
		cmd.GroupID = group
		root.AddCommand(cmd)
	}
}

// neverGuessFlags keeps "[flags]" out of the usage lines, which name those that
// matter.
func neverGuessFlags(cmd *cobra.Command) {
	cmd.DisableFlagsInUseLine = true
	for _, sub := range cmd.Commands() {
		neverGuessFlags(sub)
	}
}

// showHelp is what a command does that only holds others.
func showHelp(cmd *cobra.Command, _ []string) error { return cmd.Help() }

// knownCommand refuses what is no command, with the likeliest that is.
func knownCommand(cmd *cobra.Command, args []string) error {
	if len(args) == 0 {
		return nil
	}
	if near := cmd.SuggestionsFor(args[0]); len(near) > 0 {
		return misused(cmd, "%q has no command %q; did you mean %q?", cmd.CommandPath(), args[0], strings.Join(near, `" or "`))
	}
	return misused(cmd, "%q has no command %q", cmd.CommandPath(), args[0])
}

// offerJSON gives a command the flag of every question.
func offerJSON(c *cli, cmd *cobra.Command) *cobra.Command {
	cmd.Flags().BoolVar(&c.json, "json", false, "write one JSON document, for programs")
	return cmd
}
