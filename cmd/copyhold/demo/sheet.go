package demo

import (
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/dustin/go-humanize"
)

// pageWidth is what a terminal has unless somebody made it wider.
const pageWidth = 80

const margin = "   "

// sheet is what the day is written on. The first error of writing is kept.
type sheet struct {
	out io.Writer
	err error
}

func (s *sheet) line(format string, args ...any) {
	if s.err != nil {
		return
	}
	text := strings.TrimRight(fmt.Sprintf(format, args...), " ")
	_, s.err = fmt.Fprintln(s.out, text)
}

func (s *sheet) blank() { s.line("") }

// say writes a paragraph below a heading.
func (s *sheet) say(format string, args ...any) { s.wrapped(margin, fmt.Sprintf(format, args...)) }

func (s *sheet) wrapped(margin, text string) {
	line := ""
	for word := range strings.FieldsSeq(text) {
		switch {
		case line == "":
			line = margin + word
		case len([]rune(line))+1+len([]rune(word)) < pageWidth:
			line += " " + word
		default:
			s.line("%s", line)
			line = margin + word
		}
	}
	s.line("%s", line)
}

// heading begins a step.
func (s *sheet) heading(n int, st step) {
	s.blank()
	s.line("%d. %s - %s", n, st.when, st.title)
}

// figures writes one row of what was counted: files, bytes, and what else there is to say.
func (s *sheet) figures(label string, files, bytes int64, rest string, args ...any) {
	s.line("%s%-27s%6s %-5s %7s  %s", margin, label, humanize.Comma(files), plural(files), size(bytes), fmt.Sprintf(rest, args...))
}

func plural(files int64) string {
	if files == 1 {
		return "file"
	}
	return "files"
}

func count(files int64) string { return humanize.Comma(files) + " " + plural(files) }

func size(bytes int64) string { return humanize.Bytes(uint64(max(bytes, 0))) }

// seconds is as exact as the demo's questions are frequent.
func seconds(d time.Duration) string {
	if d < time.Second {
		return fmt.Sprintf("%.2f s", d.Seconds())
	}
	return fmt.Sprintf("%.1f s", d.Seconds())
}

// rate is decimal megabytes in a second.
func rate(bytes int64, d time.Duration) string {
	return fmt.Sprintf("%.0f MB/s", float64(bytes)/1e6/max(d.Seconds(), 1e-3))
}
