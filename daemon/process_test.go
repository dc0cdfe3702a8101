package daemon

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/exec"
	"os/signal"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"copyhold/config"
	"copyhold/daemon/api"
)

// The daemon in a process of its own, for what can only be done to a process:
// killing it, measuring it, running it as somebody else. The process is this
// test binary again; these variables say what it shall be.
const (
	daemonVar = "COPYHOLD_TEST_DAEMON" // a daemon: the value is its errand
	askVar    = "COPYHOLD_TEST_ASK"    // a client: it prints the status of the state folder named
)

// errand is what a daemon of its own is started with.
type errand struct {
	Config   config.Config
	StateDir string
	Poll     time.Duration
}

func TestMain(m *testing.M) {
	switch {
	case os.Getenv(daemonVar) != "":
		os.Exit(beDaemon(os.Getenv(daemonVar)))
	case os.Getenv(askVar) != "":
		os.Exit(beClient(os.Getenv(askVar)))
	}
	goleak.VerifyTestMain(m)
}

func beDaemon(text string) int {
	var e errand
	if err := json.Unmarshal([]byte(text), &e); err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 2
	}
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	err := Run(ctx, Options{
		Config: e.Config, StateDir: e.StateDir, Version: "test", Poll: e.Poll,
		Log:   slog.New(slog.NewTextHandler(os.Stderr, nil)),
		Ready: func() { fmt.Println("ready") },
	})
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	return 0
}

func beClient(dir string) int {
	client, err := api.Dial(dir)
	var s api.Status
	if err == nil {
		s, err = client.Status(context.Background())
	}
	if err == nil {
		err = json.NewEncoder(os.Stdout).Encode(s)
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	return 0
}

// process is a daemon in a process of its own.
type process struct {
	cmd   *exec.Cmd
	log   *tail
	ready chan struct{} // closed when it answers, or has ended
}

// spawn starts a daemon in a process of its own and does not wait for it.
func (b *bench) spawn(poll time.Duration, adjust ...func(*exec.Cmd)) *process {
	b.t.Helper()
	text, err := json.Marshal(errand{Config: b.cfg, StateDir: b.state, Poll: poll})
	if err != nil {
		b.t.Fatal(err)
	}
	p := &process{cmd: exec.Command(os.Args[0]), log: &tail{}, ready: make(chan struct{})}
	p.cmd.Env = append(os.Environ(), daemonVar+"="+string(text))
	p.cmd.Stdout, p.cmd.Stderr = &readiness{p: p}, p.log
	for _, a := range adjust {
		a(p.cmd)
	}
	if err := p.cmd.Start(); err != nil {
		b.t.Fatal(err)
	}
	b.t.Cleanup(func() {
		p.kill()
		if b.t.Failed() {
			b.t.Logf("the last of the daemon's log:\n%s", p.log)
		}
	})
	return p
}

// dial waits until the process answers.
func (b *bench) dial(p *process) {
	b.t.Helper()
	select {
	case <-p.ready:
	case <-time.After(30 * time.Second):
		b.t.Fatalf("the daemon does not get ready:\n%s", p.log)
	}
	client, err := api.Dial(b.state)
	if err != nil {
		b.t.Fatalf("%v\n%s", err, p.log)
	}
	b.client = client
}

// kill is kill -9. A second time does nothing.
func (p *process) kill() {
	if p.cmd.ProcessState == nil {
		_ = p.cmd.Process.Kill()
		_ = p.cmd.Wait() // it tells of the kill
	}
}

// readiness waits for the line that says so.
type readiness struct {
	p    *process
	once sync.Once
}

func (r *readiness) Write(b []byte) (int, error) {
	if bytes.Contains(b, []byte("ready")) {
		r.once.Do(func() { close(r.p.ready) })
	}
	return len(b), nil
}

// tail keeps the end of what was written to it.
type tail struct {
	mu   sync.Mutex
	text []byte
}

var _ io.Writer = (*tail)(nil)

func (t *tail) Write(p []byte) (int, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.text = append(t.text, p...)
	t.text = t.text[max(0, len(t.text)-16_000):]
	return len(p), nil
}

func (t *tail) String() string {
	t.mu.Lock()
	defer t.mu.Unlock()
	return strings.TrimSpace(string(t.text))
}
