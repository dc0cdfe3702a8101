package transfer

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"copyhold/replicate"
	"copyhold/replicate/lists"
	"copyhold/replicate/volume"
	"copyhold/replicate/volume/volumetest/lab"
)

// child, set in the environment of a second run of this test binary, makes it copy:
// the working folder and the drive, separated by a colon.
const child = "COPYHOLD_TEST_COPY"

func TestMain(m *testing.M) {
	if dirs := os.Getenv(child); dirs != "" {
		if err := copyAsChild(dirs); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		return
	}
	os.Exit(m.Run())
}

// copyAsChild copies a working folder to a drive; it prints each verified file.
func copyAsChild(dirs string) error {
	from, to, _ := strings.Cut(dirs, ":")
	src, err := volume.OpenSource(from)
	if err != nil {
		return err
	}
	defer src.Close()
	drive, err := volume.OpenDrive(to)
	if err != nil {
		return err
	}
	defer drive.Close()
	if err := Prepare(drive); err != nil {
		return err
	}
	var tasks []Task
	var failed error
	for seen := range Scan(context.Background(), src, shoot, ignoreNothing, &failed) {
		tasks = append(tasks, Task{
			File: replicate.File{FileID: replicate.FileID{Working: "Shoots", Path: seen.Path}, Stat: seen.Stat},
			To:   map[replicate.DriveNo]Order{1: {}},
		})
	}
	if failed != nil {
		return failed
	}
	e := Engine{Result: func(r Result) {
		if r.Err == nil {
			fmt.Printf("verified %s\n", filepath.Base(r.File.Path)) // one write each
			return
		}
		failed = r.Err
	}}
	e.Copy(context.Background(), src, tasks, []Target{{Drive: 1, Volume: drive, Traits: replicate.Traits{Probed: true}}}, func(replicate.DriveNo) {})
	return failed
}

func startCopy(t *testing.T, from, to string) (*exec.Cmd, *strings.Builder) {
	t.Helper()
	cmd, out := exec.Command(os.Args[0]), new(strings.Builder)
	cmd.Env = append(os.Environ(), child+"="+from+":"+to)
	cmd.Stdout, cmd.Stderr = out, out
	check(t, cmd.Start())
	return cmd, out
}

