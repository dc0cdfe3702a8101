package daemon

import (
	"context"
	"log/slog"
	"time"

	"copyhold/config"
	"copyhold/daemon/desktop"
)

// Options is what a daemon is started with.
type Options struct {
	Config   config.Config
	StateDir string
	Version  string
	Log      *slog.Logger
	Speaker  Speaker       // nil: notices are logged and shown, not spoken
	Poll     time.Duration // how often plain folders are asked whether they are there; 0 = 1 s
	Ready    func()        // called once the daemon answers questions; may be nil
}

// Speaker says notices aloud on the desktop.
type Speaker interface {
	Say(ctx context.Context, m desktop.Message) error
	Withdraw(ctx context.Context, key string) error
}
