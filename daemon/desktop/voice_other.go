//go:build !linux

package desktop

import (
	"context"
	"log/slog"
)

// voice has no way to speak on this system yet.
type voice struct{ log *slog.Logger }

func (*voice) say(context.Context, Message) error { return ErrNoDesktop }

func (*voice) withdraw(context.Context, string) error { return nil }

func (*voice) hangUp() {}
