package main

import (
	"fmt"
	"slices"
	"strings"
)

// gap separates two columns.
const gap = 2

// table is rows of cells under a heading, with lines of text under a row where
// that has more to say than fits into columns.
type table struct {
	indent  int
	columns []column
	rows    []row
}

type column struct {
	head   string
	right  bool // numbers
	shrink int  // may be cut to so many cells; 0 = is never cut
	path   bool // when cut, loses its beginning
}

type row struct {
	cells []cell
	below []string
}

type cell struct {
	text  string
	style style
}

// word is a cell in no style.
func word(text string) cell { return cell{text: text} }

func words(texts ...string) (cells []cell) {
	for _, t := range texts {
		cells = append(cells, word(t))
	}
	return cells
}

// write puts the table on the page, cut to its width.
func (t table) write(p *page) {
	t.clean()
	widths := t.widths()
	if p.width > 0 {
		t.squeeze(widths, p.width)
	}
	t.writeRow(p, widths, t.heading())
	for _, r := range t.rows {
		t.writeRow(p, widths, r.cells)
		for _, text := range r.below {
			p.text(t.indent+2, text)
		}
	}
}

// heading is the row of the columns' heads; a table without any has none.
func (t table) heading() []cell {
	var heads []cell
	any := false
	for _, c := range t.columns {
		heads = append(heads, cell{c.head, faint})
		any = any || c.head != ""
	}
	if !any {
		return nil
	}
	return heads
}

func (t table) clean() {
	for i := range t.columns {
		t.columns[i].head = clean(t.columns[i].head)
	}
	for _, r := range t.rows {
		for i := range r.cells {
			r.cells[i].text = clean(r.cells[i].text)
		}
	}
}

// widths is what each column would like to have.
func (t table) widths() []int {
	widths := make([]int, len(t.columns))
	for i, c := range t.columns {
		widths[i] = cells(c.head)
		for _, r := range t.rows {
			widths[i] = max(widths[i], cells(r.cells[i].text))
		}
	}
	return widths
}

func (t table) total(widths []int) int {
	n := t.indent + gap*(len(widths)-1)
	for _, w := range widths {
		n += w
	}
	return n
}

// squeeze takes cells from the widest column that may be cut until the table
// fits or none is left.
func (t table) squeeze(widths []int, limit int) {
	for over := t.total(widths) - limit; over > 0; over-- {
		widest := -1
		for i, c := range t.columns {
			if c.shrink > 0 && widths[i] > c.shrink && (widest < 0 || widths[i] > widths[widest]) {
				widest = i
			}
		}
		if widest < 0 {
			return
		}
		widths[widest]--
	}
}

// fits reports whether the table can be cut to the page's width.
func (t table) fits(p *page) bool {
	if p.width == 0 {
		return true
	}
	t.clean()
	widths := t.widths()
	t.squeeze(widths, p.width)
	return t.total(widths) <= p.width
}

func (t table) writeRow(p *page, widths []int, row []cell) {
	if row == nil {
		return
	}
	var line strings.Builder
	line.WriteString(strings.Repeat(" ", t.indent))
	last := len(row) - 1
	for last > 0 && row[last].text == "" {
		last--
	}
	for i, c := range row[:last+1] {
		text := c.text
		if p.width > 0 && t.columns[i].path {
			text = cutHead(text, widths[i])
		} else if p.width > 0 && t.columns[i].shrink > 0 {
			text = cut(text, widths[i])
		}
		pad := strings.Repeat(" ", max(widths[i]-cells(text), 0))
		switch {
		case t.columns[i].right:
			line.WriteString(pad + p.paint(c.style, text))
		case i == last:
			line.WriteString(p.paint(c.style, text))
		default:
			line.WriteString(p.paint(c.style, text) + pad)
		}
		if i < last {
			line.WriteString(strings.Repeat(" ", gap))
		}
	}
	fmt.Fprintln(p.out, line.String())
}

// fitted leaves out columns, in that order, until the table fits.
func (t table) fitted(p *page, heads ...string) table {
	for _, head := range heads {
		if t.fits(p) {
			break
		}
		t = t.without(head)
	}
	return t
}

// without leaves out the column of that head, if there is one.
func (t table) without(head string) table {
	i := slices.IndexFunc(t.columns, func(c column) bool { return c.head == head })
	if i < 0 {
		return t
	}
	narrow := table{indent: t.indent, columns: slices.Delete(slices.Clone(t.columns), i, i+1)}
	for _, r := range t.rows {
		narrow.rows = append(narrow.rows, row{slices.Delete(slices.Clone(r.cells), i, i+1), r.below})
	}
	return narrow
}
