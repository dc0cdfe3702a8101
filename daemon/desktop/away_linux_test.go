package desktop

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/godbus/dbus/v5"
	"go.uber.org/goleak"
)

// The tests of this file take the bus or the server away.

func TestNoBus(t *testing.T) {
	if _, err := os.Stat(fmt.Sprintf("/run/user/%d/bus", os.Getuid())); err == nil {
		t.Skip("this user has a session bus that is found without the environment")
	}
	// A dbus-launch that leaves a trace, in place of a real one.
	dir := t.TempDir()
	trace := filepath.Join(dir, "launched")
	script := "#!/bin/sh\ntouch '" + trace + "'\nexit 1\n"
	if err := os.WriteFile(filepath.Join(dir, "dbus-launch"), []byte(script), 0o755); err != nil {
		t.Fatal(err)
	}
	t.Setenv("PATH", dir+":"+os.Getenv("PATH"))
	if exec.Command("dbus-launch").Run(); os.Remove(trace) != nil {
		t.Fatal("the trap does not work")
	}

	for _, addr := range []string{"", "autolaunch:", "autolaunch:scope=user", "nonsense", "unix:path=" + dir + "/gone"} {
		t.Setenv("DBUS_SESSION_BUS_ADDRESS", addr)
		s := newSpeaker(t)
		err := s.Say(t.Context(), oneCopy)
		if !errors.Is(err, ErrNoDesktop) || errors.Is(err, ErrNoServer) {
			t.Errorf("%q: %v", addr, err)
		}
		if err := s.Withdraw(t.Context(), oneCopy.Key); err != nil {
			t.Errorf("%q: withdraw: %v", addr, err)
		}
		if _, err := os.Stat(trace); err == nil {
			t.Fatalf("%q: started dbus-launch", addr)
		}
		t.Logf("%q: %v", addr, err)
	}
}

func TestBusAppears(t *testing.T) {
	b := newBus(t)
	b.stop()
	s := newSpeaker(t)
	if err := s.Say(t.Context(), oneCopy); !errors.Is(err, ErrNoDesktop) {
		t.Fatalf("stale address: %v", err)
	}
	b.start(t)
	f := newServer(t, b, 0)
	mustSay(t, s, oneCopy)
	f.last(t)
}

func TestNoServer(t *testing.T) {
	b := newBus(t)
	s := newSpeaker(t)
	for range 2 {
		err := s.Say(t.Context(), oneCopy)
		if !errors.Is(err, ErrNoServer) || errors.Is(err, ErrNoDesktop) {
			t.Fatalf("%v", err)
		}
		t.Log(err)
	}
	f := newServer(t, b, 0)
	mustSay(t, s, oneCopy)
	f.last(t)
}

// TestServerStartedByBus: several desktops start their server with the first message only.
func TestServerStartedByBus(t *testing.T) {
	for _, c := range []struct {
		name, exec string
		want       error
	}{
		{"works", fmt.Sprintf("/usr/bin/env %s=yes %s", serveVar, os.Args[0]), nil},
		{"fails", "/bin/false", ErrNoServer},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := newBus(t)
			b.write(t, "services/fake.service", "[D-BUS Service]\nName="+serverName+"\nExec="+c.exec+"\n")
			b.stop()
			b.start(t) // reads the service file
			s := newSpeaker(t)
			if err := s.Say(t.Context(), oneCopy); !errors.Is(err, c.want) {
				t.Fatalf("%v, want %v", err, c.want)
			}
			if got, want := s.voice.ids[oneCopy.Key] == 101, c.want == nil; got != want {
				t.Errorf("ids %v", s.voice.ids)
			}
		})
	}
}

func TestServerRestarts(t *testing.T) {
	b := newBus(t)
	old := newServer(t, b, 6, "body-markup")
	s := newSpeaker(t)
	a1 := Message{Key: "red", Summary: "red", Body: "A&B"}
	mustSay(t, s, a1)
	old.leave()
	if err := s.Withdraw(t.Context(), "red"); err != nil {
		t.Errorf("withdraw from a gone server: %v", err)
	}
	if err := s.Say(t.Context(), a1); !errors.Is(err, ErrNoServer) {
		t.Errorf("between servers: %v", err)
	}

	next := newServer(t, b, 6, "body") // hands out the same ids
	mustSay(t, s, a1)
	if got, _ := next.last(t); got.Replaces != 0 || got.Body != "A&B" {
		t.Errorf("the new server was told %+v", got)
	}
	mustSay(t, s, a1)
	if got, _ := next.last(t); got.Replaces != 7 {
		t.Errorf("second message replaces %d", got.Replaces)
	}
	if old.seen().asked != 1 || next.seen().asked != 1 {
		t.Errorf("asked %d and %d times for capabilities", old.seen().asked, next.seen().asked)
	}
}

