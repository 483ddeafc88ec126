package picture

import (
	"fmt"

	"fairbore/analysis/notation"
)

// Shares draws the share of each source of variation as a bar in per cent, with the two marks by
// which it is judged.
type Shares struct {
	Bars        []Share
	Title       string
	Good, Worst float64 // per cent; good below the first, not good enough above the second
	W, H        float64
	Format      notation.Format
}

// Share is one bar.
type Share struct {
	Name  string
	Value float64 // per cent
	Whole bool    // the bar that is judged
}

// Draw draws the shares on any canvas. A bar too long for the scale has an open end.
func (s Shares) Draw(cv Canvas) {
	if len(s.Bars) == 0 {
		return
	}
	row := (s.H - 60) / float64(len(s.Bars))
	t := clamp(0.5*row, 10, 17)
	names := 0.0
	most := 1.2 * s.Worst
	for _, b := range s.Bars {
		names = max(names, 0.9*t*textWidth(b.Name))
		if b.Whole { // the other bars may go beyond the edge
			most = max(most, 1.15*b.Value)
		}
	}
	x0, x1 := names+1.2*t, s.W-5*t
	x := func(v float64) float64 { return x0 + (x1-x0)*v/most }
	top, foot := 30.0, s.H-30.0
	cv.Text(Strong, Point{x0, 16}, 15, Start, s.Title)
	cv.Lines(Channel, true, rect(x0, top, x(s.Good), foot))
	for i, b := range s.Bars {
		s.bar(cv, b, top+row*(float64(i)+0.5), x, x0, x1, row, t)
	}
	for _, m := range []float64{s.Good, s.Worst} {
		cv.Lines(Limit, false, []Point{{x(m), top}, {x(m), foot}})
		cv.Text(LimitAs, Point{x(m), foot + 16}, 14, Middle, fmt.Sprintf("%g %%", m))
	}
	cv.Lines(Frame, false, []Point{{x0, top}, {x0, foot}, {x1, foot}})
	cv.Text(Soft, Point{x0, foot + 16}, 14, Middle, "0")
	for _, w := range []struct {
		at, until float64
		code      string
	}{{x0, x(s.Good), "good"}, {x(s.Good), x(s.Worst), "agreement"}, {x(s.Worst), x1, "bad"}} {
		word := s.Format.Text("picture.shares." + w.code)
		if w.until-w.at > 12*textWidth(word)+60 { // there is room beside the marks
			cv.Text(Soft, Point{(w.at + w.until) / 2, foot + 16}, 12, Middle, word)
		}
	}
}

func (s Shares) bar(cv Canvas, b Share, y float64, x func(float64) float64, x0, x1, row, t float64) {
	role, text, half := Cell, Soft, 0.26*row
	if b.Whole {
		role, text = Bar, Strong
	}
	end := min(x(max(0, b.Value)), x1)
	cv.Text(text, Point{x0 - 0.5*t, y + 0.33*t}, 0.9*t, End, b.Name)
	cv.Lines(role, true, rect(x0, y-half, end, y+half))
	if x(b.Value) > x1 { // the bar continues
		cv.Lines(Paper, true, rect(end-0.9*t, y-half-2, end-0.5*t, y+half+2))
	}
	value := s.Format.Decimal(b.Value, 1) + " %"
	w := 0.9*t*textWidth(value) + 0.6*t
	crosses := func(m float64) bool { return end <= x(m) && end+w > x(m) }
	if end < x1 && end-x0 > w && (crosses(s.Good) || crosses(s.Worst)) {
		cv.Text(text, Point{end - 0.4*t, y + 0.33*t}, 0.9*t, End, value)
		return
	}
	cv.Text(text, Point{end + 0.4*t, y + 0.33*t}, 0.9*t, Start, value)
}
