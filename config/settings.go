package config

import (
	"fmt"
	"regexp"
	"slices"
	"strings"

	"github.com/pelletier/go-toml/v2/unstable"
)

// tables and settings are all that a configuration may hold, in the order in
// which it is shown.
var (
	tables   = []string{"working", "policy", "watch", "limits"}
	settings = []string{
		"working.folder", "working.name",
		"policy.copies", "policy.off_site", "policy.warn_after", "policy.verify_every", "policy.keep_versions",
		"watch.settle", "watch.rescan", "watch.ignore",
		"limits.rate", "limits.quiet_hours",
	}
)

// setting returns a pointer to what path names, or nil if that is unknown or a
// working folder's and none is open. It is one flat switch.
func (c *Config) setting(path string) any {
	if strings.HasPrefix(path, "working.") && len(c.Working) == 0 {
		return nil
	}
	switch path {
	case "working.folder":
		return &c.Working[len(c.Working)-1].Folder
	case "working.name":
		return &c.Working[len(c.Working)-1].Name
	case "policy.copies":
		return &c.Policy.Copies
	case "policy.off_site":
		return &c.Policy.OffSite
	case "policy.warn_after":
		return &c.Policy.WarnAfter
	case "policy.verify_every":
		return &c.Policy.VerifyEvery
	case "policy.keep_versions":
		return &c.Policy.KeepVersions
	case "watch.settle":
		return &c.Watch.Settle
	case "watch.rescan":
		return &c.Watch.Rescan
	case "watch.ignore":
		return &c.Watch.Ignore
	case "limits.rate":
		return &c.Limits.Rate
	case "limits.quiet_hours":
		return &c.Limits.QuietHours
	}
	return nil
}

func isTable(path string) bool   { return slices.Contains(tables, path) }
func isSetting(path string) bool { return slices.Contains(settings, path) }

// index makes "working.name" the name of the working folder that is open.
func (d *document) index(path string) string {
	if key, ok := strings.CutPrefix(path, "working."); ok {
		return folderKey(len(d.cfg.Working)-1, key)
	}
	return path
}

// folderKey names a setting of the i-th working folder, or with no key the
// folder's table.
func folderKey(i int, key string) string { return fmt.Sprintf("working[%d].%s", i, key) }

func elementKey(list string, i int) string { return fmt.Sprintf("%s[%d]", list, i) }

var bareKey = regexp.MustCompile(`^[A-Za-z0-9_-]+$`)

// joinKey returns table and key as one path. A part that could be taken for
// something else is quoted, so that "policy.copies" in quotes is no setting.
func joinKey(table string, key unstable.Iterator) string {
	var parts []string
	if table != "" {
		parts = append(parts, table)
	}
	for key.Next() {
		part := string(key.Node().Data)
		if !bareKey.MatchString(part) {
			part = fmt.Sprintf("%q", part)
		}
		parts = append(parts, part)
	}
	return strings.Join(parts, ".")
}

func bracket(table string, isList bool) string {
	if isList {
		return "[[" + table + "]]"
	}
	return "[" + table + "]"
}

func splitPath(path string) (table, key string) {
	if table, key, ok := strings.Cut(path, "."); ok && isTable(table) {
		return table, key
	}
	return "", path
}

// describeKey says the key as it was written, and where.
func describeKey(path string) string {
	table, key := splitPath(path)
	if table == "" {
		return key + " outside of any table"
	}
	return key + " in " + bracket(table, table == "working")
}

// suggestKey says what may have been meant: a key of the same table spelled
// alike, the same key of another table, or else any that would do.
func suggestKey(path string) string {
	table, key := splitPath(path)
	var here []string
	for _, s := range settings {
		t, k := splitPath(s)
		switch {
		case t == table && similar(key, k):
			return k
		case t != table && strings.EqualFold(key, k):
			return k + " under " + bracket(t, t == "working")
		case t == table:
			here = append(here, k)
		}
	}
	if table == "" {
		return suggestTable(key)
	}
	return oneOf(here)
}

func suggestTable(name string) string {
	var all []string
	for _, t := range tables {
		if similar(name, t) {
			return bracket(t, t == "working")
		}
		all = append(all, bracket(t, t == "working"))
	}
	return oneOf(all)
}

func oneOf(names []string) string {
	last := len(names) - 1
	return strings.Join(names[:last], ", ") + " or " + names[last]
}

// similar reports whether two slips of the finger or fewer lie between a and b,
// and most of the word is left.
func similar(a, b string) bool {
	a, b = strings.ToLower(a), strings.ToLower(b)
	return slips(a, b) <= min(2, len(b)/3)
}

// slips is the edit distance of Levenshtein, row by row.
func slips(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			change := diagonal
			if a[i] != b[j] {
				change++
			}
			diagonal = row[j+1]
			row[j+1] = min(change, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(b)]
}

func kindName(k unstable.Kind) string {
	switch k {
	case unstable.String:
		return "text"
	case unstable.Integer:
		return "a whole number"
	case unstable.Float:
		return "a number with a fraction"
	case unstable.Bool:
		return "true or false"
	case unstable.Array:
		return "a list"
	case unstable.InlineTable:
		return "a table"
	}
	return "a date or a time"
}
