package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/spf13/cobra"

	"copyhold/daemon"
	"copyhold/daemon/api"
)

// fake answers with the scene and remembers what it was told to do.
type fake struct {
	api.Service
	status api.Status
	shoots []api.ShootDetail
	told   any
	err    error
}

func newFake() *fake { return &fake{status: busyStatus(), shoots: season()} }

func (f *fake) Close() error { return nil }

func (f *fake) Status(context.Context) (api.Status, error) { return f.status, f.err }

func (f *fake) Shoots(_ context.Context, pattern string) (api.Shoots, error) {
	f.told = pattern
	return api.Shoots{Schema: api.Schema, Shoots: f.shoots}, f.err
}

func (f *fake) Shoot(_ context.Context, name string) (api.ShootDetail, error) {
	f.told = name
	s := islandShoot()
	s.Schema = api.Schema
	return s, f.err
}

func (f *fake) Where(context.Context, string) (api.Where, error) { return whereAnswer(), f.err }

func (f *fake) Explain(_ context.Context, path string) (api.Explanation, error) {
	f.told = path
	return explanation(), f.err
}

func (f *fake) Drives(context.Context) (api.Drives, error) { return driveList(), f.err }

func (f *fake) AddDrive(_ context.Context, add api.AddDrive) (api.Drive, error) {
	f.told = add
	return slate(), f.err
}

func (f *fake) ChangeDrive(_ context.Context, change api.ChangeDrive) (api.Drive, error) {
	f.told = change
	d := slate()
	if change.Name != "" {
		d.Name = change.Name
	}
	return d, f.err
}

func (f *fake) ReleaseDrive(_ context.Context, release api.ReleaseDrive) (api.Drive, error) {
	f.told = release
	return slate(), f.err
}

func (f *fake) Pause(_ context.Context, p api.Pause) (api.Status, error) {
	f.told = p
	return pausedStatus(), f.err
}

func (f *fake) Resume(context.Context) (api.Status, error) { f.told = "resume"; return f.status, f.err }

// desk is a cli whose daemon is f, or whose ledger is f when no daemon runs.
type desk struct {
	cli
	out, errs bytes.Buffer
}

func newDesk(t *testing.T, f *fake, running bool) *desk {
	dir := t.TempDir()
	file := filepath.Join(dir, "config.toml")
	if err := os.WriteFile(file, []byte(smallestConfig("linux")), 0o600); err != nil {
		t.Fatal(err)
	}
	d := &desk{}
	d.cli = cli{
		out: &d.out, errs: &d.errs, now: func() time.Time { return now }, getenv: func(name string) string {
			return map[string]string{"COPYHOLD_CONFIG": file, "COPYHOLD_STATE": filepath.Join(dir, "state")}[name]
		},
		dial: func(string) (api.Service, error) {
			if !running {
				return nil, api.ErrNotRunning
			}
			return f, nil
		},
		offline: func(daemon.Options) (ledger, error) { return f, nil },
	}
	return d
}

// run types one command.
func (d *desk) run(args ...string) int {
	d.out.Reset()
	d.errs.Reset()
	return d.execute(context.Background(), args)
}

func TestQuestionsAsJSON(t *testing.T) {
	for _, args := range [][]string{
		{"status"}, {"shoots"}, {"shoot", "2026-11-25 Tern Island"}, {"where", "tern"}, {"explain", "a"}, {"drive", "list"},
		{"pause"}, {"resume"}, {"drive", "add", ".", "--name", "Slate"}, {"drive", "rename", "Slate", "Red"}, {"version"},
	} {
		t.Run(strings.Join(args, " "), func(t *testing.T) {
			d := newDesk(t, newFake(), true)
			if code := d.run(append(args, "--json")...); code != exitDone {
				t.Fatalf("exit %d: %s", code, d.errs.String())
			}
			var answer struct{ Schema int }
			if err := json.Unmarshal(d.out.Bytes(), &answer); err != nil || answer.Schema != api.Schema {
				t.Errorf("schema %d, %v: %s", answer.Schema, err, d.out.String())
			}
			if strings.Count(d.out.String(), "\n") != 1 || d.errs.Len() > 0 {
				t.Errorf("out %q\nerr %q", d.out.String(), d.errs.String())
			}
		})
	}
}

