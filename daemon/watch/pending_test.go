package watch

import (
	"slices"
	"testing"
)

func TestPending(t *testing.T) {
	limited := Hint{Kind: Limited, Why: LimitReached}
	for name, c := range map[string]struct {
		say  func(p *pending)
		want []string
	}{
		"nothing":                  {func(p *pending) {}, nil},
		"one path twice is one":    {func(p *pending) { p.touch("a"); p.touch("b"); p.touch("a") }, []string{`touched "a"`, `touched "b"`}},
		"a rescan takes all":       {func(p *pending) { p.touch("a"); p.rescan(Overflowed); p.touch("b") }, []string{"rescan (events overflowed)"}},
		"the first reason holds":   {func(p *pending) { p.rescan(Started); p.rescan(Overflowed) }, []string{"rescan (watching started)"}},
		"too many become a rescan": {func(p *pending) { p.touch("a"); p.touch("b"); p.touch("c"); p.touch("d") }, []string{"rescan (too many changes to name)"}},
		"away takes all":           {func(p *pending) { p.touch("a"); p.rescan(Started); p.away() }, []string{"away"}},
		"back before it was told":  {func(p *pending) { p.away(); p.rescan(Returned) }, []string{"rescan (folder is back)"}},
		"a limit outlives a rescan": {
			func(p *pending) { p.limit(limited); p.rescan(Started) },
			[]string{"rescan (watching started)", limited.String()},
		},
		"a lifted limit is not told": {
			func(p *pending) { p.limit(limited); p.rescan(Started); p.rescan(LimitLifted) },
			[]string{"rescan (watch limit lifted)"},
		},
		"a limit again is told last": {
			func(p *pending) { p.rescan(LimitLifted); p.limit(limited) },
			[]string{"rescan (watch limit lifted)", limited.String()},
		},
	} {
		t.Run(name, func(t *testing.T) {
			p := pending{max: 3}
			c.say(&p)
			if got := fetchAll(&p); !slices.Equal(got, c.want) {
				t.Errorf("got %q, want %q", got, c.want)
			}
		})
	}
}

func TestFetchedPathIsHintedAgain(t *testing.T) {
	p := pending{max: 1}
	for range 3 {
		p.touch("a")
		if got := fetchAll(&p); !slices.Equal(got, []string{`touched "a"`}) {
			t.Fatalf("got %q", got)
		}
	}
}

func fetchAll(p *pending) (lines []string) {
	for {
		h, ok := p.first()
		if !ok {
			return lines
		}
		p.drop(h)
		lines = append(lines, h.String())
	}
}
