package report

import (
	"math"
	"slices"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/daemon/picture"
)

// runChart draws values in their order, in panels one above the other, with the lines that they are
// compared with. All values are in µm.
type runChart struct {
	W, H   float64
	Panels []panel
	Format notation.Format
	Labels []string // below the lowest panel, one for each value; if there are too many some are left out
}

// panel is one run of values.
type panel struct {
	notation.Format
	Title  string
	Values []float64
	Has    []bool // false: there is no value; nil: all values exist
	Alarm  []bool // draw as a ring, for out of limits; nil: none
	Square []bool // draw as a square, for another kind of value; nil: none
	Lines  []level
}

// level is a line across a panel.
type level struct {
	At   float64
	Role picture.Role
	Name string
}

// Dimensions of a run chart in pixels.
const (
	chartText   = 15.0
	chartLetter = 10.0 // width of a letter of a label
	chartLeft   = 70.0
	chartRight  = 120.0
	chartFoot   = 26.0
	panelHead   = 24.0
)

// Draw draws the chart on any canvas.
func (c runChart) Draw(cv picture.Canvas) {
	if len(c.Panels) == 0 {
		return
	}
	h := (c.H - chartFoot) / float64(len(c.Panels))
	n := 1
	for _, p := range c.Panels {
		n = max(n, len(p.Values))
	}
	step := (c.W - chartLeft - chartRight) / float64(n)
	for i, p := range c.Panels {
		top := float64(i) * h
		p.Format = c.Format
		p.draw(cv, c.W, top, top+h-6, step)
	}
	every := max(1, int(math.Ceil(float64(len(c.Labels))*52/(c.W-chartLeft-chartRight))))
	for i := 0; i < len(c.Labels); i += every {
		cv.Text(picture.Soft, picture.Point{X: chartLeft + (float64(i)+0.5)*step, Y: c.H - 8}, chartText, picture.Middle, ending(c.Labels[i], int(step*float64(every)/chartLetter)))
	}
}

// ending returns text that has at most n characters, but at least five: its end where it is longer, since
// serial numbers differ there.
func ending(text string, n int) string {
	r := []rune(text)
	if n = max(n, 5); len(r) <= n {
		return text
	}
	return "…" + string(r[len(r)-n+1:])
}

func (p *panel) has(i int) bool { return p.Has == nil || p.Has[i] }

// bounds returns the lowest and the highest value of the panel.
func (p *panel) bounds() (lo, hi float64) {
	lo, hi = math.Inf(1), math.Inf(-1)
	for i, v := range p.Values {
		if p.has(i) {
			lo, hi = min(lo, v), max(hi, v)
		}
	}
	for _, l := range p.Lines {
		lo, hi = min(lo, l.At), max(hi, l.At)
	}
	if lo > hi {
		lo, hi = 0, 0
	}
	pad := max(0.08*(hi-lo), 0.05)
	return lo - pad, hi + pad
}

func (p *panel) draw(cv picture.Canvas, w, top, bottom, step float64) {
	lo, hi := p.bounds()
	y0, y1 := bottom, top+panelHead
	y := func(v float64) float64 { return y0 - (v-lo)/(hi-lo)*(y0-y1) }
	x := func(i int) float64 { return chartLeft + (float64(i)+0.5)*step }
	right := w - chartRight
	cv.Text(picture.Strong, picture.Point{X: chartLeft, Y: top + 16}, chartText, picture.Start, p.Title)
	cv.Lines(picture.Frame, false, []picture.Point{{X: chartLeft, Y: y1}, {X: chartLeft, Y: y0}, {X: right, Y: y0}})
	p.extremes(cv, y, p.levels(cv, y, right))
	var run []picture.Point
	for i, v := range p.Values {
		if p.has(i) {
			run = append(run, picture.Point{X: x(i), Y: y(v)})
		}
	}
	if len(run) > 1 {
		cv.Lines(picture.Frame, false, run)
	}
	size := min(5, max(2, step/4))
	for i, v := range p.Values {
		at := picture.Point{X: x(i), Y: y(v)}
		switch {
		case !p.has(i):
		case p.Alarm != nil && p.Alarm[i]:
			cv.Circle(picture.Alarm, at, size+2)
		case p.Square != nil && p.Square[i]:
			cv.Lines(picture.Mark, true, []picture.Point{{X: at.X - size, Y: at.Y - size}, {X: at.X + size, Y: at.Y - size}, {X: at.X + size, Y: at.Y + size}, {X: at.X - size, Y: at.Y + size}})
		default:
			cv.Circle(picture.Mark, at, size)
		}
	}
}

// levels draws the lines with their values on the left and their names on the right, moved apart
// where they would overlap. It returns the positions of the values.
func (p *panel) levels(cv picture.Canvas, y func(float64) float64, right float64) (taken []float64) {
	lastName, lastValue := math.Inf(1), math.Inf(1)
	for _, l := range p.sorted() { // from below
		cv.Lines(l.Role, false, []picture.Point{{X: chartLeft, Y: y(l.At)}, {X: right, Y: y(l.At)}})
		role := picture.Soft
		if l.Role == picture.Limit {
			role = picture.LimitAs
		}
		at := min(y(l.At)+5, lastName-chartText)
		lastName = at
		cv.Text(role, picture.Point{X: right + 6, Y: at}, chartText, picture.Start, l.Name)
		if at := y(l.At) + 5; at <= lastValue-chartText {
			lastValue = at
			taken = append(taken, at)
			cv.Text(role, picture.Point{X: chartLeft - 6, Y: at}, chartText, picture.End, p.micro(l.At))
		}
	}
	return taken
}

// extremes writes the smallest and the largest value on the left, as the scale of the panel, if
// there is room beside the values of the levels.
func (p *panel) extremes(cv picture.Canvas, y func(float64) float64, taken []float64) {
	lo, hi := math.Inf(1), math.Inf(-1)
	for i, v := range p.Values {
		if p.has(i) {
			lo, hi = min(lo, v), max(hi, v)
		}
	}
	for _, v := range []float64{lo, hi} {
		at := y(v) + 5
		if math.IsInf(v, 0) || slices.ContainsFunc(taken, func(t float64) bool { return math.Abs(t-at) < chartText }) {
			continue
		}
		taken = append(taken, at)
		cv.Text(picture.Soft, picture.Point{X: chartLeft - 6, Y: at}, chartText, picture.End, p.micro(v))
	}
}

func (p *panel) sorted() []level {
	out := make([]level, 0, len(p.Lines))
	for _, l := range p.Lines {
		i := len(out)
		for i > 0 && out[i-1].At > l.At {
			i--
		}
		out = append(out[:i], append([]level{l}, out[i:]...)...)
	}
	return out
}

// micro formats a number of µm with its sign; zero has none.
func (p *panel) micro(v float64) string { return micro(p.Format, v) }

func micro(f notation.Format, v float64) string {
	f.Inch = false
	return f.SignedMicro(analysis.Deviation(math.Round(v * float64(analysis.Micrometre))))
}
