package picture

import (
	"math"
	"strings"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/daemon/state"
)

// cells draws along the axis what is known at each planned place, with a column for each section
// and a row for each orientation.
func (c *cut) cells() {
	c.cv.Lines(Axis, false, []Point{{c.x0 - 0.8*c.text, c.axis}, {c.x1 + 0.8*c.text, c.axis}})
	w := c.cellWidth()
	for _, s := range c.sections {
		x := c.x(s.depth)
		top := c.axis - c.row*float64(len(s.places))/2
		for i, p := range s.places {
			c.cell(p, i == s.next, x, top+c.row*float64(i), w)
		}
	}
}

// cellWidth returns the width of a cell, less if sections lie close together.
func (c *cut) cellWidth() float64 {
	w := 4.4 * c.text
	for i := 1; i < len(c.sections); i++ {
		w = min(w, 0.94*(c.x(c.sections[i].depth)-c.x(c.sections[i-1].depth)))
	}
	return max(w, 2*c.text)
}

func (c *cut) cell(p state.PlaceState, next bool, x, y, w float64) {
	gap := 0.07 * c.row
	box := rect(x-w/2, y+gap, x+w/2, y+c.row-gap)
	mid := Point{x, y + c.row*0.5 + c.cellText(w)*0.36}
	c.cv.Open("place " + p.State)
	defer c.cv.Close()
	word := ""
	if p.Deviation != nil {
		word = c.Format.Signed(*p.Deviation)
	}
	if !p.Ask.IsZero() { // the page says what the question is
		word += " ?"
	}
	switch {
	case next: // an arrow, and the word
		c.cv.Lines(Next, true, []Point{{x - w/2, y + gap}, {x + w*0.36, y + gap}, {x + w/2, y + c.row/2}, {x + w*0.36, y + c.row - gap}, {x - w/2, y + c.row - gap}})
		c.write(NextAs, Point{mid.X - w*0.05, mid.Y}, w*0.8, c.Format.Text("picture.next"))
	case p.State == "taken":
		c.cv.Lines(Cell, true, box)
		if !p.Ask.IsZero() {
			c.cv.Lines(Doubted, true, box)
		}
		c.write(Strong, mid, w, word)
		if c.tightest(p.Place) {
			c.corner(x-w/2, y+gap)
		}
	case p.State == "due":
		c.cv.Circle(Cell, Point{x, y + c.row/2}, 0.2*c.row)
	default: // void, stale, skipped: the word, or the crossed-out value
		c.cv.Lines(Past, true, box)
		c.write(PastAs, mid, w, c.Format.Text("place."+p.State))
	}
}

// corner marks the tightest place.
func (c *cut) corner(x, y float64) {
	s := 0.42 * c.row
	c.cv.Lines(Mark, true, []Point{{x, y}, {x + s, y}, {x, y + s}})
}

func (c *cut) cellText(w float64) float64 { return min(0.62*c.row, 0.27*w) }

// write writes a text centred in a width, in smaller type if necessary.
func (c *cut) write(r Role, at Point, w float64, text string) {
	size := min(0.62*c.row, 0.98*w/max(1, textWidth(text)))
	c.cv.Text(r, at, size, Middle, text)
}

// textWidth returns the approximate width of a text, in heights.
func textWidth(s string) float64 {
	w := 0.0
	for _, r := range s {
		switch {
		case strings.ContainsRune(".,il|:'· ", r):
			w += 0.36
		case strings.ContainsRune("+−mw%", r):
			w += 0.86
		default:
			w += 0.64
		}
	}
	return w
}

// labels writes the labels around the bore.
func (c *cut) labels() {
	t := c.text
	left := min(c.x0, c.x(c.sections[0].depth)-c.cellWidth()/2) - 0.4*t
	for i, a := range c.Bore.Job.Orientations { // once, at the left
		n := float64(len(c.Bore.Job.Orientations))
		c.cv.Text(Soft, Point{left, c.axis + c.row*(float64(i)-n/2+0.5) + 0.32*t}, 0.9*t, End, a.String())
	}
	c.ruler()
	c.limitNames()
	a, b := c.notes()
	foot := c.H - 0.45*t
	if c.apart {
		c.cv.Text(Soft, Point{c.x0, foot - 1.15*t}, noteHeight*t, Start, a)
		c.cv.Text(Soft, Point{c.x0, foot}, noteHeight*t, Start, b)
		return
	}
	c.cv.Text(Soft, Point{c.x0, foot}, noteHeight*t, Start, a)
	c.cv.Text(Soft, Point{c.x1, foot}, noteHeight*t, End, b)
}

const noteHeight = 0.82 // of the text's height

// notes says what is magnified how much, and what the figures are.
func (c *cut) notes() (scale, figures string) {
	scale = c.Format.Text("picture.magnified", grouped(c.magnified))
	figures = c.Format.Text("picture.figures", c.Format.SmallUnit(), analysis.Size(c.Bore.Job.Target))
	if u := c.Bore.U; u != nil {
		figures += " · ±" + c.Format.Small(u.Expanded)
	}
	return scale, figures
}

