package main

import (
	"context"

	"github.com/spf13/cobra"

	"copyhold/daemon/api"
)

func newShoots(c *cli) *cobra.Command {
	return offerJSON(c, &cobra.Command{
		Use:   "shoots [PATTERN] [--json]",
		Short: "Every shoot, and how much of it each drive holds",
		Long: `Lists the shoots, worst standing first, with the number of their files on each
drive. PATTERN picks those whose name has all its words, in capitals or small
letters; with * or ? it has to match the whole name. Put quotes around it.`,
		Example: `  copyhold shoots
  copyhold shoots tern
  copyhold shoots "2026-03-*"`,
		Args: arguments(0, 1, "one pattern at most"),
		RunE: func(cmd *cobra.Command, args []string) error {
			pattern := first(args)
			ask := func(ctx context.Context, s api.Service) (api.Shoots, error) { return s.Shoots(ctx, pattern) }
			return answer(c, cmd, ask, func(p *page, a api.Shoots) { renderShoots(p, a, pattern) })
		},
	})
}

// first is the first argument, or "" without one.
func first(args []string) string {
	if len(args) == 0 {
		return ""
	}
	return args[0]
}
