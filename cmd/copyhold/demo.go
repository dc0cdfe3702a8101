package main

import (
	"github.com/spf13/cobra"

	"copyhold/cmd/copyhold/demo"
)

func newDemo(c *cli) *cobra.Command {
	opt := demo.Options{Version: version()}
	cmd := &cobra.Command{
		Use:   "demo [--keep] [--dir DIR]",
		Short: "A whole day in seconds, on throw-away drives",
		Long: `Plays a photographer's day with invented pictures and sounds of seabirds on
folders that stand for drives: offload, copy, unplug, the warning about the only
copy, catch-up, damage found. Every figure that it shows is measured.
It touches nothing outside its own folder, which it removes at the end.`,
		Example: `  copyhold demo
  copyhold demo --keep --dir tern-island-demo`,
		Args: arguments(0, 0, "no arguments"),
		RunE: func(cmd *cobra.Command, _ []string) error { return demo.Run(cmd.Context(), c.out, opt) },
	}
	cmd.Flags().BoolVar(&opt.Keep, "keep", false, "leave the demo's folder for you to look at")
	cmd.Flags().StringVar(&opt.Dir, "dir", "", "play in `DIR` instead of a new temporary folder")
	cmd.MarkFlagDirname("dir")
	return cmd
}
