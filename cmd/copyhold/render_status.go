package main

import (
	"fmt"
	"slices"
	"time"

	"copyhold/daemon/api"
)

// mostShoots is how many rows of shoots the status shows before it points to
// the whole table.
const mostShoots = 12

// mostNotices is the same for notices; what is left out is in the table of
// shoots or of drives.
const mostNotices = 8

// renderStatus writes the whole picture, what matters most first.
func renderStatus(p *page, st api.Status, shoots []api.ShootDetail) {
	if p.offline = !st.Daemon.Running; p.offline {
		p.title(poor, offlineSentence(st, p.now))
		p.text(0, "Start it: copyhold run")
		p.blank()
	}
	sentence, style := headline(st, shoots)
	p.title(style, sentence)
	if st.Daemon.Paused {
		renderPaused(p, st)
	}
	renderNotices(p, st.Notices)
	renderWorking(p, st.Working)
	renderDrives(p, st.Drives)
	renderShootTable(p, shoots, mostShoots)
}

// headline is the whole standing in one sentence.
func headline(st api.Status, shoots []api.ShootDetail) (string, style) {
	standing := tally(st.Shoots)
	all := int64(len(st.Shoots))
	switch {
	case all == 0:
		return emptyHeadline(st), plain
	case standing.lost > 0 && standing.once > 0:
		return fmt.Sprintf("%s no whole copy; %s%s.", count(standing.lost, "shoot has", "shoots have"),
			onlyOnce(standing.once, shoots), standing.besides()), bad
	case standing.lost > 0:
		return count(standing.lost, "shoot has", "shoots have") + " no whole copy" + standing.besides() + ".", bad
	case standing.once > 0:
		return onlyOnce(standing.once, shoots) + standing.besides() + ".", bad
	case standing.short > 0:
		return fmt.Sprintf("Every shoot has a second copy; %s fewer copies than you want.",
			count(standing.short, "has", "have")), poor
	case standing.unproven > 0:
		return fmt.Sprintf("Every shoot has all its copies; those of %s were verified too long ago.",
			count(standing.unproven, "shoot", "shoots")), poor
	case all == 1:
		return "The one shoot is covered.", good
	}
	return fmt.Sprintf("All %s shoots are covered.", number(all)), good
}

// onlyOnce does not say it of a whole shoot when a drive holds part of it.
func onlyOnce(n int64, shoots []api.ShootDetail) string {
	if slices.ContainsFunc(shoots, isPartlyCopied) {
		return count(n, "shoot has", "shoots have") + " files that exist only once"
	}
	return count(n, "shoot exists", "shoots exist") + " only once"
}

func isPartlyCopied(s api.ShootDetail) bool {
	return s.Standing == "one copy" && slices.ContainsFunc(s.Shares, func(share api.Share) bool {
		return share.Files > 0 && share.Files < s.Files
	})
}

func emptyHeadline(st api.Status) string {
	for _, w := range st.Working {
		if w.Scanning {
			return "No shoots are known yet; the working folders are being looked through."
		}
	}
	return "There are no shoots in the working folders yet."
}

// standings counts shoots by how they stand.
type standings struct{ lost, once, short, unproven, covered int64 }

// besides says how the other shoots stand.
func (n standings) besides() string {
	text := ""
	if n.short > 0 {
		text += "; " + count(n.short, "has", "have") + " fewer copies than you want"
	}
	if fine := n.unproven + n.covered; fine > 0 {
		text += "; " + count(fine, "has", "have") + " enough"
	}
	return text
}

func tally(shoots []api.Shoot) (n standings) {
	for _, s := range shoots {
		switch {
		case s.Standing == "one copy" && s.Copies == 0:
			n.lost++
		case s.Standing == "one copy":
			n.once++
		case s.Standing == "short":
			n.short++
		case s.Standing == "unproven":
			n.unproven++
		default:
			n.covered++
		}
	}
	return n
}

