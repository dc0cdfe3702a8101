package config

import (
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"unicode"

	"github.com/bmatcuk/doublestar/v4"
	"golang.org/x/text/unicode/norm"
)

const folderExpected = `an absolute path, or one that begins with ~/`

// complete gives the working folders the form that Config promises.
func (d *document) complete(home func() (string, error)) {
	for i := range d.cfg.Working {
		w := &d.cfg.Working[i]
		if at, ok := d.given[folderKey(i, "folder")]; ok {
			w.at = at
		}
		folder, err := expandHome(w.Folder, home)
		if err != nil {
			e := w.at.errorf("", "~ stands for no folder")
			e.Err = err
			d.complain(e)
		}
		if w.Folder = folder; folder == "" {
			continue
		}
		w.Folder = filepath.Clean(folder)
		if w.Name == "" {
			w.Name = filepath.Base(w.Folder)
		}
	}
}

// expandHome leaves ~ana alone: it is then refused, as not absolute.
func expandHome(folder string, home func() (string, error)) (string, error) {
	rest, ok := strings.CutPrefix(folder, "~")
	if !ok || rest != "" && !isSeparator(rest[0]) {
		return folder, nil
	}
	dir, err := home()
	if err == nil && !filepath.IsAbs(dir) {
		err = errors.New("the home folder is not absolute")
	}
	return filepath.Join(dir, rest), err
}

func isSeparator(c byte) bool { return c == '/' || c == filepath.Separator }

// judge applies the rules that hold between and beyond single values.
func (d *document) judge() {
	d.judgeFolders()
	d.judgePolicy()
	d.judgeDurations()
	d.judgePatterns()
}

// fault complains about a setting, unless its value was refused already.
func (d *document) fault(setting, expected, format string, args ...any) {
	if d.refused[setting] {
		return
	}
	at, ok := d.given[setting]
	if !ok { // its table, or else the file as such
		at, ok = d.given[setting[:strings.LastIndexByte(setting, '.')+1]]
	}
	if !ok {
		at = place{d.file, 1, 1}
	}
	d.complain(at.errorf(expected, format, args...))
}

func (d *document) judgeFolders() {
	if len(d.cfg.Working) == 0 {
		d.fault("working", "[[working]] with its folder, at least once", "no working folder is named")
	}
	for i, w := range d.cfg.Working {
		switch key := folderKey(i, "folder"); {
		case w.Folder == "":
			d.fault(key, folderExpected, "working.folder is %s", emptyOrMissing(d.given, key))
		case !filepath.IsAbs(w.Folder):
			d.fault(key, folderExpected, "working.folder %q is relative", w.Folder)
		case strings.ContainsRune(w.Folder, 0):
			d.fault(key, folderExpected, "working.folder %q holds a zero character", w.Folder)
		default:
			d.judgeName(i)
			d.judgeNeighbours(i)
		}
	}
}

func emptyOrMissing(given map[string]place, key string) string {
	if _, ok := given[key]; ok {
		return "empty"
	}
	return "missing"
}

func (d *document) judgeName(i int) {
	name := d.cfg.Working[i].Name
	what := nameTrouble(name)
	if what == "" {
		return
	}
	key, expected := folderKey(i, "name"), "a plain name such as \"Shoots\""
	if _, ok := d.given[key]; !ok { // it came from the folder
		key, expected = folderKey(i, "folder"), "name = \"...\" besides, since the folder's own does not do"
	}
	d.fault(key, expected, "the name %q %s", name, what)
}

