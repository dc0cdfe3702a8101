package main

import (
	"fmt"
	"strings"
	"time"

	"github.com/dustin/go-humanize"
)

// nothing stands where there is no number.
const nothing = "–"

func number(n int64) string { return humanize.Comma(n) }

// count says how many, in words that agree.
func count(n int64, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return number(n) + " " + many
}

func files(n int64) string { return count(n, "file", "files") }

// size is decimal, as drive makers print it.
func size(bytes int64) string {
	return strings.Replace(humanize.Bytes(uint64(max(bytes, 0))), ".0 ", " ", 1)
}

func filesAndSize(n, bytes int64) string { return files(n) + ", " + size(bytes) }

// ofAll says how many of all, and all with one number.
func ofAll(n, all int64) string {
	switch {
	case n == 0 && all > 0:
		return nothing
	case n == all:
		return number(all)
	}
	return number(n) + " of " + number(all)
}

// when says an instant both ways: near enough to feel, exact enough to use.
func when(t, now time.Time) string {
	if t.IsZero() {
		return "never"
	}
	return relative(t, now) + " (" + stamp(t, now) + ")"
}

func stamp(t, now time.Time) string { return t.In(now.Location()).Format("2006-01-02 15:04") }

// day says when something was verified. Of many copies only the day is known, in
// universal time; it comes as the beginning of that day.
func day(t, now time.Time) string {
	if t.IsZero() {
		return "never"
	}
	zone := now.Location()
	if t.Equal(t.Truncate(24 * time.Hour)) {
		zone = time.UTC
	}
	date := t.In(zone).Format(time.DateOnly)
	switch n := daysBetween(t.In(zone), now.In(zone)); {
	case n <= 0:
		return "today (" + date + ")"
	case n == 1:
		return "yesterday (" + date + ")"
	default:
		return fmt.Sprintf("%d days ago (%s)", n, date)
	}
}

// daysBetween counts midnights.
func daysBetween(from, to time.Time) int {
	day := func(t time.Time) time.Time { return time.Date(t.Year(), t.Month(), t.Day(), 0, 0, 0, 0, time.UTC) }
	return int(day(to).Sub(day(from)) / (24 * time.Hour))
}

// relative is "3 days ago" or "in 2 hours".
func relative(t, now time.Time) string {
	if t.After(now) {
		t = t.Add(time.Minute / 2) // or two hours are one as soon as they are said
		return "in " + strings.TrimSpace(humanize.RelTime(t, now, "", ""))
	}
	if now.Sub(t) < 5*time.Second {
		return "just now"
	}
	return humanize.RelTime(t, now, "ago", "")
}

// lasting says a length of time, no finer than a person plans by.
func lasting(seconds int64) string {
	d := time.Duration(seconds) * time.Second
	switch {
	case d < time.Minute:
		return fmt.Sprintf("%d s", seconds)
	case d < time.Hour:
		return fmt.Sprintf("%d min", int(d.Round(time.Minute).Minutes()))
	}
	d = d.Round(time.Minute)
	return fmt.Sprintf("%d h %d min", int(d.Hours()), int(d.Minutes())%60)
}

func quoted(name string) string { return `"` + name + `"` }

// list joins names as a sentence does.
func list(names []string) string {
	switch len(names) {
	case 0:
		return ""
	case 1:
		return names[0]
	}
	last := len(names) - 1
	return strings.Join(names[:last], ", ") + " and " + names[last]
}

func quotedList(names []string) string {
	var all []string
	for _, n := range names {
		all = append(all, quoted(n))
	}
	return list(all)
}