// What is asked and ordered arrives as it was typed.
func TestOrders(t *testing.T) {
	here, err := filepath.Abs("SLATE")
	if err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		args []string
		want any
	}{
		{[]string{"shoots", "tern"}, "tern"},
		{[]string{"shoot", "2026-11-25 Tern Island"}, "2026-11-25 Tern Island"},
		{[]string{"explain", "Shoots/x"}, "Shoots/x"},
		{[]string{"drive", "add", "SLATE", "--name", "Slate"}, api.AddDrive{Path: here, Name: "Slate", Place: "with-me"}},
		{[]string{"drive", "add", "SLATE", "--name", "Attic", "--place", "home", "--separate"}, api.AddDrive{Path: here, Name: "Attic", Place: "home", Separate: true}},
		{[]string{"drive", "rename", "Slate", "Red"}, api.ChangeDrive{Drive: "Slate", Name: "Red"}},
		{[]string{"drive", "place", "Slate", "off-site"}, api.ChangeDrive{Drive: "Slate", Place: "off-site"}},
		{[]string{"drive", "retire", "Slate"}, api.ChangeDrive{Drive: "Slate", Retire: true}},
		{[]string{"drive", "release", "Slate"}, api.ReleaseDrive{Drive: "Slate"}},
		{[]string{"drive", "release", "Slate", "--unmount"}, api.ReleaseDrive{Drive: "Slate", Unmount: true}},
		{[]string{"pause"}, api.Pause{}},
		{[]string{"pause", "1h30m"}, api.Pause{Seconds: 5400}},
		{[]string{"pause", "2d"}, api.Pause{Seconds: 2 * 86400}},
		{[]string{"resume"}, "resume"},
	} {
		f := newFake()
		d := newDesk(t, f, true)
		if code := d.run(tt.args...); code != exitDone || f.told != tt.want {
			t.Errorf("%q: exit %d, told %#v, want %#v\n%s", tt.args, code, f.told, tt.want, d.errs.String())
		}
	}
}

func TestOfflineAnswersSaySo(t *testing.T) {
	f := newFake()
	f.status = offlineStatus()
	d := newDesk(t, f, false)
	const sentence = "Copyhold is not running: this is what the ledger knew at 2026-11-24 12:03, 1 day ago."
	if d.run("status"); !strings.HasPrefix(d.out.String(), sentence) || d.errs.Len() > 0 {
		t.Errorf("status:\n%s%s", d.out.String(), d.errs.String())
	}
	for _, args := range [][]string{{"status", "--json"}, {"shoots"}, {"shoot", "tern"}, {"where", "tern", "--json"}, {"explain", "x"}, {"drive", "list"}} {
		if code := d.run(args...); code != exitDone || !strings.Contains(d.errs.String(), "copyhold: note: "+sentence) {
			t.Errorf("%q: exit %d, said %q", args, code, d.errs.String())
		}
		if strings.Contains(d.out.String(), "not running") {
			t.Errorf("%q: the note is among the results: %s", args, d.out.String())
		}
	}
}

func TestFaultsAndExitCodes(t *testing.T) {
	for _, tt := range []struct {
		err  error
		code int
		want string
	}{
		{&api.Fault{What: "w", Safe: "s", Do: "d"}, exitError, "copyhold: error: w\ncopyhold: note: s\ncopyhold: hint: d\n"},
		{&api.Fault{What: "w", Misuse: true}, exitMisuse, "copyhold: error: w\n"},
		{errors.New("ask \x1b[31m"), exitError, "copyhold: error: ask \uFFFD[31m\n"},
		{errors.Join(errors.New("a"), errors.New("b")), exitError, "copyhold: error: a\ncopyhold: error: b\n"},
		{context.Canceled, exitError, "copyhold: error: interrupted\n"},
		{api.ErrNotRunning, exitError, "copyhold: error: Copyhold stopped while it was asked\ncopyhold: note: finished copies are kept\ncopyhold: hint: start it: copyhold run\n"},
	} {
		f := newFake()
		f.err = tt.err
		d := newDesk(t, f, true)
		if code := d.run("status"); code != tt.code || d.errs.String() != tt.want || d.out.Len() > 0 {
			t.Errorf("%v: exit %d, said\n%s", tt.err, code, d.errs.String())
		}
	}
}