// nameTrouble says why name cannot be the folder on every drive that holds this
// working folder's shoots, or nothing. Two names there are ours. Windows drops
// dots and spaces at a name's end, so a name is judged without them.
func nameTrouble(name string) string {
	stem := strings.TrimRight(name, ". ")
	switch {
	case stem == "":
		return "is nothing but dots and spaces"
	case strings.ContainsAny(name, `/\`):
		return "holds a slash or a backslash"
	case strings.ContainsFunc(name, unicode.IsControl):
		return "holds a control character"
	case strings.EqualFold(stem, ".copyhold"), strings.EqualFold(stem, "SHOOTS.html"):
		return "is what Copyhold itself keeps on each drive"
	case len(name) > 255:
		return "is longer than 255 bytes"
	}
	return ""
}

// judgeNeighbours compares with the working folders before. Names are compared
// as the least discerning drive would; folders by their paths alone.
func (d *document) judgeNeighbours(i int) {
	w := d.cfg.Working[i]
	for j, other := range d.cfg.Working[:i] {
		if sameName(w.Name, other.Name) {
			key := folderKey(i, "name")
			if _, ok := d.given[key]; !ok {
				key = folderKey(i, "folder")
			}
			d.fault(key, "a name of its own for each", "the name %q is that of working folder %d as well", w.Name, j+1)
		}
		if relation := relate(w.Folder, other.Folder, below); relation != "" {
			d.fault(folderKey(i, "folder"), "folders apart from each other",
				"working.folder %q %s working folder %q", w.Folder, relation, other.Folder)
		}
	}
}

func sameName(a, b string) bool {
	return strings.EqualFold(norm.NFC.String(a), norm.NFC.String(b))
}

// relate says how a stands to b if they are not apart. The test that is passed
// in reports whether its first path is its second or below it.
func relate(a, b string, within func(inner, outer string) bool) string {
	switch aInB, bInA := within(a, b), within(b, a); {
	case aInB && bInA:
		return "is the same as"
	case aInB:
		return "lies inside"
	case bInA:
		return "holds"
	}
	return ""
}

// below compares clean paths and looks at no disk.
func below(inner, outer string) bool {
	rel, err := filepath.Rel(outer, inner)
	return err == nil && rel != ".." && !strings.HasPrefix(rel, ".."+string(filepath.Separator))
}

func (d *document) judgePolicy() {
	p := d.cfg.Policy
	_, offSiteGiven := d.given["policy.off_site"]
	switch {
	case d.refused["policy.copies"]:
	case p.Copies < 1:
		d.fault("policy.copies", "at least 1, the working drive's own", "policy.copies is %d", p.Copies)
	case p.OffSite < 0:
		d.fault("policy.off_site", "0 or more", "policy.off_site is %d", p.OffSite)
	case p.OffSite > p.Copies-1 && offSiteGiven:
		d.fault("policy.off_site", fmt.Sprintf("at most %d: one of %d copies is the working drive's", p.Copies-1, p.Copies),
			"policy.off_site is %d", p.OffSite)
	case p.OffSite > p.Copies-1:
		d.fault("policy.copies", "off_site = 0 besides", "policy.copies is %d and policy.off_site is %d unless set", p.Copies, p.OffSite)
	}
}

// judgeDurations refuses zero where it would mean to work without a pause, or
// to read a file that is still being written.
func (d *document) judgeDurations() {
	for _, path := range []string{"policy.verify_every", "watch.settle", "watch.rescan"} {
		if *d.cfg.setting(path).(*Duration) == 0 {
			d.fault(path, "more than zero", "%s is zero", path)
		}
	}
}

func (d *document) judgePatterns() {
	for i, pattern := range d.cfg.Watch.Ignore {
		key := elementKey("watch.ignore", i)
		switch {
		case pattern == "":
			d.fault(key, `a pattern such as "**/*.tmp"`, "a pattern is empty")
		case !doublestar.ValidatePattern(pattern):
			d.fault(key, `a pattern such as "**/*.tmp", with every [ and { closed`, "the pattern %q is malformed", pattern)
		case ignoresAll(pattern):
			d.fault(key, `a pattern such as "**/*.tmp"`, "the pattern %q ignores every file, so nothing would be copied", pattern)
		}
	}
}

// ignoresAll tries names that nobody means. A pattern that meets them meets
// every file, and every shoot would then count as covered.
func ignoresAll(pattern string) bool {
	for _, path := range []string{"\x01", "\x01/\x01", "\x01/\x01.\x01", "\x01/\x01/\x01.\x01"} {
		if doublestar.MatchUnvalidated(pattern, path) {
			return true
		}
	}
	return false
}
