package daemon

import (
	"bufio"
	"encoding/json"
	"fmt"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"copyhold/config"
	"copyhold/daemon/desktop"
	"copyhold/replicate/volume/volumetest/lab"
)

// program returns the path of an installed program, or skips the test; with
// COPYHOLD_LAB=require it fails it.
func program(t *testing.T, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil && os.Getenv(lab.Require) == "require" {
		t.Fatal(err)
	}
	if err != nil {
		t.Skip(err)
	}
	return path
}

// beside runs a program until the test ends.
func beside(t *testing.T, cmd *exec.Cmd) {
	t.Helper()
	cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait() // it tells of the kill
	})
}

const busConfig = `<busconfig>
	<type>session</type>
	<listen>unix:path=%[1]s/bus</listen>
	<auth>EXTERNAL</auth>
	<policy context="default">
		<allow send_destination="*" eavesdrop="true"/>
		<allow eavesdrop="true"/>
		<allow own="*"/>
	</policy>
</busconfig>`

// newDesktop starts a bus, a screen that nobody sees and a notification server
// that writes the urgency into what it displays. It returns how to ask for
// what was displayed.
func newDesktop(t *testing.T) (displayed func() []string) {
	t.Helper()
	screen, dunst, control := program(t, "Xvfb"), program(t, "dunst"), program(t, "dunstctl")
	program(t, "dbus-send")             // dunstctl needs it
	dir, err := os.MkdirTemp("", "bus") // t.TempDir may be too long for a socket
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	write := func(name, content string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(content), 0o644); err != nil {
			t.Fatal(err)
		}
		return path
	}
	bus := exec.Command(program(t, "dbus-daemon"), "--config-file="+write("session.conf", fmt.Sprintf(busConfig, dir)), "--nofork", "--print-address")
	firstLine(t, bus, func(f *os.File) { bus.Stdout = f })
	t.Setenv("DBUS_SESSION_BUS_ADDRESS", "unix:path="+dir+"/bus")

	x := exec.Command(screen, "-displayfd", "3", "-screen", "0", "800x600x24", "-nolisten", "tcp")
	display := ":" + firstLine(t, x, func(f *os.File) { x.ExtraFiles = []*os.File{f} })
	server := exec.Command(dunst, "-conf", write("dunstrc", "[urgency_low]\nformat = \"0 %s\\n%b\"\n[urgency_normal]\nformat = \"1 %s\\n%b\"\n[urgency_critical]\nformat = \"2 %s\\n%b\"\n"))
	server.Env = append(slices.DeleteFunc(os.Environ(), func(v string) bool { return strings.HasPrefix(v, "WAYLAND_DISPLAY=") }), "DISPLAY="+display, "HOME="+dir)
	beside(t, server)
	return func() (all []string) {
		_ = exec.Command(control, "close-all").Run() // what is shown goes into the history
		out, err := exec.Command(control, "history").Output()
		var history struct {
			Data [][]struct{ Message struct{ Data string } }
		}
		if err != nil || json.Unmarshal(out, &history) != nil {
			return nil // it is not up yet
		}
		for _, group := range history.Data {
			for _, n := range group {
				all = append(all, n.Message.Data)
			}
		}
		return all
	}
}

// firstLine starts a program and waits for the first line it writes to the file
// it is given.
func firstLine(t *testing.T, cmd *exec.Cmd, give func(*os.File)) string {
	t.Helper()
	r, w, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	give(w)
	beside(t, cmd)
	w.Close()
	line, err := bufio.NewReader(r).ReadString('\n')
	if err != nil {
		t.Fatalf("%s: %v", cmd.Path, err)
	}
	return strings.TrimSpace(line)
}

// A shoot that exists only once is said on a real desktop, with urgency 2.
func TestOneCopyIsSaidAloud(t *testing.T) {
	displayed := newDesktop(t)
	l := lab.New(t)
	d := l.Drive(lab.Ext4, 60)
	b := newBench(t)
	b.cfg.Policy.WarnAfter = config.Duration(500 * time.Millisecond)
	speaker := desktop.NewSpeaker(slog.New(slog.DiscardHandler))
	t.Cleanup(speaker.Close)
	b.speaker = speaker
	b.start()
	b.adopt(d.Plug(), "Slate")
	b.write("2026-03-01 Tern Island/TERN0001.JPG", 1000)
	b.until("held", allHeld(1))
	d.Unplug()
	b.write("2026-03-02 Tern Island/TERN0002.JPG", 1000)
	b.told("one-copy", `"2026-03-02 Tern Island"`, "only once", "cards unformatted", `"Slate"`)
	find := func() (found []string) {
		for _, text := range displayed() {
			if strings.Contains(text, "2026-03-02 Tern Island") {
				found = append(found, text)
			}
		}
		return found
	}
	var found []string
	for deadline := time.Now().Add(30 * time.Second); len(found) == 0 && time.Now().Before(deadline); time.Sleep(50 * time.Millisecond) {
		found = find()
	}
	if len(found) != 1 || !strings.HasPrefix(found[0], "2 Only one copy") || !strings.Contains(found[0], "plug in") {
		t.Fatalf("displayed: %q, want one of urgency 2", found)
	}
	t.Logf("displayed: %q", found[0])
	b.end()
	b.start()
	b.told("one-copy")
	time.Sleep(1500 * time.Millisecond)
	if again := find(); len(again) != 1 {
		t.Errorf("said again after a restart: %q", again)
	}
	d.Plug()
	b.until("held on the drive", allHeld(2))
	b.untold("one-copy")
}
