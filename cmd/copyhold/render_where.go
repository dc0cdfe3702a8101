package main

import (
	"strings"

	"copyhold/daemon/api"
)

// renderWhere writes each shoot and file with a line for each place. Paths are
// never cut: somebody will go there.
func renderWhere(p *page, w api.Where, pattern string) {
	if len(w.Shoots)+len(w.Files) == 0 {
		p.title(plain, "No shoot and no file matches "+quoted(pattern)+".")
		return
	}
	for i, s := range w.Shoots {
		p.between(i)
		p.title(strong, "shoot "+s.Working+"/"+s.Shoot+" ("+files(s.Files)+")")
		for _, at := range s.At {
			renderLocation(p, at, filesOf(at.Files, s.Files))
		}
	}
	for i, f := range w.Files {
		p.between(i + len(w.Shoots))
		p.title(strong, "file "+f.Working+"/"+f.Path+" ("+size(f.Bytes)+")")
		for _, at := range f.At {
			renderLocation(p, at)
		}
	}
	if w.More > 0 {
		p.blank()
		p.text(0, "… and "+count(w.More, "more file matches", "more files match")+"; give more of the name")
	}
}

// between parts the blocks of a page.
func (p *page) between(i int) {
	if i > 0 {
		p.blank()
	}
}

func renderLocation(p *page, at api.Location, holds ...string) {
	said := strings.Join(append(holds, p.locationState(at)...), ", ")
	if said != "" {
		said = ": " + said
	}
	p.text(2, locationName(at)+said)
	p.line(4, at.Path)
}

func filesOf(n, all int64) string {
	if n == all {
		return files(all)
	}
	return ofAll(n, all) + " files"
}

func locationName(at api.Location) string {
	if at.Drive == "" {
		return "working folder"
	}
	return quoted(at.Drive) + " (" + at.Place + ")"
}

// locationState says whether it is there, and whether it is good there.
func (p *page) locationState(at api.Location) (state []string) {
	if !p.offline {
		state = append(state, p.presence(at.Online, false).text)
	}
	if at.Drive == "" {
		return state
	}
	if !at.Online {
		state = append(state, "last seen "+when(at.LastSeen, p.now))
	}
	if at.Verified.IsZero() {
		return append(state, "not verified")
	}
	return append(state, "verified "+day(at.Verified, p.now))
}