// notesApart reports whether the notes need a line each. It does not depend on the magnification,
// so that the drawing stays in its position.
func (c *cut) notesApart() bool {
	a, b := c.notes()
	return (textWidth(a+b)+textWidth("10 000"))*noteHeight*c.text > c.W-2*gutters*c.text
}

// ruler writes the depths below the bore, and the names of its ends.
func (c *cut) ruler() {
	t := c.text
	y := c.axis + c.outer
	var lines [][]Point
	size := 0.9 * t
	for i := 1; i < len(c.sections); i++ { // smaller if sections lie close together
		between := c.x(c.sections[i].depth) - c.x(c.sections[i-1].depth)
		size = min(size, 2*between/textWidth(c.Format.Depth(c.sections[i].depth)+c.Format.Depth(c.sections[i-1].depth)+"  "))
	}
	for _, s := range c.sections {
		x := c.x(s.depth)
		lines = append(lines, []Point{{x, y}, {x, y + 0.4*t}})
		word := c.Format.Depth(s.depth)
		half := 0.5 * size * textWidth(word)
		at := clamp(x, c.x0-0.4*t+half, c.x1+0.4*t-half) // clear of the names of the ends
		c.cv.Text(Soft, Point{at, y + 1.35*t}, size, Middle, word)
	}
	c.cv.Lines(Frame, false, append(lines, []Point{{c.x0, y + 0.2*t}, {c.x1, y + 0.2*t}})...)
	c.cv.Text(Strong, Point{c.x0 - 0.6*t, y + 1.0*t}, 0.95*t, End, c.near())
	c.cv.Text(Strong, Point{c.x1 + 0.6*t, y + 1.0*t}, 0.95*t, Start, c.far())
	for _, in := range c.Bore.Job.Interrupts {
		if size := min(0.8*t, (c.x(in.To)-c.x(in.From))/textWidth(in.What)); size > 0.65*t { // smaller text can't be read
			c.cv.Text(Soft, Point{(c.x(in.From) + c.x(in.To)) / 2, c.axis - c.core - 0.5*t}, size, Middle, in.What)
		}
	}
}

// limitNames writes the names of the limits at the right, moved apart if the lines are close, and
// at the left a scale: the length of a round number of µm.
func (c *cut) limitNames() {
	t := c.text
	names := []struct {
		code string
		h    float64
	}{{"picture.high", c.hHigh}, {"picture.target", c.hTarget}, {"picture.low", c.hLow}}
	from := c.x1 + 0.15*t
	if c.Bore.Job.Blind {
		from += bottomWide * t
	}
	x := from + 1.0*t
	last := math.Inf(-1)
	for _, n := range names {
		y := max(c.axis-n.h, last+0.95*t)
		last = y
		c.cv.Lines(Frame, false, []Point{{from, c.axis - n.h}, {x - 0.15*t, y}})
		c.cv.Text(LimitAs, Point{x, y + 0.3*t}, 0.9*t, Start, c.Format.Text(n.code))
	}
	unit := c.Format.Unit()
	step := floorFine(c.outer * 0.45 / c.perMicron / unit.Micrometres())
	long := c.perMicron * step * unit.Micrometres()
	xl, y := c.x0-1.0*t, c.axis-c.outer
	c.cv.Lines(Frame, false, []Point{{xl - 0.25*t, y}, {xl + 0.25*t, y}}, []Point{{xl, y}, {xl, y + long}}, []Point{{xl - 0.25*t, y + long}, {xl + 0.25*t, y + long}})
	c.cv.Text(Soft, Point{xl - 0.45*t, y + long/2}, 0.85*t, End, c.Format.Plain(step))
	c.cv.Text(Soft, Point{xl - 0.45*t, y + long/2 + 0.95*t}, 0.75*t, End, unitWord(c.Format, step))
}

// unitWord returns the small unit as it follows a number, short enough for the margin.
func unitWord(f notation.Format, n float64) string {
	switch {
	case f.Inch && f.Fine:
		return analysis.UIN.String()
	case f.Inch && n == 1:
		return f.Text("picture.tenth")
	case f.Inch:
		return f.Text("picture.tenths")
	}
	return f.SmallUnit()
}

// pointer draws the gauge at the next place. The page moves its tips with the live size.
func (c *cut) pointer() {
	x := c.nextX()
	if x < 0 {
		return
	}
	s := 0.5 * c.text
	c.cv.Open("tips up")
	c.cv.Lines(Tip, true, []Point{{x, c.axis - c.hLow}, {x - s, c.axis - c.hLow + 1.3*s}, {x + s, c.axis - c.hLow + 1.3*s}})
	c.cv.Close()
	c.cv.Open("tips down")
	c.cv.Lines(Tip, true, []Point{{x, c.axis + c.hLow}, {x - s, c.axis + c.hLow - 1.3*s}, {x + s, c.axis + c.hLow - 1.3*s}})
	c.cv.Close()
}
