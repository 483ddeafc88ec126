package document

import "strings"

// grid is a table laid out on a sheet.
type grid struct {
	*sheet
	t      *Table
	w      []float64 // of the columns
	most   float64   // width of a column of text at most
	gap    float64   // between the columns
	points float64
	step   float64 // of lines
}

const (
	gutter      = 2.6 // least distance between columns, mm
	widestGap   = 6.0
	tablePoints = 7.2
	leastPoints = 5.0
	ruleGap     = 0.8 // distance from a rule between rows, mm
	rowLines    = 16  // lines of a row that stay together
	widestText  = 0.2 // of a column of text in a table that is too wide, as a part of the sheet; such as long serial numbers
)

// pdf lays the table out as wide as it needs, in smaller type if it is too wide. Its head stands
// above its rows on each page.
func (t *Table) pdf(s *sheet) []piece {
	g := &grid{sheet: s, t: t, points: tablePoints, step: 3.5, gap: gutter, most: s.width}
	if !g.measure() {
		g.most = s.width * widestText
	}
	for ; ; g.points -= 0.2 {
		g.step = 3.5 * g.points / tablePoints
		if g.measure() || g.points <= leastPoints {
			break
		}
	}
	if over := g.total() / s.width; over > 1 { // too wide even so: its cells break their lines
		g.gap /= over
		for i := range g.w {
			g.w[i] /= over
		}
	} else if n := len(g.w); n > 1 {
		g.gap = min(gutter+max(0, s.width-g.total())/float64(n-1), widestGap)
	}
	var all []piece
	if t.Caption != "" {
		all = append(all, g.caption(t.Caption))
	}
	head := g.head()
	all = append(all, head)
	again := g.again(head)
	body := len(all)
	for i, r := range t.Rows {
		row := g.row(r, "", i%2 == 1)
		row[len(row)-1].keep = i == 0 || i >= len(t.Rows)-2
		all = append(all, row...)
	}
	for i, r := range t.Under {
		row := g.row(r, "B", false)
		if i == 0 {
			row = append([]piece{g.line(ruleGap)}, row...)
		}
		for k := range row {
			row[k].keep = true
		}
		all = append(all, row...)
	}
	for i := range all[body:] {
		all[body+i].head = &again
	}
	end := g.line(0.8)
	end.keep = t.Notes != nil
	all = append(all, end)
	for _, n := range t.Notes {
		all = append(all, s.paragraph(n, 6.6, grey)...)
	}
	return append(s.whole(all), space(1))
}

// caption is the title of the table.
func (g *grid) caption(text string) piece {
	return piece{h: 5, keep: true, draw: func(y float64) {
		g.font("B", textSize, ink)
		g.put(g.left, y+4, "L", g.short(text, g.width))
	}}
}

// again is what stands above the rows on a later page: the title of the table, or of its section, and
// the head.
func (g *grid) again(head piece) piece {
	title := g.t.Caption
	if title == "" {
		title = g.titled
	}
	if title == "" {
		return head
	}
	above := g.caption(g.doc.Format.Text("document.continued", title))
	return piece{h: above.h + head.h, keep: true, draw: func(y float64) {
		above.draw(y)
		head.draw(y + above.h)
	}}
}

// line is a rule between rows.
func (g *grid) line(h float64) piece {
	return piece{h: h, keep: true, draw: func(y float64) { g.rule(g.left, g.left+g.total(), y+h/2, 0.3, ink) }}
}

// measure calculates the widths of the columns for a size of type, and reports whether they fit.
func (g *grid) measure() bool {
	g.w = make([]float64, len(g.t.Columns))
	wide, sum := -1, gutter*float64(len(g.w)-1)
	for i, c := range g.t.Columns {
		g.font("B", g.points, ink)
		for word := range strings.FieldsSeq(c.Head) {
			g.w[i] = max(g.w[i], g.GetStringWidth(word))
		}
		for len(g.fit(c.Head, g.w[i])) > headLines {
			g.w[i] += 0.5
		}
		for k, rows := range [][][]string{g.t.Over, g.t.Rows, g.t.Under} {
			g.font([...]string{"", "", "B"}[k], g.points, ink)
			for _, r := range rows {
				cell := g.GetStringWidth(r[i])
				if c.Left && !c.Wrap {
					cell = min(cell, g.most)
				}
				g.w[i] = max(g.w[i], cell)
			}
		}
		if c.Wrap {
			wide = i
			continue
		}
		sum += g.w[i]
	}
	if wide < 0 {
		return sum <= g.width
	}
	const least = 24.0
	g.w[wide] = min(g.w[wide], max(g.width-sum, min(least, g.w[wide])))
	return sum+g.w[wide] <= g.width+0.01
}

