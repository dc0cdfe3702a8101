package main

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"copyhold/daemon/api"
)

func renderShoots(p *page, a api.Shoots, pattern string) {
	if len(a.Shoots) == 0 {
		if pattern == "" {
			p.title(plain, "There are no shoots in the working folders yet.")
		} else {
			p.title(plain, "No shoot matches "+quoted(pattern)+".")
		}
		return
	}
	p.title(plain, standingsLine(a.Shoots))
	renderShootTable(p, a.Shoots, 0)
}

// standingsLine counts the shoots that are shown, worst first.
func standingsLine(shoots []api.ShootDetail) string {
	var plainShoots []api.Shoot
	for _, s := range shoots {
		plainShoots = append(plainShoots, s.Shoot)
	}
	n := tally(plainShoots)
	var parts []string
	for _, part := range []struct {
		n    int64
		word string
	}{{n.lost, "no whole copy"}, {n.once, "one copy"}, {n.short, "short"}, {n.unproven, "unproven"}, {n.covered, "covered"}} {
		if part.n > 0 {
			parts = append(parts, number(part.n)+" "+part.word)
		}
	}
	return count(int64(len(shoots)), "shoot", "shoots") + ": " + strings.Join(parts, ", ")
}

// renderShootTable writes the shoots by drives, worst first; most limits its
// rows, 0 does not.
func renderShootTable(p *page, shoots []api.ShootDetail, most int) {
	if len(shoots) == 0 {
		return
	}
	shoots = worstFirst(shoots)
	left := 0
	if most > 0 && len(shoots) > most+1 { // no "… and 1 more": the row itself takes no more room
		shoots, left = shoots[:most], len(shoots)-most
	}
	t := shootTable(shoots).fitted(p, "size", "files", "archived")
	if t.fits(p) {
		p.head("Shoots, and how many files each drive holds")
	} else {
		p.head("Shoots, and the drives that hold all of one")
		t = narrowShootTable(shoots).fitted(p, "copies")
	}
	t.write(p)
	if left > 0 {
		p.line(2, fmt.Sprintf("… and %d more (copyhold shoots)", left))
	}
}

var standingOrder = []string{"one copy", "short", "unproven", "covered"}

// worstFirst sorts by standing, then the newest first, for names begin with a
// date.
func worstFirst(shoots []api.ShootDetail) []api.ShootDetail {
	sorted := slices.Clone(shoots)
	slices.SortStableFunc(sorted, func(a, b api.ShootDetail) int {
		return cmp.Or(
			cmp.Compare(slices.Index(standingOrder, a.Standing), slices.Index(standingOrder, b.Standing)),
			cmp.Compare(min(a.Copies, 1), min(b.Copies, 1)),
			-cmp.Compare(a.Name, b.Name),
			cmp.Compare(a.Working, b.Working),
		)
	})
	return sorted
}

func shootTable(shoots []api.ShootDetail) table {
	drives := drivesOf(shoots)
	t := table{indent: 2, columns: []column{{head: "shoot", shrink: 30}, {head: "files", right: true}, {head: "size", right: true}}}
	for _, name := range drives {
		t.columns = append(t.columns, column{head: name, right: true, shrink: driveColumnLeast(shoots, name)})
	}
	t.columns = append(t.columns, column{head: "copies", right: true}, column{head: "standing"}, column{head: "archived"})
	label := labeller(shoots)
	for _, s := range shoots {
		line := words(label(s.Shoot), number(s.Files), size(s.Bytes))
		for _, name := range drives {
			line = append(line, word(held(s, name)))
		}
		line = append(line, word(fmt.Sprint(s.Copies)), standingCell(s.Shoot), word(yes(s.Archived)))
		t.rows = append(t.rows, row{cells: line})
	}
	if !slices.ContainsFunc(shoots, func(s api.ShootDetail) bool { return s.Archived }) {
		return t.without("archived")
	}
	return t
}

func yes(b bool) string {
	if b {
		return "yes"
	}
	return ""
}

// narrowShootTable names the drives that hold all instead of giving each a
// column.
func narrowShootTable(shoots []api.ShootDetail) table {
	t := table{indent: 2, columns: []column{{head: "shoot", shrink: 18}, {head: "drives", shrink: 10}, {head: "copies", right: true}, {head: "standing"}}}
	label := labeller(shoots)
	for _, s := range shoots {
		t.rows = append(t.rows, row{cells: []cell{
			word(label(s.Shoot)), word(cmp.Or(strings.Join(s.On, ", "), nothing)), word(fmt.Sprint(s.Copies)), standingCell(s.Shoot),
		}})
	}
	return t
}

// drivesOf is every drive that a shoot may be on, in the order they are met.
func drivesOf(shoots []api.ShootDetail) (names []string) {
	for _, s := range shoots {
		for _, share := range s.Shares {
			if !slices.Contains(names, share.Drive) {
				names = append(names, share.Drive)
			}
		}
	}
	return names
}

func shareOn(s api.ShootDetail, drive string) api.Share {
	i := slices.IndexFunc(s.Shares, func(sh api.Share) bool { return sh.Drive == drive })
	if i < 0 {
		return api.Share{Drive: drive}
	}
	return s.Shares[i]
}

func held(s api.ShootDetail, drive string) string { return ofAll(shareOn(s, drive).Files, s.Files) }

// driveColumnLeast keeps counts whole: only a long name in the head is cut.
func driveColumnLeast(shoots []api.ShootDetail, drive string) int {
	least := 5
	for _, s := range shoots {
		least = max(least, cells(held(s, drive)))
	}
	return least
}

// labeller names shoots, with their working folder where there are several.
func labeller(shoots []api.ShootDetail) func(api.Shoot) string {
	several := slices.ContainsFunc(shoots, func(s api.ShootDetail) bool { return s.Working != shoots[0].Working })
	return func(s api.Shoot) string {
		if several {
			return s.Working + "/" + s.Name
		}
		return s.Name
	}
}

var standingStyles = map[string]style{"one copy": bad, "short": poor, "unproven": poor, "covered": good}

func standingCell(s api.Shoot) cell {
	return cell{standingWord(s), standingStyles[s.Standing]}
}

// standingWord does not call it one copy when there is none.
func standingWord(s api.Shoot) string {
	if s.Standing == "one copy" && s.Copies == 0 {
		return "no whole copy"
	}
	return s.Standing
}