// TestServerReplaced: another server takes the name without a pause, and the old one stays connected.
func TestServerReplaced(t *testing.T) {
	b := newBus(t)
	old := newServer(t, b, 6)
	s := newSpeaker(t)
	mustSay(t, s, oneCopy)
	if _, err := old.conn.ReleaseName(serverName); err != nil {
		t.Fatal(err)
	}
	next := newServer(t, b, 6)
	mustSay(t, s, oneCopy)
	if got, _ := next.last(t); got.Replaces != 0 {
		t.Errorf("replaces %d of another server", got.Replaces)
	}
	if _, n := old.last(t); n != 1 {
		t.Errorf("the old server was told %d messages", n)
	}
}

// TestServerDiesWhileSpeaking: it takes the message and leaves without an answer. The next one gets the message.
func TestServerDiesWhileSpeaking(t *testing.T) {
	b := newBus(t)
	first := newServer(t, b, 0)
	first.hang = make(chan struct{})
	s := newSpeaker(t)
	result := make(chan error)
	go func() { result <- s.Say(t.Context(), oneCopy) }()
	eventually(t, "the first server has the message", func() bool {
		// Notify holds the lock while it hangs.
		locked := first.mu.TryLock()
		if locked {
			first.mu.Unlock()
		}
		return !locked
	})
	b.write(t, "services/fake.service",
		fmt.Sprintf("[D-BUS Service]\nName=%s\nExec=/usr/bin/env %s=yes %s\n", serverName, serveVar, os.Args[0]))
	reload(t)
	first.leave()
	if err := <-result; err != nil {
		t.Error(err)
	}
	if s.voice.ids[oneCopy.Key] != 101 {
		t.Errorf("ids %v", s.voice.ids)
	}
	close(first.hang)
}

func reload(t *testing.T) {
	t.Helper()
	conn, err := dbus.ConnectSessionBus()
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	if err := conn.BusObject().Call("org.freedesktop.DBus.ReloadConfig", 0).Err; err != nil {
		t.Fatal(err)
	}
}

func TestBusKilled(t *testing.T) {
	for _, c := range []struct {
		name string
		gap  func(*testing.T, *Speaker) // between the death of one bus and the birth of the next
	}{
		{"unnoticed", func(*testing.T, *Speaker) {}},
		{"noticed", func(t *testing.T, s *Speaker) {
			if err := s.Say(t.Context(), oneCopy); !errors.Is(err, ErrNoDesktop) {
				t.Errorf("without a bus: %v", err)
			}
		}},
		{"withdrawn", func(t *testing.T, s *Speaker) {
			if err := s.Withdraw(t.Context(), oneCopy.Key); err != nil {
				t.Errorf("withdraw without a bus: %v", err)
			}
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := newBus(t)
			newServer(t, b, 6)
			s := newSpeaker(t)
			mustSay(t, s, oneCopy)
			b.stop()
			c.gap(t, s)
			b.start(t)
			next := newServer(t, b, 6) // the same unique name as before, and the same ids
			mustSay(t, s, oneCopy)
			if got, n := next.last(t); n != 1 || got.Replaces != 0 {
				t.Errorf("message %d on the new bus replaces %d", n, got.Replaces)
			}
		})
	}
}

// TestBusHangs stops the process of the bus, so that it is alive and silent.
func TestBusHangs(t *testing.T) {
	b := newBus(t)
	f := newServer(t, b, 0)
	s := newSpeaker(t)
	mustSay(t, s, oneCopy)
	b.cmd.Process.Signal(syscall.SIGSTOP)
	for range 3 {
		ctx, cancel := context.WithTimeout(t.Context(), 200*time.Millisecond)
		began := time.Now()
		if err := s.Say(ctx, oneCopy); !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("%v", err)
		}
		if took := time.Since(began); took > 3*time.Second {
			t.Errorf("took %v", took)
		}
		cancel()
	}
	if s.voice.conn != nil {
		t.Error("keeps a connection to a bus that hangs")
	}
	b.cmd.Process.Signal(syscall.SIGCONT)
	mustSay(t, s, oneCopy)
	f.last(t)
}

