package lab

import (
	"bufio"
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
)

// mount is a line of the mount table.
type mount struct {
	at     string // its mount point
	source string // its device, if it has one
}

// mounts returns the mount table, the last mounted first.
func mounts() ([]mount, error) {
	f, err := os.Open("/proc/self/mountinfo")
	if err != nil {
		return nil, err
	}
	defer f.Close()
	var table []mount
	lines := bufio.NewScanner(f)
	for lines.Scan() {
		// proc_pid_mountinfo(5): the fifth field is the mount point; the source is
		// the second one after a lone hyphen.
		own, rest, _ := strings.Cut(lines.Text(), " - ")
		left, right := strings.Fields(own), strings.Fields(rest)
		if len(left) >= 5 && len(right) >= 2 {
			table = append(table, mount{at: unescape(left[4]), source: unescape(right[1])})
		}
	}
	slices.Reverse(table)
	return table, lines.Err()
}

// unescape undoes the octal escapes of the mount table: \040 is a space.
func unescape(s string) string {
	var b strings.Builder
	for len(s) > 0 {
		if s[0] == '\\' && len(s) >= 4 {
			if n, err := strconv.ParseUint(s[1:4], 8, 8); err == nil {
				b.WriteByte(byte(n))
				s = s[4:]
				continue
			}
		}
		b.WriteByte(s[0])
		s = s[1:]
	}
	return b.String()
}

func mountedAt(dir string) bool {
	table, err := mounts()
	return err == nil && slices.ContainsFunc(table, func(m mount) bool { return m.at == dir })
}

// unmountAll takes away the mounts on dir and in it, lazily: it never fails for
// being busy.
func unmountAll(dir string) error {
	return unmountThose(func(m mount) bool { return m.at == dir || strings.HasPrefix(m.at, dir+"/") })
}

func unmountThose(of func(mount) bool) error {
	table, err := mounts()
	if err != nil {
		return err
	}
	for _, m := range table {
		if !of(m) {
			continue
		}
		if _, err := command("umount", "-l", m.at); err != nil && mountedAt(m.at) {
			return err
		}
	}
	return nil
}

// over reports whether the process has ended, be it that nobody has asked for its
// status yet.
func over(pid int) bool {
	b, err := os.ReadFile(filepath.Join("/proc", strconv.Itoa(pid), "stat"))
	if err != nil {
		return true
	}
	// proc_pid_stat(5): the state follows the name, which may hold anything but is in brackets.
	rest := b[bytes.LastIndexByte(b, ')')+1:]
	return bytes.HasPrefix(rest, []byte(" Z")) || bytes.HasPrefix(rest, []byte(" X"))
}

// holders names the processes that have something open in dir, for a message.
func holders(dir string) string {
	links, _ := filepath.Glob("/proc/[0-9]*/fd/*") // a bad pattern is the only error
	for _, name := range []string{"cwd", "root"} {
		more, _ := filepath.Glob("/proc/[0-9]*/" + name)
		links = append(links, more...)
	}
	var found []string
	for _, link := range links {
		target, err := os.Readlink(link)
		if err != nil || (target != dir && !strings.HasPrefix(target, dir+"/")) {
			continue
		}
		pid := strings.Split(link, "/")[2]
		name, _ := os.ReadFile(filepath.Join("/proc", pid, "comm")) // it may have ended meanwhile
		found = append(found, fmt.Sprintf("process %s (%s): %s", pid, bytes.TrimSpace(name), target))
	}
	if len(found) == 0 {
		return "nobody that can be seen"
	}
	return strings.Join(found, ", ")
}
