package desktop

import (
	"bufio"
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/godbus/dbus/v5"
	"go.uber.org/goleak"
)

// serveVar, when set, makes this test binary a notification server that a bus has started. It ends with its bus.
const serveVar = "COPYHOLD_TEST_SERVE"

func TestMain(m *testing.M) {
	if os.Getenv(serveVar) != "" {
		f, err := serve(os.Getenv("DBUS_STARTER_ADDRESS"), 100)
		if err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		<-f.conn.Context().Done()
		os.Exit(0)
	}
	goleak.VerifyTestMain(m)
}

// program returns the path of an installed program, or skips the test; with COPYHOLD_LAB=require it fails it.
func program(t *testing.T, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil && os.Getenv("COPYHOLD_LAB") == "require" {
		t.Fatal(err)
	}
	if err != nil {
		t.Skip(err)
	}
	return path
}

// start runs cmd until the test ends, however that ends.
func start(t *testing.T, cmd *exec.Cmd) {
	t.Helper()
	cmd.Stderr = t.Output()
	cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { stop(cmd) })
}

// stop kills a process that start started. A second time does nothing.
func stop(cmd *exec.Cmd) {
	if cmd.ProcessState == nil {
		cmd.Process.Kill()
		cmd.Wait()
	}
}

// bus is a session bus of a test's own. It starts no program but those it is told of: the machine's own notification
// servers must not answer in place of the test's.
type bus struct {
	dir  string // holds the socket and the configuration
	addr string
	cmd  *exec.Cmd
}

const busConfig = `<busconfig>
	<type>session</type>
	<listen>unix:path=%[1]s/bus</listen>
	<auth>EXTERNAL</auth>
	<servicedir>%[1]s/services</servicedir>
	<policy context="default">
		<allow send_destination="*" eavesdrop="true"/>
		<allow eavesdrop="true"/>
		<allow own="*"/>
	</policy>
</busconfig>`

// newBus starts a bus and makes it the session bus of this process.
func newBus(t *testing.T) *bus {
	t.Helper()
	program(t, "dbus-daemon")
	dir, err := os.MkdirTemp("", "bus") // t.TempDir may be too long for a socket
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	if err := os.Mkdir(filepath.Join(dir, "services"), 0o755); err != nil {
		t.Fatal(err)
	}
	b := &bus{dir: dir, addr: "unix:path=" + dir + "/bus"}
	b.write(t, "session.conf", fmt.Sprintf(busConfig, dir))
	b.start(t)
	t.Setenv("DBUS_SESSION_BUS_ADDRESS", b.addr)
	return b
}

func (b *bus) write(t *testing.T, name, content string) {
	t.Helper()
	if err := os.WriteFile(filepath.Join(b.dir, name), []byte(content), 0o644); err != nil {
		t.Fatal(err)
	}
}

// start starts the bus, for the first time or again at the same address, and returns when it listens.
func (b *bus) start(t *testing.T) {
	t.Helper()
	b.cmd = exec.Command(program(t, "dbus-daemon"), "--config-file="+b.dir+"/session.conf", "--nofork", "--print-address")
	out, err := b.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	start(t, b.cmd)
	if _, err := bufio.NewReader(out).ReadString('\n'); err != nil {
		t.Fatalf("the bus did not start: %v", err)
	}
}

func (b *bus) stop() { stop(b.cmd) }

// said is one call of Notify, as it arrived.
type said struct {
	App           string
	Replaces      uint32
	Icon          string
	Summary, Body string
	Actions       []string
	Hints         map[string]dbus.Variant
	Expire        int32
}

// fakeServer is a notification server that remembers what it was told.
type fakeServer struct {
	conn *dbus.Conn

	mu     sync.Mutex // held by a test, it makes the server hang
	can    []string
	lastID uint32
	past   seen
	hang   chan struct{} // when not nil, Notify waits for its closing
}

