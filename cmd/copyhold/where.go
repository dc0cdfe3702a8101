package main

import (
	"context"

	"github.com/spf13/cobra"

	"copyhold/daemon/api"
)

func newWhere(c *cli) *cobra.Command {
	return offerJSON(c, &cobra.Command{
		Use:   "where PATTERN [--json]",
		Short: "Which drives hold the matching shoots or files, and under which path",
		Long: `Tells for each shoot and file that matches PATTERN on which drives it lies, under
which path, and when it was verified there. Drives that are away are answered
from memory, with the date they were last seen. PATTERN is one or more words that
all occur in the path, in capitals or small letters; with * or ? it has to match
the whole path or the file's name. Put quotes around it.`,
		Example: `  copyhold where "tern island"
  copyhold where "*_C004.mov"`,
		Args:              arguments(1, 1, "one pattern"),
		ValidArgsFunction: c.complete(1, shootNames),
		RunE: func(cmd *cobra.Command, args []string) error {
			ask := func(ctx context.Context, s api.Service) (api.Where, error) { return s.Where(ctx, args[0]) }
			return answer(c, cmd, ask, func(p *page, a api.Where) { renderWhere(p, a, args[0]) })
		},
	})
}
