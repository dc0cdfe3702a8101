package main

import (
	"context"

	"github.com/spf13/cobra"

	"copyhold/daemon/api"
)

func newShoot(c *cli) *cobra.Command {
	return offerJSON(c, &cobra.Command{
		Use:   "shoot NAME [--json]",
		Short: "One shoot in full, by drive and by folder",
		Long: `Shows what each drive holds of one shoot and when that was verified, folder by
folder; what is let go, skipped or could not be read or stored, and why; and what
the next better standing needs.`,
		Example:           `  copyhold shoot "2026-03-02 Tern Island"`,
		Args:              arguments(1, 1, "the name of one shoot"),
		ValidArgsFunction: c.complete(1, shootNames),
		RunE: func(cmd *cobra.Command, args []string) error {
			ask := func(ctx context.Context, s api.Service) (api.ShootDetail, error) { return s.Shoot(ctx, args[0]) }
			return answer(c, cmd, ask, renderShoot)
		},
	})
}