// serve makes a server at that address. Its first notification gets the id after lastID.
func serve(addr string, lastID uint32, can ...string) (*fakeServer, error) {
	conn, err := dbus.Connect(addr)
	if err != nil {
		return nil, err
	}
	f := &fakeServer{conn: conn, can: can, lastID: lastID}
	if err := conn.Export(f, serverPath, serverName); err != nil {
		return nil, err
	}
	_, err = conn.RequestName(serverName, dbus.NameFlagDoNotQueue)
	return f, err
}

func newServer(t *testing.T, b *bus, lastID uint32, can ...string) *fakeServer {
	t.Helper()
	f, err := serve(b.addr, lastID, can...)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(f.leave)
	return f
}

// leave closes the connection and returns when the bus has noticed.
func (f *fakeServer) leave() {
	f.conn.Close()
	watcher, err := dbus.ConnectSessionBus()
	if err != nil {
		return // the bus is gone too
	}
	defer watcher.Close()
	for owned := true; owned && err == nil; {
		err = watcher.BusObject().Call("org.freedesktop.DBus.NameHasOwner", 0, f.conn.Names()[0]).Store(&owned)
	}
}

func (f *fakeServer) GetCapabilities() ([]string, *dbus.Error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.past.asked++
	return f.can, nil
}

func (f *fakeServer) Notify(raw dbus.Message, app string, replaces uint32, icon, summary, body string,
	actions []string, hints map[string]dbus.Variant, expire int32) (uint32, *dbus.Error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.past.signatures = append(f.past.signatures, raw.Headers[dbus.FieldSignature].Value().(dbus.Signature))
	f.past.said = append(f.past.said, said{app, replaces, icon, summary, body, actions, hints, expire})
	if f.hang != nil {
		<-f.hang
	}
	if replaces != 0 {
		return replaces, nil
	}
	f.lastID++
	f.past.shown = append(f.past.shown, f.lastID)
	return f.lastID, nil
}

// CloseNotification answers for an id that is not shown as the specification wants: with an error.
func (f *fakeServer) CloseNotification(id uint32) *dbus.Error {
	f.mu.Lock()
	defer f.mu.Unlock()
	i := slices.Index(f.past.shown, id)
	if i < 0 {
		return dbus.NewError(serverName+".Error", nil)
	}
	f.past.shown = slices.Delete(f.past.shown, i, i+1)
	return nil
}

// last returns the last message and how many there were.
func (f *fakeServer) last(t *testing.T) (said, int) {
	t.Helper()
	seen := f.seen()
	if len(seen.said) == 0 {
		t.Fatal("nothing was said")
	}
	return seen.said[len(seen.said)-1], len(seen.said)
}

// seen is what a fakeServer remembers.
type seen struct {
	asked      int // calls of GetCapabilities
	said       []said
	signatures []dbus.Signature // of the calls of Notify
	shown      []uint32         // ids on the screen
}

func (f *fakeServer) seen() seen {
	f.mu.Lock()
	defer f.mu.Unlock()
	return seen{f.past.asked, slices.Clone(f.past.said), slices.Clone(f.past.signatures), slices.Clone(f.past.shown)}
}

// mustSay says m and fails the test if that fails.
func mustSay(t *testing.T, s *Speaker, m Message) {
	t.Helper()
	if err := s.Say(t.Context(), m); err != nil {
		t.Fatal(err)
	}
}

// eventually waits for a program that is not ours and tells nobody when it is ready.
func eventually(t *testing.T, what string, holds func() bool) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	for !holds() {
		select {
		case <-ctx.Done():
			t.Fatalf("still not: %s", what)
		case <-time.After(20 * time.Millisecond):
		}
	}
}

// without returns the environment without these variables.
func without(names ...string) []string {
	return slices.DeleteFunc(os.Environ(), func(v string) bool {
		name, _, _ := strings.Cut(v, "=")
		return slices.Contains(names, name)
	})
}
