package desktop

import (
	"bufio"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// dunstConfig makes the urgency part of what is displayed.
const dunstConfig = `[global]
markup = full
[urgency_critical]
format = "URGENT %s\n%b"
`

// TestDunst speaks to a real notification server on a screen that nobody sees.
func TestDunst(t *testing.T) {
	xvfb, dunst, ctl := program(t, "Xvfb"), program(t, "dunst"), program(t, "dunstctl")
	program(t, "dbus-send") // dunstctl needs it
	newBus(t)
	screen := newScreen(t, xvfb)

	home := t.TempDir()
	conf := filepath.Join(home, "dunstrc")
	if err := os.WriteFile(conf, []byte(dunstConfig), 0o644); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(dunst, "-conf", conf)
	cmd.Env = append(without("WAYLAND_DISPLAY", "DISPLAY", "HOME"), "DISPLAY="+screen, "HOME="+home)
	start(t, cmd)
	ask := func(args ...string) string {
		out, err := exec.Command(ctl, args...).Output()
		if err != nil {
			return ""
		}
		return strings.TrimSpace(string(out))
	}
	eventually(t, "dunst answers", func() bool { return ask("count", "displayed") == "0" })

	s := newSpeaker(t)
	m := oneCopy
	m.Body = "<b>A001</b> & \xff\x1b.mov\nis on the working drive alone"
	for _, m.Summary = range []string{"212 files exist only once", "12 files exist only once"} {
		mustSay(t, s, m)
		eventually(t, "one notification displayed", func() bool { return ask("count", "displayed") == "1" })
	}
	if !s.voice.markup {
		t.Error("dunst offers body-markup, we did not see it")
	}
	if err := s.Withdraw(t.Context(), m.Key); err != nil {
		t.Error(err)
	}
	eventually(t, "none displayed", func() bool { return ask("count", "displayed") == "0" })

	mustSay(t, s, oneCopy)
	eventually(t, "one notification displayed", func() bool { return ask("count", "displayed") == "1" })
	ask("close-all") // as the user would
	eventually(t, "none displayed", func() bool { return ask("count", "displayed") == "0" })
	if err := s.Withdraw(t.Context(), m.Key); err != nil {
		t.Errorf("withdraw a dismissed one: %v", err)
	}
	checkHistory(t, ask("history"))
}

// newScreen starts a virtual screen and returns its DISPLAY.
func newScreen(t *testing.T, xvfb string) string {
	t.Helper()
	r, w, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	cmd := exec.Command(xvfb, "-displayfd", "3", "-screen", "0", "800x600x24", "-nolisten", "tcp")
	cmd.ExtraFiles = []*os.File{w}
	start(t, cmd)
	w.Close()
	number, err := bufio.NewReader(r).ReadString('\n')
	if err != nil {
		t.Fatalf("no display: %v", err)
	}
	return ":" + strings.TrimSpace(number)
}

// checkHistory reads what dunst says it displayed, newest first. Each field is an object with a type and its data.
func checkHistory(t *testing.T, history string) {
	t.Helper()
	type text struct{ Data string }
	var parsed struct {
		Data [][]struct {
			Summary, Body, Message, Appname, Category text
			Timeout                                   struct{ Data int64 }
		}
	}
	if err := json.Unmarshal([]byte(history), &parsed); err != nil || len(parsed.Data) != 1 {
		t.Fatalf("%v in %s", err, history)
	}
	shown := parsed.Data[0]
	if len(shown) != 2 {
		t.Fatalf("%d notifications were displayed, want 2 (the third replaced one): %s", len(shown), history)
	}
	got := shown[1]
	if got.Summary.Data != "12 files exist only once" || got.Appname.Data != "Copyhold" || got.Category.Data != "device" {
		t.Errorf("displayed %+v", got)
	}
	if !strings.Contains(got.Body.Data, "&lt;b&gt;A001&lt;/b&gt; &amp; \uFFFD.mov") {
		t.Errorf("body %q", got.Body.Data)
	}
	if !strings.HasPrefix(got.Message.Data, "URGENT 12 files") || got.Timeout.Data != 0 {
		t.Errorf("displayed as %q for %d", got.Message.Data, got.Timeout.Data)
	}
}
