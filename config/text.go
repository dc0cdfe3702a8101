package config

import (
	"fmt"
	"runtime"
	"strings"
)

// Example returns a configuration with every default, for a user to begin with.
// Its one working folder is invented.
func Example() string {
	cfg := Default()
	cfg.Working = []Working{{Folder: exampleFolder(runtime.GOOS), Name: "Shoots"}}
	return cfg.TOML()
}

func exampleFolder(goos string) string {
	switch goos {
	case "windows":
		return `D:\Shoots`
	case "darwin":
		return "/Volumes/WORK/Shoots"
	}
	return "/media/ana/WORK/Shoots"
}

// TOML returns c as a commented file, which loads as c again.
func (c Config) TOML() string {
	var f fileText
	for _, w := range c.Working {
		f.table("[[working]]")
		f.set("folder", quote(w.Folder), "")
		f.set("name", quote(w.Name), "optional; the folder's own name otherwise")
	}
	f.table("[policy]")
	f.set("copies", fmt.Sprint(c.Policy.Copies), "separate devices wanted, the working drive's included")
	f.set("off_site", fmt.Sprint(c.Policy.OffSite), "of these, at least so many off site or at home, away from the working drive")
	f.set("warn_after", quote(c.Policy.WarnAfter.String()), "a shoot on one device for this long is said aloud")
	f.set("verify_every", quote(c.Policy.VerifyEvery.String()), "verified copies are read again after this long")
	f.set("keep_versions", quote(c.Policy.KeepVersions.String()), "of changed files other than originals; originals' earlier versions are kept until told")
	f.table("[watch]")
	f.set("settle", quote(c.Watch.Settle.String()), "a file is read once it has been quiet for this long")
	f.set("rescan", quote(c.Watch.Rescan.String()), "everything is looked at again this often")
	f.set("ignore", quoteAll(c.Watch.Ignore), "")
	f.table("[limits]")
	f.set("rate", quote(c.Limits.Rate.String()), `per drive, "0" = none; "40 MB/s"`)
	f.set("quiet_hours", quote(c.Limits.QuietHours.String()), `"09:00-18:00" throttles verification`)
	return f.String()
}

// fileText lines up keys and comments.
type fileText struct{ strings.Builder }

func (f *fileText) table(header string) {
	if f.Len() > 0 {
		f.WriteString("\n")
	}
	f.WriteString(header + "\n")
}

func (f *fileText) set(key, value, comment string) {
	line := fmt.Sprintf("%-13s = %s", key, value)
	if comment != "" {
		line = fmt.Sprintf("%-28s # %s", line, comment)
	}
	f.WriteString(line + "\n")
}

// quote prefers single quotes for what has a backslash: a path of Windows is
// then written as it is.
func quote(s string) string {
	isPlain := !strings.ContainsFunc(s, func(r rune) bool { return r == '\'' || r < ' ' || r == 0x7f })
	if strings.Contains(s, `\`) && isPlain {
		return "'" + s + "'"
	}
	var b strings.Builder
	for _, r := range s {
		switch {
		case r == '"' || r == '\\':
			b.WriteString(`\` + string(r))
		case r < ' ' || r == 0x7f:
			fmt.Fprintf(&b, `\u%04x`, r)
		default:
			b.WriteRune(r)
		}
	}
	return `"` + b.String() + `"`
}

func quoteAll(list []string) string {
	var quoted []string
	for _, s := range list {
		quoted = append(quoted, quote(s))
	}
	return "[" + strings.Join(quoted, ", ") + "]"
}
