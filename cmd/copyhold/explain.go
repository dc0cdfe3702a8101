package main

import (
	"context"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"copyhold/daemon/api"
)

func newExplain(c *cli) *cobra.Command {
	return offerJSON(c, &cobra.Command{
		Use:   "explain PATH [--json]",
		Short: "What is decided for one file on each drive, and why",
		Long: `Shows what Copyhold has decided for one file of a working folder on each drive,
with the reason: the same line that its log carries. PATH is the file's path, or
the name of the working folder and the path inside it, for a file that is gone.`,
		Example: `  copyhold explain "/media/ana/WORK/Shoots/2026-03-02 Tern Island/A-cam/A001_C004.mov"
  copyhold explain "Shoots/2026-03-02 Tern Island/A-cam/A001_C004.mov"`,
		Args: arguments(1, 1, "the path of one file"),
		RunE: func(cmd *cobra.Command, args []string) error {
			path := pathToAsk(args[0])
			ask := func(ctx context.Context, s api.Service) (api.Explanation, error) { return s.Explain(ctx, path) }
			return answer(c, cmd, ask, renderExplanation)
		},
	})
}

// pathToAsk makes the path of something that is there absolute, since the
// daemon works in a folder of its own.
func pathToAsk(path string) string {
	if _, err := os.Lstat(path); err != nil {
		return path
	}
	if abs, err := filepath.Abs(path); err == nil {
		return abs
	}
	return path
}
