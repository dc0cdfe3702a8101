package main

import (
	"context"
	"time"

	"github.com/spf13/cobra"

	"copyhold/daemon/api"
)

var shells = []string{"bash", "zsh", "fish", "powershell"}

func newCompletion() *cobra.Command {
	return &cobra.Command{
		Use:   "completion SHELL",
		Short: "Write a script that lets your shell complete commands and names",
		Long: `Writes a script for bash, zsh, fish or powershell. With it the Tab key completes
commands, flags, and the names of your shoots and drives while Copyhold runs.`,
		Example: `  copyhold completion bash > ~/.local/share/bash-completion/completions/copyhold
  copyhold completion fish > ~/.config/fish/completions/copyhold.fish
  source <(copyhold completion zsh)`,
		Args:              arguments(1, 1, "the name of one shell: bash, zsh, fish or powershell"),
		ValidArgsFunction: cobra.FixedCompletions(shells, cobra.ShellCompDirectiveNoFileComp),
		RunE: func(cmd *cobra.Command, args []string) error {
			root, out := cmd.Root(), cmd.OutOrStdout()
			switch args[0] {
			case "bash":
				return root.GenBashCompletionV2(out, true)
			case "zsh":
				return root.GenZshCompletion(out)
			case "fish":
				return root.GenFishCompletion(out, true)
			case "powershell":
				return root.GenPowerShellCompletionWithDesc(out)
			}
			return misused(cmd, "no completion is known for the shell %q; it is one of %s", args[0], list(shells))
		},
	}
}

// completionPatience is how long a person waits at the Tab key.
const completionPatience = 2 * time.Second

// namer finds the names that argument n may have, counted from 0.
type namer func(ctx context.Context, s api.Service, n int) ([]string, error)

// complete offers names for the first arguments of a command. Only the daemon
// is asked, and whatever goes wrong means no offer.
func (c *cli) complete(most int, names namer) cobra.CompletionFunc {
	return func(cmd *cobra.Command, args []string, _ string) ([]cobra.Completion, cobra.ShellCompDirective) {
		if len(args) >= most {
			return nil, cobra.ShellCompDirectiveNoFileComp
		}
		places, err := c.places()
		if err != nil {
			return nil, cobra.ShellCompDirectiveNoFileComp
		}
		ctx, cancel := context.WithTimeout(cmd.Context(), completionPatience)
		defer cancel()
		var offer []cobra.Completion
		if s, err := c.dial(places.StateDir); err == nil {
			all, _ := names(ctx, s, len(args))
			offer = completions(all)
		}
		return offer, cobra.ShellCompDirectiveNoFileComp
	}
}

// completions leaves out names that a shell script would take apart.
func completions(names []string) (all []cobra.Completion) {
	for _, n := range names {
		if n == clean(n) {
			all = append(all, n)
		}
	}
	return all
}

func shootNames(ctx context.Context, s api.Service, _ int) (names []string, err error) {
	st, err := s.Status(ctx)
	for _, shoot := range st.Shoots {
		names = append(names, shoot.Name)
	}
	return names, err
}

func driveNames(ctx context.Context, s api.Service, _ int) (names []string, err error) {
	a, err := s.Drives(ctx)
	for _, d := range a.Drives {
		if !d.Retired {
			names = append(names, d.Name)
		}
	}
	return names, err
}

func drivesThenPlaces(ctx context.Context, s api.Service, n int) ([]string, error) {
	if n == 1 {
		return drivePlaces, nil
	}
	return driveNames(ctx, s, n)
}
