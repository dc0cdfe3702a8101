package lists

import (
	"bytes"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"

	"copyhold/replicate"
)

// Line is one line of a checksum list.
type Line struct {
	Path   string // from the drive folder
	Digest replicate.Digest
}

// Sums is a shoot's checksum list: the lines that b3sum prints and checks from
// inside the drive folder, ordered by path. Files that b3sum cannot check are
// left out, and so is what has no digest: that is no copy (P8). The working
// folder's name on the drive is storedWorking; empty means that it is the same.
//
// The format is in "How does b3sum --check behave exactly?", Formal Rules,
// https://github.com/BLAKE3-team/BLAKE3/blob/master/b3sum/what_does_check_do.md
func Sums(working string, entries []Entry, storedWorking string) []byte {
	if storedWorking == "" {
		storedWorking = working
	}
	var lines []Line
	for _, e := range entries {
		path := e.OnDrive(storedWorking)
		if e.Digest.Known() && checkable(path) {
			lines = append(lines, Line{Path: path, Digest: e.Digest})
		}
	}
	slices.SortFunc(lines, func(a, b Line) int { return strings.Compare(a.Path, b.Path) })
	var list []byte
	for _, l := range lines {
		list = l.append(list)
	}
	return list
}

// checkable reports whether every b3sum can check a file of that name. A
// replacement character stands for any bytes and is refused; a carriage return
// is escaped by newer versions in a way that older ones do not know.
func checkable(path string) bool {
	return utf8.ValidString(path) && !strings.ContainsAny(path, "\r\x00\uFFFD")
}

var escape = strings.NewReplacer(`\`, `\\`, "\n", `\n`)

func (l Line) append(list []byte) []byte {
	path := escape.Replace(l.Path)
	if path != l.Path {
		list = append(list, '\\')
	}
	list = hex.AppendEncode(list, l.Digest[:])
	list = append(list, "  "...)
	list = append(list, path...)
	return append(list, '\n')
}

// ParseSums reads a checksum list as strictly as Sums writes it. A last line
// without its line break is refused: the rest of its path may be missing.
func ParseSums(list []byte) ([]Line, error) {
	var lines []Line
	first := map[string]int{} // line number of each path
	for number := 1; len(list) > 0; number++ {
		text, rest, whole := bytes.Cut(list, []byte("\n"))
		if !whole {
			return nil, fmt.Errorf("line %d is cut short", number)
		}
		l, err := parseLine(string(text))
		if err != nil {
			return nil, fmt.Errorf("line %d %w", number, err)
		}
		if before := first[l.Path]; before != 0 {
			return nil, fmt.Errorf("line %d names %q again, as line %d does", number, l.Path, before)
		}
		first[l.Path] = number
		lines = append(lines, l)
		list = rest
	}
	return lines, nil
}

func parseLine(text string) (Line, error) {
	text, escaped := strings.CutPrefix(text, `\`)
	digits, path, found := strings.Cut(text, "  ")
	if !found {
		return Line{}, errors.New("is not a digest, two spaces and a path")
	}
	digest, err := parseDigest(digits)
	if err != nil {
		return Line{}, err
	}
	if escaped {
		if path, err = unescape(path); err != nil {
			return Line{}, err
		}
	}
	if err := checkPath(path); err != nil {
		return Line{}, err
	}
	if !checkable(path) {
		return Line{}, fmt.Errorf("has a path that cannot be checked: %q", path)
	}
	return Line{Path: path, Digest: digest}, nil
}

func unescape(path string) (string, error) {
	var b strings.Builder
	for {
		plain, rest, found := strings.Cut(path, `\`)
		b.WriteString(plain)
		switch {
		case !found:
			return b.String(), nil
		case strings.HasPrefix(rest, `\`):
			b.WriteByte('\\')
		case strings.HasPrefix(rest, "n"):
			b.WriteByte('\n')
		default:
			return "", fmt.Errorf(`has a backslash that escapes neither "\" nor "n": %q`, path)
		}
		path = rest[1:]
	}
}

// parseDigest refuses all zeros too: that stands for content never read.
func parseDigest(s string) (replicate.Digest, error) {
	if !isLowerHex(s, 64) {
		return replicate.Digest{}, fmt.Errorf("has a digest that is not 64 lower-case hex digits: %q", s)
	}
	d, _ := replicate.ParseDigest(s)
	if !d.Known() {
		return replicate.Digest{}, errors.New("has a digest of zeros")
	}
	return d, nil
}
