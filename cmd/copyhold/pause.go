package main

import (
	"context"
	"time"

	"github.com/spf13/cobra"

	"copyhold/config"
	"copyhold/daemon/api"
)

func newPause(c *cli) *cobra.Command {
	return offerJSON(c, &cobra.Command{
		Use:   "pause [DURATION] [--json]",
		Short: "Stop copying for a while",
		Long: `Stops copying until the time has passed or until you resume. The file under way
is finished or dropped; copies that are made stay. DURATION is a number with s,
m, h or d; without one, copying stays stopped until you resume.`,
		Example: `  copyhold pause 2h
  copyhold pause 1h30m
  copyhold pause`,
		Args:              arguments(0, 1, "one duration at most"),
		ValidArgsFunction: cobra.NoFileCompletions,
		RunE: func(cmd *cobra.Command, args []string) error {
			seconds, err := pauseSeconds(cmd, args)
			if err != nil {
				return err
			}
			order := func(ctx context.Context, s api.Service) (api.Status, error) {
				return s.Pause(ctx, api.Pause{Seconds: seconds})
			}
			return answer(c, cmd, order, renderPaused)
		},
	})
}

// pauseSeconds is 0 for "until resumed".
func pauseSeconds(cmd *cobra.Command, args []string) (int64, error) {
	if len(args) == 0 {
		return 0, nil
	}
	var d config.Duration
	if err := d.UnmarshalText([]byte(args[0])); err != nil {
		return 0, misused(cmd, "%v", err)
	}
	if time.Duration(d) < time.Second {
		return 0, misused(cmd, "a pause of %s is too short; expected one second or more", args[0])
	}
	return int64(time.Duration(d).Round(time.Second) / time.Second), nil
}

func newResume(c *cli) *cobra.Command {
	return offerJSON(c, &cobra.Command{
		Use:     "resume [--json]",
		Short:   "Go on copying after a pause",
		Long:    `Ends a pause. Copying goes on with what is wanted most.`,
		Example: `  copyhold resume`,
		Args:    arguments(0, 0, "no arguments"),
		RunE: func(cmd *cobra.Command, _ []string) error {
			order := func(ctx context.Context, s api.Service) (api.Status, error) { return s.Resume(ctx) }
			return answer(c, cmd, order, renderResumed)
		},
	})
}
