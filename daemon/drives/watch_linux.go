package drives

import (
	"context"
	"errors"
	"time"

	"golang.org/x/sys/unix"
)

// arrivals prepares for waiting until the list of mounts changed or poll has passed. The kernel marks the open list
// with POLLPRI and forgets the mark as it is polled, so the list need not be read (proc_pid_mountinfo(5)).
// Where the list cannot be watched, time alone has to do.
func arrivals(ctx context.Context, poll time.Duration) (wait func() bool, done func()) {
	list, err := unix.Open("/proc/self/mountinfo", unix.O_RDONLY|unix.O_CLOEXEC, 0)
	if err != nil {
		return ticks(ctx, poll)
	}
	stop, err := unix.Eventfd(0, unix.EFD_CLOEXEC|unix.EFD_NONBLOCK)
	if err != nil {
		unix.Close(list)
		return ticks(ctx, poll)
	}
	told := make(chan struct{})
	release := context.AfterFunc(ctx, func() {
		defer close(told)
		unix.Write(stop, []byte{1, 0, 0, 0, 0, 0, 0, 0}) // an eventfd takes this always
	})
	wait = func() bool { return changed(ctx, list, stop, poll) }
	done = func() {
		if !release() {
			<-told // or it would write to whatever gets the number next
		}
		unix.Close(list)
		unix.Close(stop)
	}
	return wait, done
}

// changed blocks until the list changed or poll has passed (true) or ctx has ended (false).
func changed(ctx context.Context, list, stop int, poll time.Duration) bool {
	end := time.Now().Add(poll)
	for ctx.Err() == nil {
		wait := -1
		if poll > 0 {
			wait = int(max(time.Until(end).Milliseconds(), 0))
		}
		fds := []unix.PollFd{{Fd: int32(list), Events: unix.POLLPRI}, {Fd: int32(stop), Events: unix.POLLIN}}
		n, err := unix.Poll(fds, wait)
		switch {
		case errors.Is(err, unix.EINTR): // the runtime's own signals
		case err != nil: // no memory: go on by time
			select {
			case <-ctx.Done():
			case <-time.After(time.Second):
			}
			return ctx.Err() == nil
		case n == 0 || fds[0].Revents != 0:
			return ctx.Err() == nil
		}
	}
	return false
}