func (g *grid) total() float64 {
	sum := g.gap * float64(len(g.w)-1)
	for _, w := range g.w {
		sum += w
	}
	return max(sum, 0)
}

// heads returns the lines of each head, broken to the width of its column.
func (g *grid) heads() (lines [][]string, most int) {
	g.font("B", g.points, ink)
	for i, c := range g.t.Columns {
		l := g.fit(c.Head, g.w[i])
		lines = append(lines, l)
		most = max(most, len(l))
	}
	return lines, most
}

// fit breaks text to a width in the current font.
func (g *grid) fit(text string, w float64) []string {
	if g.GetStringWidth(text) <= w+0.05 {
		return []string{text}
	}
	var out []string
	line := ""
	for word := range strings.FieldsSeq(text) {
		for g.GetStringWidth(word) > w+0.05 && len([]rune(word)) > 1 { // the word is wider than the column
			r := []rune(word)
			n := len(r) - 1
			for n > 1 && g.GetStringWidth(string(r[:n])) > w {
				n--
			}
			if line != "" {
				out, line = append(out, line), ""
			}
			out, word = append(out, string(r[:n])), string(r[n:])
		}
		switch {
		case line == "":
			line = word
		case g.GetStringWidth(line+" "+word) <= w+0.05:
			line += " " + word
		default:
			out, line = append(out, line), word
		}
	}
	return append(out, line)
}

// head is the head of the table, with the rows about the columns.
func (g *grid) head() piece {
	lines, most := g.heads()
	over := make([][]piece, len(g.t.Over))
	h := g.step*float64(most) + 0.6
	for i, r := range g.t.Over {
		over[i] = g.row(r, "", false)
		h += height(over[i])
	}
	if len(over) > 0 {
		h += ruleGap
	}
	return piece{h: h, keep: true, draw: func(y float64) {
		g.font("B", g.points, ink)
		x := g.left
		for i, l := range lines {
			for k, text := range l {
				g.cell(i, x, y+g.step*(float64(most-len(l)+k)+0.75), text)
			}
			x += g.w[i] + g.gap
		}
		y += g.step*float64(most) + 0.4
		g.rule(g.left, g.left+g.total(), y, 0.3, ink)
		y += 0.2
		for _, row := range over {
			for _, p := range row {
				p.draw(y)
				y += p.h
			}
		}
		if len(over) > 0 {
			g.rule(g.left, g.left+g.total(), y+ruleGap/2, 0.15, thin)
		}
	}}
}

func (g *grid) cell(i int, x, y float64, text string) {
	if g.t.Columns[i].Left {
		g.put(x, y, "L", text)
	} else {
		g.put(x+g.w[i], y, "R", text)
	}
}

// row lays out a row, which stays on one page unless it is very high.
func (g *grid) row(r []string, style string, banded bool) []piece {
	g.font(style, g.points, ink)
	cells, lines := make([][]string, len(r)), 1
	for i, c := range r {
		cells[i] = g.fit(c, g.w[i])
		lines = max(lines, len(cells[i]))
	}
	var all []piece
	for from := 0; from < lines; from += rowLines {
		n := min(rowLines, lines-from)
		all = append(all, piece{h: g.step * float64(n), draw: func(y float64) {
			if banded {
				g.SetFillColor(rgb(band))
				g.Rect(g.left, y, g.total(), g.step*float64(n), "F")
			}
			g.font(style, g.points, ink)
			x := g.left
			for i, c := range cells {
				for k := from; k < min(from+n, len(c)); k++ {
					g.cell(i, x, y+g.step*(float64(k-from)+0.75), c[k])
				}
				x += g.w[i] + g.gap
			}
		}})
	}
	return all
}