func TestCompletion(t *testing.T) {
	for _, tt := range []struct {
		args []string
		want []string
	}{
		{[]string{"shoot", "2026-11-2"}, []string{"2026-11-25 Tern Island", "2026-11-24 Tern Island, night calls"}},
		{[]string{"where", ""}, []string{"2026-11-25 Tern Island"}},
		{[]string{"drive", "rename", ""}, []string{"Slate", "Attic"}},
		{[]string{"drive", "place", "Slate", ""}, []string{"with-me", "home", "off-site"}},
		{[]string{"drive", "add", "x", "--place", ""}, []string{"with-me", "home", "off-site"}},
		{[]string{"completion", ""}, []string{"bash", "zsh", "fish", "powershell"}},
	} {
		d := newDesk(t, newFake(), true)
		if code := d.execute(context.Background(), append([]string{"__complete"}, tt.args...)); code != exitDone {
			t.Fatalf("%q: exit %d: %s", tt.args, code, d.errs.String())
		}
		offered := strings.Split(d.out.String(), "\n")
		for _, want := range tt.want {
			if !slices.Contains(offered, want) {
				t.Errorf("%q: no %q in %q", tt.args, want, offered)
			}
		}
		if slices.Contains(offered, "Old Slate") {
			t.Errorf("%q: offers a retired drive", tt.args)
		}
	}
}

// A name that a terminal or shell would obey is not offered, and without a
// daemon nothing is.
func TestCompletionOffersNoHarm(t *testing.T) {
	f := newFake()
	f.status.Shoots[0].Name = "two\nlines"
	d := newDesk(t, f, true)
	d.execute(context.Background(), []string{"__complete", "shoot", ""})
	if strings.Contains(d.out.String(), "two") {
		t.Errorf("offers %q", d.out.String())
	}
	d = newDesk(t, f, false)
	if code := d.execute(context.Background(), []string{"__complete", "shoot", ""}); code != exitDone || d.out.String() != ":4\n" {
		t.Errorf("exit %d, offers %q", code, d.out.String())
	}
}

func TestColorIsAsked(t *testing.T) {
	for _, tt := range []struct {
		env  map[string]string
		goos string
		want bool
	}{
		{nil, "linux", true},
		{map[string]string{"NO_COLOR": "1"}, "linux", false},
		{map[string]string{"TERM": "dumb"}, "linux", false},
		{nil, "windows", false},
		{map[string]string{"WT_SESSION": "x"}, "windows", true},
	} {
		if got := takesColor(func(k string) string { return tt.env[k] }, tt.goos); got != tt.want {
			t.Errorf("%v on %s: %v", tt.env, tt.goos, got)
		}
	}
}

// Every command says what it does and shows an example from the scenario.
func TestCommandsExplainThemselves(t *testing.T) {
	var walk func(cmd *cobra.Command)
	walk = func(cmd *cobra.Command) {
		if cmd.Short == "" || cmd.Long == "" || !strings.Contains(cmd.Example, "copyhold ") || cmd.Args == nil {
			t.Errorf("%q lacks a short or long description, an example or a check of its arguments", cmd.CommandPath())
		}
		for line := range strings.Lines(cmd.Long) {
			if cells(line) > 83 {
				t.Errorf("%q: a line of the description is too long: %s", cmd.CommandPath(), line)
			}
		}
		for _, sub := range cmd.Commands() {
			walk(sub)
		}
	}
	walk(newRoot(newCLI()))
}
