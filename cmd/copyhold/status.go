package main

import (
	"context"

	"github.com/spf13/cobra"

	"copyhold/daemon/api"
)

func newStatus(c *cli) *cobra.Command {
	return offerJSON(c, &cobra.Command{
		Use:   "status [--json]",
		Short: "How things stand: notices, working folders, drives, shoots",
		Long: `Shows in one page how safe the shoots are, worst first: what needs your
attention, what each drive does and still wants, whether it can be unplugged, and
which drive holds how many files of which shoot.

"copies" counts separate devices, the working drive's included. The standing is
one of: one copy, short (fewer copies than the policy asks for), unproven (enough,
but some verified too long ago), covered.`,
		Example: `  copyhold status
  copyhold status --json`,
		Args: arguments(0, 0, "no arguments"),
		RunE: func(cmd *cobra.Command, _ []string) error { return c.status(cmd.Context()) },
	})
}

// status asks twice for a person: the table of shoots by drives has counts that
// the contract of the status does not hold.
func (c *cli) status(ctx context.Context) error {
	return c.connected(func(s api.Service, running bool) error {
		st, err := s.Status(ctx)
		if err != nil {
			return err
		}
		if c.json {
			if !running {
				c.sayOffline(ctx, s)
			}
			return writeJSON(c.out, st)
		}
		shoots, err := s.Shoots(ctx, "")
		if err != nil {
			return err
		}
		return c.print(func(p *page) { renderStatus(p, st, shoots.Shoots) })
	})
}
