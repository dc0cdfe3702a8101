package watch

// pending holds the hints that nobody has fetched yet, each once. A Rescan or Away
// takes the place of all but Limited: the scan that will follow sees everything.
type pending struct {
	max     int // of paths, above which they become one Rescan
	limited Hint
	whole   Hint // Rescan or Away; the later one holds
	paths   []string
	known   map[string]struct{}
}

func (p *pending) touch(rel string) {
	if p.whole.Kind == Rescan {
		return
	}
	if _, ok := p.known[rel]; ok {
		return
	}
	if len(p.known) >= p.max {
		p.rescan(TooMany)
		return
	}
	if p.known == nil {
		p.known = make(map[string]struct{})
	}
	p.known[rel] = struct{}{}
	p.paths = append(p.paths, rel)
}

// rescan keeps the reason of a Rescan that already waits, as it came first, unless
// the new one also ends a Limited.
func (p *pending) rescan(why Why) {
	if why == LimitLifted {
		p.limited = Hint{}
	}
	if p.whole.Kind != Rescan || why == LimitLifted {
		p.whole = Hint{Kind: Rescan, Why: why}
	}
	p.paths, p.known = nil, nil
}

func (p *pending) away() {
	p.whole = Hint{Kind: Away}
	p.paths, p.known = nil, nil
}

func (p *pending) limit(h Hint) { p.limited = h }

// first returns the hint to give next, which stays until it is dropped.
func (p *pending) first() (Hint, bool) {
	switch {
	case p.whole.Kind != 0: // before Limited, which may hold again after it was lifted
		return p.whole, true
	case p.limited.Kind != 0:
		return p.limited, true
	case len(p.paths) > 0:
		return Hint{Kind: Touched, Path: p.paths[0]}, true
	}
	return Hint{}, false
}

// drop forgets h, which first returned.
func (p *pending) drop(h Hint) {
	switch h.Kind {
	case Limited:
		p.limited = Hint{}
	case Rescan, Away:
		p.whole = Hint{}
	case Touched:
		p.paths = p.paths[1:]
		delete(p.known, h.Path)
		if len(p.paths) == 0 {
			p.paths, p.known = nil, nil // a map keeps the size it once had
		}
	}
}