// P2, P5: killed at any moment, a copy leaves whole files and no others, and the next
// run completes it.
func TestCopyKilled(t *testing.T) {
	t.Parallel()
	seed := rand.Uint64()
	t.Log("seed", seed)
	chance := rand.New(rand.NewPCG(seed, 0))
	d := lab.New(t).Drive(lab.Ext4, 128)
	dir := d.Plug()
	w := newWorld(t)
	sums := map[string]string{}
	for i := range 200 {
		name := fmt.Sprintf("A%03d.raw", i)
		w.put(name, random(1000+i*300, byte(i)))
		sums[name] = printed(t, "b3sum", "--no-names", filepath.Join(w.dir, shoot, name))
	}
	began := time.Now()
	cmd, out := startCopy(t, w.dir, dir)
	if err := cmd.Wait(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	whole := time.Since(began)
	wholeFiles(t, dir, sums, out.String(), true)
	partial := 0
	rounds := 0
	for end := time.Now().Add(20 * time.Second); rounds < 20 && (rounds < 5 || time.Now().Before(end)); rounds++ {
		check(t, os.RemoveAll(filepath.Join(dir, "Shoots")))
		cmd, out := startCopy(t, w.dir, dir)
		if rounds%2 == 0 {
			time.Sleep(time.Duration(chance.Int64N(int64(whole))))
		} else { // among the renames, which are over soon
			someFiles(dir, 1+chance.IntN(190), 2*whole)
		}
		check(t, cmd.Process.Kill())
		cmd.Wait() // it says that it was killed, or was done before
		if n := wholeFiles(t, dir, sums, out.String(), false); n > 0 && n < 200 {
			partial++
		}
		cmd, out = startCopy(t, w.dir, dir)
		if err := cmd.Wait(); err != nil {
			t.Fatalf("the next run: %v\n%s", err, out)
		}
		wholeFiles(t, dir, sums, out.String(), true)
		if left, _ := os.ReadDir(filepath.Join(dir, lists.PartialDir)); len(left) > 0 {
			t.Errorf("%d partials are left", len(left))
		}
	}
	t.Logf("a whole run takes %v; %d of %d were killed with some files done", whole, partial, rounds)
}

// someFiles waits until so many files have their final names, or for the limit.
func someFiles(dir string, count int, limit time.Duration) {
	for end := time.Now().Add(limit); time.Now().Before(end); time.Sleep(100 * time.Microsecond) {
		if names, _ := os.ReadDir(filepath.Join(dir, "Shoots", shoot)); len(names) >= count {
			return
		}
	}
}

// wholeFiles checks every final name with b3sum and returns how many there are.
func wholeFiles(t *testing.T, dir string, sums map[string]string, out string, all bool) int {
	t.Helper()
	names, _ := filepath.Glob(filepath.Join(dir, "Shoots", shoot, "*"))
	if all && len(names) != len(sums) {
		t.Errorf("%d of %d files are there", len(names), len(sums))
	}
	there := map[string]bool{}
	if len(names) > 0 {
		printedSums, err := exec.Command("b3sum", names...).Output()
		check(t, err)
		for line := range strings.Lines(string(printedSums)) {
			sum, name, _ := strings.Cut(strings.TrimSpace(line), "  ")
			name = filepath.Base(name)
			there[name] = true
			if sums[name] != sum {
				t.Errorf("%s is not whole under its name", name)
			}
		}
	}
	for _, m := range regexp.MustCompile(`verified (\S+)\n`).FindAllStringSubmatch(out, -1) {
		if !there[m[1]] {
			t.Errorf("%s was told to be there", m[1])
		}
	}
	return len(names)
}

// The order of the calls is what makes a copy last: the file, then its name, then the
// folder with the name. ("Calling fsync() does not necessarily ensure that the entry
// in the directory containing the file has also reached disk. For that an explicit
// fsync() on a file descriptor for the directory is also needed.", fsync(2),
// https://man7.org/linux/man-pages/man2/fsync.2.html)
func TestCopyOrderOfCalls(t *testing.T) {
	strace, err := exec.LookPath("strace")
	if err != nil {
		if os.Getenv(lab.Require) == "require" {
			t.Fatalf("%s=require, but there is no strace", lab.Require)
		}
		t.Skip("there is no strace")
	}
	w, dir := newWorld(t), t.TempDir()
	w.put("A001.mov", random(3<<20, 1))
	w.put("DCIM/B002.raw", random(100, 2))
	write(t, filepath.Join(dir, "Shoots", shoot, "DCIM/B002.raw"), random(100, 3)) // to be kept
	log := filepath.Join(t.TempDir(), "calls")
	cmd := exec.Command(strace, "-f", "-y", "-o", log, "-e", "trace=fsync,fdatasync,rename,renameat,renameat2", os.Args[0])
	cmd.Env = append(os.Environ(), child+"="+w.dir+":"+dir)
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Skipf("strace cannot trace here: %v\n%s", err, out)
	}
	trace, err := os.ReadFile(log)
	check(t, err)
	calls := callsOf(string(trace), dir)
	t.Logf("%s", strings.Join(calls, "\n"))
	folder := "Shoots/" + shoot
	inOrder(t, calls, "fsync .copyhold/partial/P1", "rename .copyhold/partial/P1 "+folder+"/A001.mov", "fsync "+folder)
	inOrder(t, calls, "fsync .copyhold/partial/P2", "rename "+folder+"/DCIM/B002.raw kept", "rename .copyhold/partial/P2 "+folder+"/DCIM/B002.raw", "fsync "+folder+"/DCIM")
	inOrder(t, calls, "rename "+folder+"/DCIM/B002.raw kept", "fsync kept")
	// FAT has no journal: a partial that comes back beside its final name would be
	// cleared, and with it what the two have in common.
	inOrder(t, calls, "rename .copyhold/partial/P2 "+folder+"/DCIM/B002.raw", "fsync .copyhold/partial")
	// What was kept lasts before the partial, which tells of it, is gone.
	inOrder(t, calls, "rename "+folder+"/DCIM/B002.raw kept", "fsync .copyhold/kept", "fsync kept", "rename .copyhold/partial/P2 "+folder+"/DCIM/B002.raw")
}

var (
	syncCall   = regexp.MustCompile(`f(?:data)?sync\(\d+<([^>]*)>`)
	renameCall = regexp.MustCompile(`renameat2?\(\d+<([^>]*)>, "([^"]*)", \d+<([^>]*)>, "([^"]*)"`)
)

// callsOf is a trace in few words: paths from the drive folder, partials by number in
// the order of their renames, everything in the folder of kept versions as "kept".
func callsOf(trace, dir string) []string {
	numbers := map[string]string{}
	for _, m := range renameCall.FindAllStringSubmatch(trace, -1) {
		if strings.HasSuffix(m[1], "/partial") {
			numbers[m[2]] = fmt.Sprint("P", len(numbers)+1)
		}
	}
	short := func(path string) string {
		path = strings.TrimPrefix(strings.TrimPrefix(path, dir), "/")
		if strings.HasPrefix(path, lists.KeptDir+"/") && strings.Contains(path, shoot) {
			return "kept"
		}
		for tag, number := range numbers {
			path = strings.ReplaceAll(path, tag, number)
		}
		return path
	}
	var calls []string
	for line := range strings.Lines(trace) {
		if m := syncCall.FindStringSubmatch(line); m != nil {
			calls = append(calls, "fsync "+short(m[1]))
		}
		if m := renameCall.FindStringSubmatch(line); m != nil {
			calls = append(calls, "rename "+short(m[1]+"/"+m[2])+" "+short(m[3]+"/"+m[4]))
		}
	}
	return calls
}

func inOrder(t *testing.T, calls []string, want ...string) {
	t.Helper()
	at := 0
	for _, call := range calls {
		if at < len(want) && call == want[at] {
			at++
		}
	}
	if at < len(want) {
		t.Errorf("no %q in its place after %q", want[at], want[:at])
	}
}
