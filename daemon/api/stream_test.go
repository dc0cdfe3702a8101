package api

import (
	"context"
	"io"
	"net"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.uber.org/goleak"
)

func version(v string) Status { return Status{Daemon: Daemon{Version: v}} }

func TestLive(t *testing.T) {
	defer goleak.VerifyNone(t, goleak.IgnoreCurrent())
	dir, h := stateDir(t), newHub()
	d := serve(t, dir, fake{}, h.live)
	full, _ := fake{}.Status(t.Context())
	want := []Status{full, version("a"), version("b")}
	go func() {
		h.changes <- version("a")
		h.changes <- version("b")
	}()
	var got []Status
	for state, err := range dial(t, dir).Live(t.Context()) {
		if err != nil {
			t.Fatal(err)
		}
		if got = append(got, state); len(got) == len(want) {
			break
		}
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("stream (-want +got):\n%s", diff)
	}
	<-h.left // breaking off the loop ended the handler
	d.stop()
}

func TestCallerEndsStream(t *testing.T) {
	dir, h := stateDir(t), newHub()
	serve(t, dir, fake{}, h.live)
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	states := 0
	for _, err := range dial(t, dir).Live(ctx) {
		if err != nil {
			t.Errorf("yielded %v after the caller's own end", err)
		}
		states++
		cancel()
	}
	if <-h.left; states != 1 {
		t.Errorf("%d states", states)
	}
}

func TestDaemonEndsStream(t *testing.T) {
	for name, end := range map[string]func(h hub, d daemon){
		"stopped":    func(_ hub, d daemon) { d.stop() },
		"no changes": func(h hub, _ daemon) { close(h.changes) },
	} {
		t.Run(name, func(t *testing.T) {
			dir, h := stateDir(t), newHub()
			d := serve(t, dir, fake{}, h.live)
			var errs []error
			for _, err := range dial(t, dir).Live(t.Context()) {
				if errs = append(errs, err); err == nil {
					end(h, d)
				}
			}
			if <-h.left; len(errs) != 2 || errs[0] != nil || errs[1] == nil {
				t.Errorf("yielded %v, want a state and an error", errs)
			}
		})
	}
}

// TestStopDoesNotWaitForStreams: they have no end of their own.
func TestStopDoesNotWaitForStreams(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p, h := newPipes(), newHub()
		stop := start(t, p, fake{}, h.live)
		stopped := make(chan bool)
		go func() {
			defer close(stopped)
			time.Sleep(time.Hour)
			stop()
		}()
		began := time.Now()
		for range newClient(p.dial).Live(t.Context()) {
		}
		if took := time.Since(began) - time.Hour; took >= finishWithin {
			t.Errorf("the stream ended after %v", took)
		}
		<-h.left
		<-stopped
	})
}

// TestStreamOutlivesEveryTimeout: nothing changes for a day.
func TestStreamOutlivesEveryTimeout(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p, h := newPipes(), newHub()
		stop := start(t, p, fake{}, h.live)
		go func() {
			time.Sleep(24 * time.Hour)
			h.changes <- version("next day")
		}()
		states := 0
		for _, err := range newClient(p.dial).Live(t.Context()) {
			if err != nil {
				t.Fatal(err)
			}
			if states++; states == 2 {
				break
			}
		}
		<-h.left
		stop()
	})
}

// TestClientThatDoesNotRead: it is cut off, and holds up neither the handler nor a stop for good.
func TestClientThatDoesNotRead(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p, h := newPipes(), newHub()
		stop := start(t, p, fake{}, h.live)
		conn, _ := p.dial(t.Context())
		defer conn.Close()
		began := time.Now()
		io.WriteString(conn, "GET /v1/live HTTP/1.1\r\nHost: copyhold\r\n\r\n")
		<-h.left
		if took := time.Since(began); took != streamTimeout {
			t.Errorf("cut off after %v", took)
		}
		stop()
	})
}

// start serves on p until the returned function is called.
func start(t *testing.T, p net.Listener, s Service, live func() (<-chan Status, func())) (stop func()) {
	sv := &server{service: s, live: live, log: quiet(t)}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- sv.serve(ctx, p) }()
	return func() {
		cancel()
		if err := <-ended; err != nil {
			t.Errorf("serve: %v", err)
		}
	}
}
