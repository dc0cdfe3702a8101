//go:build !linux

package drives

import (
	"context"
	"time"
)

// arrivals prepares for waiting until poll has passed.
func arrivals(ctx context.Context, poll time.Duration) (wait func() bool, done func()) {
	return ticks(ctx, poll)
}
