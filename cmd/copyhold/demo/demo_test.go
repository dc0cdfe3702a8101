package demo

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"copyhold/cmd/copyhold/demo/media"
	"copyhold/daemon/api"
)

// small is the least that has a still without a sidecar.
const small media.Scale = 0.06

// ownTemp gives the demo a folder for temporary files of its own.
func ownTemp(t *testing.T) string {
	t.Helper()
	dir := short(t)
	for _, name := range []string{"TMPDIR", "TMP", "TEMP"} {
		t.Setenv(name, dir)
	}
	return dir
}

// short is t.TempDir with a path that leaves room for a socket's name.
func short(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "")
	must(t, err)
	t.Cleanup(func() { os.RemoveAll(dir) })
	return dir
}

func empty(t *testing.T, dir string) {
	t.Helper()
	left, err := os.ReadDir(dir)
	if err != nil || len(left) > 0 {
		t.Errorf("in %s is left: %v (%v)", dir, left, err)
	}
}

func TestDemo(t *testing.T) {
	temp := ownTemp(t)
	var out bytes.Buffer
	if err := Run(t.Context(), &out, Options{Version: "test", scale: small}); err != nil {
		t.Fatalf("%v\n%s", err, out.String())
	}
	empty(t, temp)
	for i, s := range steps {
		if heading := fmt.Sprintf("\n%d. %s - %s\n", i+1, s.when, s.title); !strings.Contains(out.String(), heading) {
			t.Errorf("the heading %q is missing", heading)
		}
	}
	for line := range strings.Lines(out.String()) {
		if strings.Contains(line, temp) {
			continue // a path is as long as it is
		}
		if line = strings.TrimSuffix(line, "\n"); len([]rune(line)) >= pageWidth || strings.TrimRight(line, " ") != line {
			t.Errorf("does not fit or ends in a space: %q", line)
		}
	}
	if t.Failed() {
		t.Log(out.String())
	}
}

// Each sabotage comes before a step and must be told by that step or a later one.
func TestDemoFailsWhenSomethingIsWrong(t *testing.T) {
	for _, c := range []struct {
		name, before string
		do           func(t *testing.T, s *stage)
		want         []string
	}{
		{
			"a copy that is damaged before it is checked", "Somebody else checks",
			func(t *testing.T, s *stage) { damage(t, s.onDrive(slate, someFile(t, s, "*.WAV"))) },
			[]string{`step 3, "Somebody else checks"`, "SOUND001.WAV", slate},
		},
		{
			"a copy that is damaged at the end", "Byte for byte",
			func(t *testing.T, s *stage) { damage(t, s.onDrive(slate, someFile(t, s, "*.WAV"))) },
			[]string{`step 9, "Byte for byte"`, "SOUND001.WAV", slate},
		},
		{
			"a stranger's file on a drive", "Byte for byte",
			func(t *testing.T, s *stage) { put(t, s.onDrive(attic, "2026-03-02 Tern Island/gull.txt")) },
			[]string{`step 9, "Byte for byte"`, "gull.txt", attic},
		},
		{
			"a drive that is gone during the offload", "The cards are offloaded",
			func(t *testing.T, s *stage) { must(t, s.unplug(attic)) },
			[]string{`step 2, "The cards are offloaded"`, "waited 4s in vain until both drives hold all"},
		},
		{
			"a drive that does not come back", "The drives come back",
			func(t *testing.T, s *stage) { must(t, os.RemoveAll(s.at(unplugged, slate, ".copyhold"))) },
			[]string{`step 7, "The drives come back"`, `waited 4s in vain until the drive "Slate" has caught up`},
		},
		{
			"a let go still that is gone from a drive", "The drives come back",
			func(t *testing.T, s *stage) { must(t, os.Remove(s.at(unplugged, attic, workingName, lastStill(t)))) },
			[]string{`step 7, "The drives come back"`, "TERN0002.JPG"},
		},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			temp := short(t)
			opt := Options{Version: "test", Dir: filepath.Join(temp, "day"), scale: small, before: func(step string, s *stage) {
				if step == c.before {
					c.do(t, s)
				}
			}}
			if strings.Contains(c.want[1], "in vain") {
				opt.patience = 4 * time.Second
			}
			err := Run(t.Context(), new(bytes.Buffer), opt)
			fault, ok := errors.AsType[*api.Fault](err)
			if !ok {
				t.Fatalf("the demo ended with %v", err)
			}
			for _, part := range c.want {
				if !strings.Contains(fault.What, part) {
					t.Errorf("%q does not tell of %q", fault.What, part)
				}
			}
			empty(t, temp)
		})
	}
}

