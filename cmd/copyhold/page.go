package main

import (
	"fmt"
	"io"
	"strings"
	"time"
)

// page is what an answer is written on. It cleans every text it is given.
type page struct {
	out   io.Writer
	now   time.Time // in the reader's time zone
	width int       // of the terminal in cells; 0 = none, so nothing is cut or wrapped
	color bool

	offline bool // the answer is the ledger's: nobody looked what is plugged in
}

// style is how a word looks beside what it says; it never says anything alone.
type style string

// The styles, as parameters of the terminal's "select graphic rendition".
const (
	plain  style = ""
	strong style = "1"
	faint  style = "2"
	bad    style = "1;31"
	poor   style = "33"
	good   style = "32"
)

// paint returns text, which is clean, in a style.
func (p *page) paint(s style, text string) string {
	if !p.color || s == plain || text == "" {
		return text
	}
	return "\x1b[" + string(s) + "m" + text + "\x1b[0m"
}

func (p *page) blank() { fmt.Fprintln(p.out) }

// line writes text, however long: a path or a digest that somebody will copy.
func (p *page) line(indent int, text string) {
	fmt.Fprintln(p.out, strings.Repeat(" ", indent)+clean(text))
}

// title writes the one line that a person should read if only one.
func (p *page) title(s style, text string) {
	for _, l := range wrap(clean(text), p.width) {
		fmt.Fprintln(p.out, p.paint(s, l))
	}
}

// head begins a part of the page.
func (p *page) head(text string) {
	p.blank()
	fmt.Fprintln(p.out, p.paint(strong, clean(text)))
}

// text writes a paragraph that wraps within its indent.
func (p *page) text(indent int, text string) {
	p.labelled(indent, plain, "", text)
}

// labelled writes a paragraph after a styled word; the lines that follow the
// first are set in by two more.
func (p *page) labelled(indent int, s style, label, text string) {
	if label = clean(label); label != "" {
		text = label + " " + text
	}
	limit := 0
	if p.width > 0 {
		limit = max(p.width-indent-2, 20)
	}
	for i, l := range wrap(clean(text), limit) {
		margin := strings.Repeat(" ", indent)
		if i > 0 {
			margin += "  "
		}
		if rest, ok := strings.CutPrefix(l, label); ok && i == 0 {
			l = p.paint(s, label) + rest
		}
		fmt.Fprintln(p.out, margin+l)
	}
}
