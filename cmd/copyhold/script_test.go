package main

import (
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
)

// patience is how long a script waits for the daemon to get somewhere.
const patience = 60 * time.Second

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"copyhold": main})
}

// The scripts are the messages' contract. Each has places of its own, named by
// the environment, so that none meets another's daemon or the person's own.
func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir: filepath.Join("..", "..", "testdata", "cli"),
		Setup: func(env *testscript.Env) error {
			env.Setenv("COPYHOLD_CONFIG", filepath.Join(env.WorkDir, "config.toml"))
			env.Setenv("COPYHOLD_STATE", filepath.Join(env.WorkDir, "state"))
			env.Setenv("TZ", "UTC")
			return nil
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"await":   await,
			"exits":   exits,
			"expand":  expand,
			"hostile": hostileFile,
		},
		RequireExplicitExec: true,
		RequireUniqueNames:  true,
		UpdateScripts:       *update,
	})
}

// await asks a question until its answer matches:
//
//	await 'regexp' status --json
func await(ts *testscript.TestScript, neg bool, args []string) {
	if len(args) < 2 {
		ts.Fatalf("usage: [!] await regexp copyhold-arguments...")
	}
	wanted := regexp.MustCompile("(?m)" + args[0])
	answer := ""
	for end := time.Now().Add(patience); time.Now().Before(end); time.Sleep(50 * time.Millisecond) {
		out, err := quietly(ts, args[1:]).CombinedOutput()
		answer = string(out)
		if err == nil && wanted.MatchString(answer) != neg {
			return
		}
	}
	ts.Fatalf("waited %v for %q (not: %v), last:\n%s", patience, args[0], neg, answer)
}

// quietly is a command that leaves no trace in the script's log.
func quietly(ts *testscript.TestScript, args []string) *exec.Cmd {
	cmd := exec.Command("copyhold", args...)
	cmd.Dir = ts.MkAbs(".")
	cmd.Env = os.Environ()
	for _, name := range []string{"COPYHOLD_CONFIG", "COPYHOLD_STATE", "TZ", "HOME"} {
		cmd.Env = append(cmd.Env, name+"="+ts.Getenv(name))
	}
	return cmd
}

// exits runs a command that must end with that code:
//
//	exits 2 copyhold shoot
func exits(ts *testscript.TestScript, _ bool, args []string) {
	if len(args) < 2 {
		ts.Fatalf("usage: exits code command...")
	}
	code := 0
	if ended, ok := errors.AsType[*exec.ExitError](ts.Exec(args[1], args[2:]...)); ok {
		code = ended.ExitCode()
	}
	if strconv.Itoa(code) != args[0] {
		ts.Fatalf("exit code %d, want %s:\n%s%s", code, args[0], ts.ReadFile("stdout"), ts.ReadFile("stderr"))
	}
}

// expand puts the script's folder in place of $WORK in a file.
func expand(ts *testscript.TestScript, _ bool, args []string) {
	for _, name := range args {
		text := strings.ReplaceAll(ts.ReadFile(name), "$WORK", ts.Getenv("WORK"))
		ts.Check(os.WriteFile(ts.MkAbs(name), []byte(text), 0o600))
	}
}

// hostileFile writes a file whose name would clear the screen.
func hostileFile(ts *testscript.TestScript, _ bool, args []string) {
	if len(args) != 1 {
		ts.Fatalf("usage: hostile folder")
	}
	ts.Check(os.WriteFile(filepath.Join(ts.MkAbs(args[0]), "\x1b[2J\xff\ntern.wav"), []byte("tern"), 0o600))
}
