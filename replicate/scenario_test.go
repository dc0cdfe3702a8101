package replicate

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"
)

// TestScenarios plays the scripts in testdata/plan. A script is commands, a line
// of four dashes, and what is decided after them: one line per file that a drive
// would be given, one per reason why a drive waits, one per shoot. The commands:
//
//	policy copies=3 off-site=1       what the person asks for
//	adopt drive=Slate place=home beside=working separate
//	arrive, leave, retire drive=Slate
//	full, well drive=Slate           it takes no writes; it does again
//	shoot file="stills/A001.raw" [content=v2] in the shoot last named
//	shoot name="2026-03-02 Tern Island"
//	link, delete, back file="…"      back: it is there again as it was
//	archive                          the shoot's folder leaves whole
//	work, drive=Slate                does what is decided for the drive
//	refuse drive=Slate file="…" why=6   the number of the cause
//	unreadable, damage               what their names say
//	working away, working here       the working folder
//	pause, resume, wait 6d
func TestScenarios(t *testing.T) {
	scripts, err := filepath.Glob("testdata/plan/*.txt")
	if err != nil || len(scripts) == 0 {
		t.Fatalf("no scripts: %v", err)
	}
	for _, path := range scripts {
		t.Run(strings.TrimSuffix(filepath.Base(path), ".txt"), func(t *testing.T) {
			text, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			golden(t, path, play(t, string(text)))
		})
	}
}

// play runs a script and returns it with what is decided now.
func play(t *testing.T, script string) string {
	t.Helper()
	s := newStage()
	var out []string
	for block := range strings.SplitSeq(strings.TrimSpace(script), "\n\n") {
		commands, _, _ := strings.Cut(block, "----")
		commands = strings.TrimSpace(commands)
		for line := range strings.SplitSeq(commands, "\n") {
			if line == "" || line[0] == '#' {
				continue
			}
			if err := s.do(words(line)); err != nil {
				t.Fatalf("%s: %v", line, err)
			}
		}
		out = append(out, commands+"\n----\n"+s.decided())
	}
	return strings.Join(out, "\n")
}

// words splits a command at its spaces, keeping quoted values whole.
func words(line string) []string {
	var all []string
	for quoted, word := false, ""; ; {
		i := strings.IndexAny(line, ` "`)
		switch {
		case i < 0:
			return append(all, word+line)
		case line[i] == '"':
			quoted, word = !quoted, word+line[:i]
		case quoted:
			word += line[:i+1]
		default:
			all, word = append(all, word+line[:i]), ""
		}
		line = line[i+1:]
	}
}

// stage is the world that a script plays in.
type stage struct {
	now      time.Time
	policy   Policy
	shoot    string
	files    []*File
	drives   []Drive
	present  map[string]bool
	troubled map[string]bool
	away     bool
	paused   bool
}

func newStage() *stage {
	return &stage{now: noon, policy: policy, present: map[string]bool{}, troubled: map[string]bool{}}
}

