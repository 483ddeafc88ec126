package picture

import (
	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/daemon/state"
)

// Sections draws for each section of the bore its mean size by round, counted from the named face:
// small charts side by side on one scale, with the limits, and what the advised round may bring.
type Sections struct {
	Bore   *state.Bore
	W, H   float64
	Format notation.Format
}

// SVG draws them for the page.
func (s Sections) SVG() []byte {
	c := NewSVG(s.W, s.H, s.Format.Text("picture.title.sections"))
	s.Draw(c)
	return c.Bytes()
}

// Draw draws them on any canvas.
func (s Sections) Draw(cv Canvas) {
	j := s.Bore.Job
	t := clamp(min(s.H/9, s.W/22), 9, 22)
	y := s.axis(t)
	x0, x1 := 3.9*t, s.W-0.6*t
	cv.Text(Soft, Point{x0, t}, 0.85*t, Start, s.Format.Text("picture.sections"))
	scale(cv, j, s.Format, y, x0, t)
	slot := (x1 - x0) / float64(max(1, len(j.Sections)))
	for i, d := range j.Sections {
		from := x0 + slot*float64(i)
		limitBand(cv, j, y, from, from+0.9*slot)
		s.section(cv, d, y, from, 0.9*slot, t)
		word := s.Format.Depth(d)
		size := min(0.85*t, 0.86*slot/textWidth(word))
		cv.Text(Soft, Point{from + 0.45*slot, y.low + 1.05*t}, size, Middle, word)
	}
}

// axis returns the axis for the sizes of the rounds that are drawn, and the limits.
func (s Sections) axis(t float64) axis {
	lo, hi := s.Bore.Job.Low, s.Bore.Job.High
	for _, r := range s.rounds() {
		for _, m := range r.Sections {
			lo, hi = min(lo, m.Mean), max(hi, m.Mean)
		}
	}
	pad := (hi - lo) / 12
	return axis{lo - pad, hi + pad, s.H - 1.5*t, 1.5 * t}
}

func (s Sections) rounds() []state.RoundSum {
	return s.Bore.Rounds[max(0, len(s.Bore.Rounds)-roundsDrawn):]
}

// section draws one of the charts. A dot marks the newest mean.
func (s Sections) section(cv Canvas, depth analysis.Length, y axis, x, w, t float64) {
	rounds := s.rounds()
	step := w / float64(len(rounds)+1)
	var line []Point
	for i, r := range rounds {
		for _, m := range r.Sections {
			if m.Depth == depth {
				line = append(line, Point{x + step*(float64(i)+0.5), y.at(m.Mean)})
			}
		}
	}
	if len(line) == 0 {
		return
	}
	last := line[len(line)-1]
	cv.Lines(Wide, false, line)
	if a := s.Bore.Advice; a != nil {
		for _, e := range a.Expected {
			if e.Depth == depth {
				at := x + step*(float64(len(rounds))+0.5)
				cv.Lines(Ahead, true, rect(at-0.35*step, y.at(e.High), at+0.35*step, y.at(e.Low)))
			}
		}
	}
	cv.Circle(Mark, last, 0.16*t)
}
