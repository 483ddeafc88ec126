package document

import "strings"

// grid is a table laid out on a sheet.
type grid struct {
	*sheet
	t      *Table
	w      []float64 // of the columns
	gap    float64   // between the columns
	points float64
	step   float64 // of lines
	spare  float64 // how far below the bottom of the page its end may reach
}

const (
	gutter      = 2.6 // least distance between columns, mm
	widestGap   = 6.0
	tablePoints = 7.2
	leastPoints = 5.0
	ruleGap     = 0.8 // distance from a rule between rows, mm
	footSpare   = 2.5 // of the space above the foot, mm
)

// pdf draws the table as wide as it needs, in smaller type if it is too wide. On each further page
// it repeats its head.
func (t *Table) pdf(s *sheet) {
	g := &grid{sheet: s, t: t, points: tablePoints, gap: gutter}
	for ; ; g.points -= 0.2 {
		g.step = 3.5 * g.points / tablePoints
		if g.measure() || g.points <= leastPoints {
			break
		}
	}
	if n := len(g.w); n > 1 {
		g.gap = min(gutter+max(0, s.width-g.total())/float64(n-1), widestGap)
	}
	if t.Caption != "" {
		s.room(20)
		s.font("B", textSize, ink)
		s.put(s.left, s.GetY()+4, "L", t.Caption)
		s.SetY(s.GetY() + 5)
	}
	g.room(g.headHeight() + 3*g.step)
	g.head()
	for i, r := range t.Rows {
		if i == max(0, len(t.Rows)-2) {
			g.together(t.Rows[i:], t.Under)
		}
		g.row(r, "", ink, i%2 == 1)
	}
	for i, r := range t.Under {
		if i == 0 {
			g.rule(g.left, g.left+g.total(), g.GetY()+ruleGap/2, 0.3, ink)
			g.SetY(g.GetY() + ruleGap)
		}
		g.cells(r, "B", ink)
	}
	s.rule(g.left, g.left+g.total(), g.GetY(), 0.3, ink)
	s.SetY(s.GetY() + 0.8)
	for _, n := range t.Notes {
		s.paragraph(n, 6.6, grey)
	}
	s.SetY(s.GetY() + 1)
}

// together begins a new page if the last rows would be separated from what stands under them.
// Before it does so, they may reach a little into the space above the foot.
func (g *grid) together(rows, under [][]string) {
	h := 0.0
	for _, r := range append(rows[:len(rows):len(rows)], under...) {
		h += g.height(r)
	}
	if under == nil {
		h = 0
	}
	if g.GetY()+h > g.bottom+footSpare {
		g.AddPage()
		g.head()
	}
	if g.GetY()+h > g.bottom { // row must not break what was found to fit
		g.spare = footSpare
	}
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
				g.w[i] = max(g.w[i], g.GetStringWidth(r[i]))
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

func (g *grid) headHeight() float64 {
	_, n := g.heads()
	return g.step * float64(n+len(g.t.Over))
}

func (g *grid) head() {
	lines, most := g.heads()
	y := g.GetY()
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
	g.SetY(y + 0.2)
	for _, r := range g.t.Over {
		g.cells(r, "", grey)
	}
	if g.t.Over != nil {
		g.rule(g.left, g.left+g.total(), g.GetY()+ruleGap/2, 0.15, thin)
		g.SetY(g.GetY() + ruleGap)
	}
}

func (g *grid) cell(i int, x, y float64, text string) {
	if g.t.Columns[i].Left {
		g.put(x, y, "L", text)
	} else {
		g.put(x+g.w[i], y, "R", text)
	}
}

// row draws a row, on the next page under a repeated head if it does not fit here.
func (g *grid) row(r []string, style string, colour int, banded bool) {
	g.font(style, g.points, colour)
	h := g.height(r)
	if g.GetY()+h > g.bottom+g.spare {
		g.AddPage()
		g.head()
	}
	if banded {
		g.SetFillColor(rgb(band))
		g.Rect(g.left, g.GetY(), g.total(), h, "F")
	}
	g.cells(r, style, colour)
}

func (g *grid) height(r []string) float64 {
	n := 1
	for i, c := range r {
		n = max(n, len(g.fit(c, g.w[i])))
	}
	return g.step * float64(n)
}

// cells draws the cells of a row and moves below it.
func (g *grid) cells(r []string, style string, colour int) {
	g.font(style, g.points, colour)
	h, x, y := g.height(r), g.left, g.GetY()
	for i, c := range r {
		for k, l := range g.fit(c, g.w[i]) {
			g.cell(i, x, y+g.step*(float64(k)+0.75), l)
		}
		x += g.w[i] + g.gap
	}
	g.SetY(y + h)
}