// TestServerHangs: the server takes a message and is silent, then recovers. Its ids stay known.
func TestServerHangs(t *testing.T) {
	b := newBus(t)
	f := newServer(t, b, 6)
	s := newSpeaker(t)
	mustSay(t, s, oneCopy)
	f.mu.Lock()
	ctx, cancel := context.WithTimeout(t.Context(), 200*time.Millisecond)
	defer cancel()
	if err := s.Say(ctx, oneCopy); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("%v", err)
	}
	if err := s.Withdraw(ctx, oneCopy.Key); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("withdraw: %v", err)
	}
	f.mu.Unlock()
	mustSay(t, s, oneCopy)
	if got, _ := f.last(t); got.Replaces != 7 {
		t.Errorf("replaces %d", got.Replaces)
	}
}

// TestSilentBus: whatever listens at the address says nothing at all, or closes at once.
func TestSilentBus(t *testing.T) {
	for _, c := range []struct {
		name  string
		greet func(net.Conn)
	}{
		{"silent", func(net.Conn) {}},
		{"closes", func(c net.Conn) { c.Close() }},
		{"babbles", func(c net.Conn) { c.Write([]byte("HTTP/1.1 400\r\n")) }},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := t.TempDir()
			l, err := net.Listen("unix", dir+"/bus")
			if err != nil {
				t.Skip(err)
			}
			var conns []net.Conn
			var accepting sync.WaitGroup
			accepting.Go(func() {
				for conn, err := l.Accept(); err == nil; conn, err = l.Accept() {
					conns = append(conns, conn)
					c.greet(conn)
				}
			})
			t.Setenv("DBUS_SESSION_BUS_ADDRESS", "unix:path="+dir+"/bus")
			ctx, cancel := context.WithTimeout(t.Context(), 200*time.Millisecond)
			defer cancel()
			err = newSpeaker(t).Say(ctx, oneCopy)
			if err == nil || errors.Is(err, ErrNoDesktop) {
				t.Errorf("%v", err)
			}
			if c.name == "silent" && !errors.Is(err, context.DeadlineExceeded) {
				t.Errorf("%v", err)
			}
			t.Log(err)
			l.Close()
			accepting.Wait()
			for _, conn := range conns {
				conn.Close()
			}
		})
	}
}

// TestCloseEndsEverything closes while a call hangs and others wait.
func TestCloseEndsEverything(t *testing.T) {
	b := newBus(t)
	f := newServer(t, b, 0)
	before := goleak.IgnoreCurrent()
	s := newSpeaker(t)
	mustSay(t, s, oneCopy)
	f.mu.Lock()
	results := make(chan error)
	for range 5 {
		go func() { results <- s.Say(context.Background(), oneCopy) }()
	}
	eventually(t, "one of them has the turn", func() bool { return len(s.turn) == 1 })
	s.Close()
	for range 5 {
		if err := <-results; !errors.Is(err, ErrClosed) {
			t.Errorf("%v", err)
		}
	}
	f.mu.Unlock()
	goleak.VerifyNone(t, before)
}

func TestManyAtOnce(t *testing.T) {
	b := newBus(t)
	f := newServer(t, b, 0)
	s := newSpeaker(t)
	var all sync.WaitGroup
	for i := range 40 {
		all.Go(func() {
			m := Message{Key: fmt.Sprint("shoot ", i%4), Summary: "copied"}
			if err := s.Say(context.Background(), m); err != nil {
				t.Error(err)
			}
			if i%10 == 9 {
				s.Withdraw(context.Background(), m.Key)
			}
		})
	}
	all.Wait()
	var fresh []uint32
	for _, m := range f.seen().said {
		fresh = append(fresh, m.Replaces)
	}
	if len(fresh) != 40 || !slices.Contains(fresh, 1) || f.seen().asked != 1 {
		t.Errorf("%d messages, %d questions: %v", len(fresh), f.seen().asked, fresh)
	}
}
