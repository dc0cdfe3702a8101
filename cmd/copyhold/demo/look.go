package demo

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"

	"github.com/zeebo/blake3"

	"copyhold/replicate"
	"copyhold/replicate/lists"
)

// eyes look at drives from outside: they know the files and their checksum
// lists, and nothing of the daemon.
type eyes struct {
	b3sum string // "" = not installed
}

func openEyes() eyes {
	found, err := exec.LookPath("b3sum")
	if err != nil {
		return eyes{}
	}
	return eyes{b3sum: found}
}

// name says whose word it is.
func (e eyes) name() string {
	if e.b3sum == "" {
		return "the demo"
	}
	return "b3sum --check"
}

// verdict is what the checksum lists of one drive came to.
type verdict struct {
	ok     int64
	failed []string // paths from the drive folder
}

// check checks every list of a drive.
func (e eyes) check(ctx context.Context, drive string) (v verdict, err error) {
	found, err := filepath.Glob(filepath.Join(drive, filepath.FromSlash(lists.ListsDir), "*", "*.b3"))
	if err != nil {
		return v, err
	}
	for _, list := range found {
		one := recompute
		if e.b3sum != "" {
			one = e.ask
		}
		if err := one(ctx, drive, list, &v); err != nil {
			return v, fmt.Errorf("check %s: %w", list, err)
		}
	}
	return v, nil
}

// ask lets b3sum check one list. It answers a line for each file.
func (e eyes) ask(ctx context.Context, drive, list string, v *verdict) error {
	cmd := exec.CommandContext(ctx, e.b3sum, "--check", list)
	cmd.Dir = drive
	answer, err := cmd.Output()
	before := len(v.failed)
	for line := range strings.Lines(string(answer)) {
		line = strings.TrimRight(line, "\r\n")
		if strings.HasSuffix(line, ": OK") {
			v.ok++
		} else if i := strings.LastIndex(line, ": FAILED"); i >= 0 {
			v.failed = append(v.failed, line[:i])
		}
	}
	if exit, ok := errors.AsType[*exec.ExitError](err); ok && len(v.failed) == before {
		return fmt.Errorf("%w: %s", err, bytes.TrimSpace(exit.Stderr))
	} else if !ok {
		return err
	}
	return nil
}

// recompute checks one list without b3sum.
func recompute(ctx context.Context, drive, list string, v *verdict) error {
	text, err := os.ReadFile(list)
	if err != nil {
		return err
	}
	lines, err := lists.ParseSums(text)
	if err != nil {
		return err
	}
	for _, l := range lines {
		if err := ctx.Err(); err != nil {
			return err
		}
		digest, err := digestOf(filepath.Join(drive, filepath.FromSlash(l.Path)))
		switch {
		case err != nil:
			return err
		case digest == l.Digest:
			v.ok++
		default:
			v.failed = append(v.failed, l.Path)
		}
	}
	return nil
}

func digestOf(name string) (d replicate.Digest, err error) {
	file, err := os.Open(name)
	if err != nil {
		return d, err
	}
	defer file.Close()
	h := blake3.New()
	_, err = io.Copy(h, file)
	copy(d[:], h.Sum(nil))
	return d, err
}

// comparison is two folders held against each other.
type comparison struct {
	files, bytes int64
	differ       []string // slash paths inside the folders
	more         []string // only in the second one
}

// compare reads every file of one folder and its namesake in the other.
func compare(ctx context.Context, one, other string) (c comparison, err error) {
	all, err := filesIn(one)
	if err != nil {
		return c, err
	}
	here := map[string]bool{}
	for _, rel := range all {
		if err := ctx.Err(); err != nil {
			return c, err
		}
		here[rel] = true
		n, same, err := sameBytes(filepath.Join(one, rel), filepath.Join(other, rel))
		if err != nil {
			return c, err
		}
		c.files, c.bytes = c.files+1, c.bytes+n
		if !same {
			c.differ = append(c.differ, filepath.ToSlash(rel))
		}
	}
	there, err := filesIn(other)
	for _, rel := range there {
		if !here[rel] {
			c.more = append(c.more, filepath.ToSlash(rel))
		}
	}
	return c, err
}

// filesIn lists the files below a folder, by paths from it.
func filesIn(folder string) (all []string, err error) {
	err = filepath.WalkDir(folder, func(name string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		rel, err := filepath.Rel(folder, name)
		all = append(all, rel)
		return err
	})
	return all, err
}

// sameBytes compares two files; n is how long the first one is.
func sameBytes(one, other string) (n int64, same bool, err error) {
	a, err := os.Open(one)
	if err != nil {
		return 0, false, err
	}
	defer a.Close()
	b, err := os.Open(other)
	if err != nil {
		return 0, false, err
	}
	defer b.Close()
	to := &comparer{with: bufio.NewReaderSize(b, 1<<18), same: true}
	n, err = io.CopyBuffer(struct{ io.Writer }{to}, struct{ io.Reader }{a}, make([]byte, 1<<18))
	if err != nil {
		return n, false, err
	}
	_, end := to.with.ReadByte()
	return n, to.same && end == io.EOF, nil
}

// comparer is written one file and reads the other.
type comparer struct {
	with  *bufio.Reader
	same  bool
	piece []byte
}

func (c *comparer) Write(p []byte) (int, error) {
	c.piece = append(c.piece[:0], p...)
	n, err := io.ReadFull(c.with, c.piece)
	if err != nil && err != io.EOF && err != io.ErrUnexpectedEOF {
		return 0, err
	}
	c.same = c.same && n == len(p) && bytes.Equal(c.piece, p)
	return len(p), nil
}
