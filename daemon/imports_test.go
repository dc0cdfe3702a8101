package daemon

import (
	"encoding/json"
	"errors"
	"io"
	"os/exec"
	"slices"
	"strings"
	"testing"
)

// arrows is the house: which of our packages each package may import. A new
// arrow is a decision; add the line and say why in DEVELOPERS.md.
var arrows = map[string][]string{
	// The command line asks by daemon/api; run and demo alone start a daemon.
	"cmd/copyhold": {"config", "daemon", "daemon/api", "daemon/desktop", "cmd/copyhold/demo"},
	// The demo plays a whole day, and reads the drives' lists with its own eyes.
	"cmd/copyhold/demo":       {"config", "daemon", "daemon/api", "replicate", "replicate/lists", "cmd/copyhold/demo/media"},
	"cmd/copyhold/demo/media": {},

	"daemon": {
		"config", "daemon/api", "daemon/desktop", "daemon/drives", "daemon/watch",
		"replicate", "replicate/lists", "replicate/transfer", "replicate/volume", "state",
	},
	"daemon/api":     {},
	"daemon/desktop": {},
	"daemon/drives":  {"replicate"},
	"daemon/watch":   {},

	"state":              {"replicate"},
	"replicate/transfer": {"replicate", "replicate/lists", "replicate/volume"},
	"replicate/lists":    {"replicate"},
	// A volume answers in the vocabulary: stats, room, traits.
	"replicate/volume":                {"replicate"},
	"replicate/volume/volumetest":     {"replicate", "replicate/volume"},
	"replicate/volume/volumetest/lab": {},
	"replicate":                       {},
	"config":                          {},
}

// impure is what package replicate may not reach, directly: it decides and
// never touches the world. Formatting and text are not the world.
var impure = []string{
	"os", "os/exec", "os/signal", "net", "net/http", "syscall", "log", "log/slog", "database/sql",
	"math/rand", "math/rand/v2", "crypto/rand", "sync", "context", "io/fs", "path/filepath", "unsafe",
	"golang.org/x/sys/unix", "go.etcd.io/bbolt",
}

// clock is the world as well: time comes in as an argument.
var clock = []string{"time.Now", "time.Since", "time.Until", "time.After", "time.Sleep", "time.NewTimer", "time.NewTicker"}

type listed struct {
	ImportPath string
	Imports    []string
	GoFiles    []string
	Dir        string
}

func packages(t *testing.T) []listed {
	t.Helper()
	out, err := exec.Command("go", "list", "-json=ImportPath,Imports,GoFiles,Dir", "copyhold/...").Output()
	if err != nil {
		t.Fatalf("go list: %v", err)
	}
	var all []listed
	for dec := json.NewDecoder(strings.NewReader(string(out))); ; {
		var p listed
		err := dec.Decode(&p)
		if errors.Is(err, io.EOF) {
			return all
		}
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, p)
	}
}

func TestArrows(t *testing.T) {
	met := map[string]bool{}
	for _, p := range packages(t) {
		name := strings.TrimPrefix(p.ImportPath, "copyhold/")
		met[name] = true
		allowed, known := arrows[name]
		if !known {
			t.Errorf("package %s is not in the table: decide who may import it and what it may import", name)
		}
		for _, imported := range p.Imports {
			ours, isOurs := strings.CutPrefix(imported, "copyhold/")
			if isOurs && !slices.Contains(allowed, ours) {
				t.Errorf("%s imports %s: a new arrow is a decision; if it is right, add it to the table and to DEVELOPERS.md", name, ours)
			}
		}
	}
	for name := range arrows {
		if !met[name] {
			t.Errorf("the table has package %s, which is not there", name)
		}
	}
}

func TestReplicateIsPure(t *testing.T) {
	for _, p := range packages(t) {
		if p.ImportPath != "copyhold/replicate" {
			continue
		}
		for _, imported := range p.Imports {
			if slices.Contains(impure, imported) {
				t.Errorf("replicate imports %s: it decides and never touches the world; pass in what it needs", imported)
			}
		}
		out, err := exec.Command("grep", append([]string{"-nF", "-e", strings.Join(clock, "\n")}, paths(p)...)...).Output()
		if err == nil {
			t.Errorf("replicate asks the clock; take the time as an argument:\n%s", out)
		}
	}
}

func paths(p listed) []string {
	var all []string
	for _, f := range p.GoFiles {
		all = append(all, p.Dir+"/"+f)
	}
	return all
}

// TestHouseTop keeps the top level as it was decided.
func TestHouseTop(t *testing.T) {
	out, err := exec.Command("git", "-C", "..", "ls-tree", "--name-only", "HEAD").Output()
	if err != nil {
		t.Skipf("no git checkout to look at: %v", err)
	}
	allowed := []string{"cmd", "daemon", "replicate", "state", "config", "testdata", "go.mod", "go.sum", "README.md", "DEVELOPERS.md", "LICENSE"}
	for name := range strings.FieldsSeq(string(out)) {
		if !slices.Contains(allowed, name) && !strings.HasPrefix(name, ".") {
			t.Errorf("%s stands at the top of the house; rooms go below it", name)
		}
	}
}
