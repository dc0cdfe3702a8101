package main

import (
	"context"
	"log/slog"
	"runtime"

	"github.com/spf13/cobra"

	"copyhold/config"
	"copyhold/daemon"
	"copyhold/daemon/desktop"
)

func newRun(c *cli) *cobra.Command {
	debug := false
	cmd := &cobra.Command{
		Use:   "run [--debug]",
		Short: "Do the work: watch, copy and verify until stopped",
		Long: `Runs Copyhold in the foreground: it watches the working folders, copies to the
drives that are plugged in and verifies the copies, until it is stopped with
Ctrl-C. Stopping is safe at any time. A working folder or drive that is away is
waited for. The log goes to standard error.`,
		Example: `  copyhold run
  copyhold run --config tern-island.toml --state tern-island-state`,
		Args: arguments(0, 0, "no arguments"),
		RunE: func(cmd *cobra.Command, _ []string) error { return c.run(cmd.Context(), debug) },
	}
	cmd.Flags().BoolVar(&debug, "debug", false, "log every step")
	return cmd
}

func (c *cli) run(ctx context.Context, debug bool) error {
	places, err := c.places()
	if err != nil {
		return err
	}
	cfg, err := config.Load(places.ConfigFile)
	if err != nil {
		return err
	}
	missing, err := config.SplitMissing(cfg.Check(nil))
	if err != nil {
		return err
	}
	log := c.log(debug)
	log.Info("starting", "version", version(), "config", places.ConfigFile, "state", places.StateDir)
	for _, m := range missing {
		log.Warn("working folder is away, waiting for it", "working", m.Working.Name, "path", m.Working.Folder)
	}
	opt := daemon.Options{Config: cfg, StateDir: places.StateDir, Version: version(), Log: log}
	if runtime.GOOS == "linux" {
		speaker := desktop.NewSpeaker(log)
		defer speaker.Close()
		opt.Speaker = speaker
	}
	return daemon.Run(ctx, opt)
}

func (c *cli) log(debug bool) *slog.Logger {
	level := slog.LevelInfo
	if debug {
		level = slog.LevelDebug
	}
	return slog.New(slog.NewTextHandler(c.errs, &slog.HandlerOptions{Level: level}))
}
