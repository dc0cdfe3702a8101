package main

import (
	"time"

	"copyhold/daemon/api"
)

// renderExplanation writes what is known of a file and the decision for each
// drive, in the words that the log uses.
func renderExplanation(p *page, e api.Explanation) {
	p.line(0, e.Working+"/"+e.Path)
	if e.Known {
		p.text(2, size(e.Bytes)+", modified "+when(e.Modified, p.now)+", "+e.Life)
		p.line(2, digestWord(e.Digest))
	} else {
		p.text(2, "the ledger does not know this file")
	}
	if e.Note != "" {
		p.text(2, e.Note)
	}
	if len(e.Drives) == 0 {
		return
	}
	p.blank()
	t := table{columns: []column{{shrink: 10}, {}}}
	for _, d := range e.Drives {
		t.rows = append(t.rows, row{cells: []cell{{d.Drive, strong}, word(d.Action)}, below: decisionLines(d, p.now)})
	}
	t.write(p)
}

func digestWord(digest string) string {
	if digest == "" {
		return "content not read yet"
	}
	return "BLAKE3 " + digest
}

func decisionLines(d api.Decision, now time.Time) (lines []string) {
	if !d.Verified.IsZero() {
		lines = append(lines, "verified there "+when(d.Verified, now))
	}
	if d.StoredAs != "" {
		lines = append(lines, "stored as "+d.StoredAs)
	}
	if !d.Until.IsZero() {
		lines = append(lines, "not before "+when(d.Until, now))
	}
	return lines
}