func TestDemoIsBrokenOff(t *testing.T) {
	temp := ownTemp(t)
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	opt := Options{Version: "test", scale: small, before: func(step string, _ *stage) {
		if step == "The cards are offloaded" {
			time.AfterFunc(300*time.Millisecond, stop)
		}
	}}
	if err := Run(ctx, new(bytes.Buffer), opt); !errors.Is(err, context.Canceled) {
		t.Errorf("the demo ended with %v", err)
	}
	empty(t, temp)
}

// A page that cannot be written ends the day early, and is the error.
func TestDemoOnAFullDisk(t *testing.T) {
	temp := ownTemp(t)
	played := 0
	opt := Options{Version: "test", scale: small, before: func(string, *stage) { played++ }}
	if err := Run(t.Context(), full{}, opt); !errors.Is(err, errFull) || played != 1 {
		t.Errorf("after %d steps the demo ended with %v", played, err)
	}
	empty(t, temp)
}

var errFull = errors.New("no room")

type full struct{}

func (full) Write([]byte) (int, error) { return 0, errFull }

func TestDemoKeeps(t *testing.T) {
	dir := filepath.Join(short(t), "tern-island-demo")
	temp := ownTemp(t)
	var out bytes.Buffer
	if err := Run(t.Context(), &out, Options{Version: "test", Keep: true, Dir: dir, scale: small}); err != nil {
		t.Fatalf("%v\n%s", err, out.String())
	}
	empty(t, temp)
	for _, name := range []string{logName, configName, slate, attic, workingName} {
		if _, err := os.Stat(filepath.Join(dir, name)); err != nil {
			t.Error(err)
		}
	}
	if !strings.Contains(out.String(), "cd '") || !strings.Contains(out.String(), "b3sum --check '") {
		t.Errorf("nothing tells how to look at what is kept:\n%s", out.String())
	}
}

func TestDemoTakesNoFolderOfOthers(t *testing.T) {
	dir := t.TempDir()
	must(t, os.WriteFile(filepath.Join(dir, "mine.txt"), []byte("mine"), 0o644))
	err := Run(t.Context(), new(bytes.Buffer), Options{Dir: dir, scale: small})
	if fault, ok := errors.AsType[*api.Fault](err); !ok || !fault.Misuse {
		t.Errorf("the demo ended with %v", err)
	}
	if err := Run(t.Context(), new(bytes.Buffer), Options{Dir: filepath.Join(dir, "mine.txt"), scale: small}); err == nil {
		t.Error("the demo was played in a file")
	}
	deep := filepath.Join(dir, strings.Repeat("deep", 30))
	if err := Run(t.Context(), new(bytes.Buffer), Options{Dir: deep, scale: small}); err == nil || !strings.Contains(err.Error(), "socket") {
		t.Errorf("with a path that is too long for a socket, the demo ended with %v", err)
	}
	left, err := os.ReadDir(dir)
	if err != nil || len(left) != 1 {
		t.Errorf("the folder now holds %v (%v)", left, err)
	}
}

// An empty folder that was there before stays, as empty as it was.
func TestDemoGivesTheFolderBack(t *testing.T) {
	dir := t.TempDir()
	s, err := build(Options{Dir: dir})
	must(t, err)
	must(t, s.remove())
	empty(t, dir)
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func damage(t *testing.T, name string) {
	t.Helper()
	_, err := flip(name)
	must(t, err)
}

func put(t *testing.T, name string) {
	t.Helper()
	must(t, os.WriteFile(name, []byte("a gull was here"), 0o644))
}

// someFile is the first file of Tern Island with such a name.
func someFile(t *testing.T, s *stage, pattern string) string {
	t.Helper()
	found, err := filepath.Glob(s.at(workingName, media.TernIsland, "*", pattern))
	if err != nil || len(found) == 0 {
		t.Fatalf("no %s: %v", pattern, err)
	}
	rel, err := filepath.Rel(s.at(workingName), found[0])
	must(t, err)
	return filepath.ToSlash(rel)
}

func lastStill(t *testing.T) string {
	t.Helper()
	files, err := media.Day(small, daySeed)
	must(t, err)
	c, err := castOf(files)
	must(t, err)
	return filepath.FromSlash(c.deleted.Rel)
}