// do carries out one command. It is one flat switch.
func (s *stage) do(words []string) error {
	with := map[string]string{}
	for _, w := range words[1:] {
		key, value, _ := strings.Cut(w, "=")
		with[key] = value
	}
	drive := func() *Drive {
		i := slices.IndexFunc(s.drives, func(d Drive) bool { return d.Name == with["drive"] })
		return &s.drives[i]
	}
	file := func() *File {
		path := s.shoot + "/" + with["file"]
		i := slices.IndexFunc(s.files, func(f *File) bool { return f.Path == path })
		if i < 0 {
			s.files = append(s.files, &File{FileID: FileID{"Shoots", path}})
			i = len(s.files) - 1
		}
		return s.files[i]
	}
	switch words[0] {
	case "policy":
		s.policy.Copies, s.policy.OffSite = number(with["copies"]), number(with["off-site"])
	case "adopt":
		d := Drive{ID: DriveID(with["drive"]), No: DriveNo(len(s.drives) + 1), Name: with["drive"], Place: Place(with["place"])}
		_, d.Separate = with["separate"]
		switch beside := with["beside"]; beside {
		case "":
		case "working":
			d.Beside = []string{WorkingDisk("Shoots")}
		default:
			d.Beside = []string{beside}
		}
		s.drives, s.present[d.Name] = append(s.drives, d), true
	case "arrive", "leave":
		s.present[drive().Name] = words[0] == "arrive"
	case "full", "well":
		s.troubled[drive().Name] = words[0] == "full"
	case "retire":
		drive().Retired = s.now
	case "shoot":
		if name, named := with["name"]; named {
			s.shoot = name
			break
		}
		f := file()
		f.Stat, f.SeenAt, f.Life = Stat{Size: 42_000_000, MTime: s.now}, s.now, Here
		f.Digest = content(f.Path + with["content"])
	case "link":
		file().Life = Skipped
	case "delete":
		f := file()
		f.Life, f.GoneAt = LetGo, s.now
	case "back":
		file().Life = Here
	case "archive":
		for _, f := range s.files {
			if f.Shoot().Name == s.shoot && f.Life == Here {
				f.Life, f.GoneAt = Archived, s.now
			}
		}
	case "work":
		s.work(*drive())
	case "refuse":
		f := file()
		c := f.CopyOn(drive().No)
		c.Attempt = c.Attempt.Failed(Cause(number(with["why"])), s.now)
		f.SetCopy(c)
	case "unreadable":
		f := file()
		f.Attempt = f.Attempt.Failed(SourceUnreadable, s.now)
	case "damage":
		f := file()
		c := f.CopyOn(drive().No)
		c.State = Damaged
		f.SetCopy(c)
	case "working":
		s.away = words[1] == "away"
	case "pause", "resume":
		s.paused = words[0] == "pause"
	case "wait":
		days, isDays := strings.CutSuffix(words[1], "d")
		if isDays {
			s.now = s.now.AddDate(0, 0, number(days))
			break
		}
		d, err := time.ParseDuration(words[1])
		s.now = s.now.Add(d)
		return err
	default:
		return fmt.Errorf("no such command")
	}
	return nil
}

func number(s string) int { n, _ := strconv.Atoi(s); return n }

func (s *stage) next(f *File, d Drive) Action {
	scene := Scene{Present: s.present[d.Name], Troubled: s.troubled[d.Name], Working: !s.away, Paused: s.paused, Settle: s.policy.Settle}
	return Next(f, d, scene, s.now)
}

// work does what is decided for a drive, and all goes well.
func (s *stage) work(d Drive) {
	for _, f := range s.files {
		if a := s.next(f, d); a.Kind == CopyFile || a.Kind == KeepThenCopy {
			f.Attempt = Attempt{}
			f.SetCopy(Copy{Drive: d.No, State: Verified, Digest: f.Digest, Size: f.Size, VerifiedAt: s.now})
		}
	}
}

// decided is the plan of every drive and the standing of every shoot.
func (s *stage) decided() string {
	var b strings.Builder
	for _, d := range s.drives {
		waits, reasons := map[string]int64{}, []string{}
		for _, f := range s.files {
			switch a := s.next(f, d); a.Kind {
			case Nothing:
			case Wait:
				line := a.String()
				if !a.Until.IsZero() {
					line += " until " + a.Until.Sub(noon).String()
				}
				if waits[line]++; waits[line] == 1 {
					reasons = append(reasons, line)
				}
			default:
				kind, why, _ := strings.Cut(a.String(), " (")
				fmt.Fprintf(&b, "%s: %s %q/%s (%s\n", d.Name, kind, f.Shoot().Name, f.InShoot(), why)
			}
		}
		for _, line := range reasons {
			fmt.Fprintf(&b, "%s: %s: %s\n", d.Name, files(waits[line]), line)
		}
	}
	for _, id := range s.shoots() {
		tally := Tally{}
		for _, f := range s.files {
			if f.Shoot() == id {
				tally.Add(f)
			}
		}
		c := CoverOf(id, tally, NewFleet(s.drives), s.policy, s.now)
		line := fmt.Sprintf("%q: %s", id.Name, c.line())
		if lacks := Lacks(c, s.policy); lacks != "" {
			line += ": " + lacks
		}
		b.WriteString(line + "\n")
	}
	return b.String()
}

func (s *stage) shoots() (all []ShootID) {
	for _, f := range s.files {
		if !slices.Contains(all, f.Shoot()) {
			all = append(all, f.Shoot())
		}
	}
	return all
}