// offlineSentence says that nobody works, and how old the answer is.
func offlineSentence(st api.Status, now time.Time) string {
	known := knownAt(st)
	if known.IsZero() {
		return "Copyhold is not running, and nothing is known yet."
	}
	return "Copyhold is not running: this is what the ledger knew at " + stamp(known, now) + ", " + relative(known, now) + "."
}

// knownAt is the last instant that the ledger tells of.
func knownAt(st api.Status) (last time.Time) {
	later := func(t time.Time) {
		if t.After(last) {
			last = t
		}
	}
	for _, d := range st.Drives {
		later(d.LastSeen)
	}
	for _, s := range st.Shoots {
		later(s.Since)
	}
	return last
}

func pausedSentence(d api.Daemon, now time.Time) string {
	if d.PausedUntil == nil {
		return "Copying is paused until you resume it."
	}
	return "Copying is paused until " + stamp(*d.PausedUntil, now) + " (" + relative(*d.PausedUntil, now) + ")."
}

func renderPaused(p *page, st api.Status) {
	p.title(poor, pausedSentence(st.Daemon, p.now))
	p.text(0, "Copies that are made stay. Go on with: copyhold resume")
}

func renderResumed(p *page, st api.Status) {
	var n, bytes int64
	for _, d := range st.Drives {
		if d.Online && !d.Retired {
			n, bytes = n+d.WantedFiles, bytes+d.WantedBytes
		}
	}
	if n == 0 {
		p.title(plain, "Copying goes on. The drives that are here want nothing.")
		return
	}
	p.title(plain, "Copying goes on: the drives that are here want "+count(n, "copy", "copies")+", "+size(bytes)+".")
}

// severityWords are what a person reads; the contract's words stay in the JSON.
var severityWords = map[string]struct {
	word  string
	style style
}{
	"critical": {"critical:", bad},
	"normal":   {"warning:", poor},
	"low":      {"note:", faint},
}

func renderNotices(p *page, notices []api.Notice) {
	notices = slices.DeleteFunc(slices.Clone(notices), func(n api.Notice) bool {
		return n.Code == "paused" // said already, above everything
	})
	for i, n := range notices {
		if i == 0 {
			p.blank()
		}
		if i == mostNotices && len(notices) > mostNotices+1 {
			p.line(0, fmt.Sprintf("… and %d more notices (copyhold status --json)", len(notices)-i))
			return
		}
		severity, known := severityWords[n.Severity]
		if !known {
			severity.word = "note:"
		}
		p.labelled(0, severity.style, severity.word, n.Text)
		if n.Safe != "" {
			p.text(4, n.Safe)
		}
		if n.Do != "" {
			p.labelled(4, strong, "to do:", n.Do)
		}
	}
}

func renderWorking(p *page, working []api.Working) {
	if len(working) == 0 {
		return
	}
	p.head("Working folders")
	t := table{indent: 2, columns: []column{
		{head: "name", shrink: 10}, {head: "now"}, {head: "files", right: true}, {head: "size", right: true}, {head: "path", shrink: 20, path: true},
	}}
	for _, w := range working {
		t.rows = append(t.rows, row{
			cells: append([]cell{word(w.Name), p.presence(w.Online, false)}, words(number(w.Files), size(w.Bytes), w.Path)...),
			below: workingActivity(w),
		})
	}
	t.write(p)
}

func workingActivity(w api.Working) (lines []string) {
	if w.Scanning {
		lines = append(lines, "being looked through now")
	}
	if w.Settling > 0 {
		lines = append(lines, files(int64(w.Settling))+" changed a moment ago, copied when quiet")
	}
	return lines
}

// presence says whether something is plugged in, as far as anybody knows.
func (p *page) presence(online, retired bool) cell {
	switch {
	case retired:
		return cell{"retired", faint}
	case p.offline:
		return cell{"unknown", faint}
	case online:
		return cell{"here", good}
	}
	return cell{"away", plain}
}
