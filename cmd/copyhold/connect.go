package main

import (
	"context"
	"errors"
	"log/slog"

	"github.com/spf13/cobra"

	"copyhold/config"
	"copyhold/daemon"
	"copyhold/daemon/api"
)

func openLedger(opt daemon.Options) (ledger, error) { return daemon.OpenOffline(opt) }

// connected calls do with whoever answers: the daemon or, without one, the
// ledger. Only the ledger needs the configuration, which holds the policy.
func (c *cli) connected(do func(s api.Service, running bool) error) error {
	places, err := c.places()
	if err != nil {
		return err
	}
	s, err := c.dial(places.StateDir)
	switch {
	case err == nil:
		return do(s, true)
	case !errors.Is(err, api.ErrNotRunning):
		return err
	}
	cfg, err := config.Load(places.ConfigFile)
	if err != nil {
		return err
	}
	l, err := c.offline(daemon.Options{
		Config: cfg, StateDir: places.StateDir, Version: version(), Log: slog.New(slog.DiscardHandler),
	})
	if err != nil {
		return err
	}
	defer l.Close()
	return do(l, false)
}

// answer puts one question and writes what comes, as JSON or as render does.
func answer[A any](c *cli, cmd *cobra.Command, ask func(context.Context, api.Service) (A, error), render func(*page, A)) error {
	return c.connected(func(s api.Service, running bool) error {
		a, err := ask(cmd.Context(), s)
		if err != nil {
			return err
		}
		if !running {
			c.sayOffline(cmd.Context(), s)
		}
		return show(c, a, func(p *page, a A) { p.offline = !running; render(p, a) })
	})
}

// show writes an answer that is there.
func show[A any](c *cli, a A, render func(*page, A)) error {
	if c.json {
		return writeJSON(c.out, a)
	}
	return c.print(func(p *page) { render(p, a) })
}

// sayOffline says beside an answer that it comes from the ledger.
func (c *cli) sayOffline(ctx context.Context, s api.Service) {
	text := "Copyhold is not running"
	if st, err := s.Status(ctx); err == nil {
		text = offlineSentence(st, c.now())
	}
	c.say("note", text)
	c.say("hint", "start it: copyhold run")
}
