package picture

import (
	"strconv"

	"fairbore/analysis"
	"fairbore/daemon/session"
)

// Approach draws the size against the rounds: of each the range from the tightest
// place to the widest, between the limits, and what the next round may bring.
type Approach struct {
	Bore   *session.Bore
	W, H   float64
	Format Format
	// Expected is the size after the advised round: its low and high bound; nil
	// if none is advised.
	Expected *[2]analysis.Length
}

// roundsDrawn is how many rounds the approach shows, the newest.
const roundsDrawn = 6

// SVG draws it for the page.
func (a Approach) SVG() []byte {
	s := NewSVG(a.W, a.H, "Size against rounds of honing, with the limits.")
	a.Draw(s)
	return s.Bytes()
}

// Draw draws it on any canvas.
func (a Approach) Draw(cv Canvas) {
	b := a.Bore
	t := clamp(min(a.H/13, a.W/20), 10, 24)
	rounds := b.Rounds[max(0, len(b.Rounds)-roundsDrawn):]
	lo, hi := b.Job.Low, b.Job.High
	for _, r := range rounds {
		lo, hi = min(lo, r.Smallest), max(hi, r.Largest)
	}
	if e := a.Expected; e != nil {
		lo, hi = min(lo, e[0]), max(hi, e[1])
	}
	pad := (hi - lo) / 12
	y0, y1 := a.H-2.6*t, 1.6*t
	y := axis{lo - pad, hi + pad, y0, y1}
	x0, x1 := 3.9*t, a.W-0.6*t
	cv.Text(Soft, Point{x0, 1.0 * t}, 0.85*t, Start, a.Format.SmallUnit()+" from target, by round")
	limitBand(cv, b.Job, y, x0, x1)
	scale(cv, b.Job, a.Format, y, x0, t)
	n := float64(max(len(rounds), 1) + 1)
	slot := (x1 - x0) / n
	var last *Point
	for i, r := range rounds {
		x := x0 + slot*(float64(i)+0.5)
		w := min(0.22*slot, 0.9*t)
		top, bottom := y.at(r.Largest), y.at(r.Smallest)
		cv.Lines(Bar, true, rect(x-w, top-1, x+w, bottom+1))
		at := Point{x, y.at(r.Mean)}
		if last != nil {
			cv.Lines(Frame, false, []Point{*last, at})
		}
		cv.Lines(Mark, false, []Point{{x - 1.3*w, bottom + 1}, {x + 1.3*w, bottom + 1}})
		last = &at
		cv.Text(Soft, Point{x, y0 + 1.05*t}, 0.85*t, Middle, strconv.Itoa(r.Number))
		cv.Text(Soft, Point{x, y0 + 2.1*t}, 0.8*t, Middle, a.spell(r.Round))
	}
	cv.Text(Soft, Point{x0 - 0.4*t, y0 + 1.05*t}, 0.8*t, End, "round")
	cv.Text(Soft, Point{x0 - 0.4*t, y0 + 2.1*t}, 0.8*t, End, "honed")
	a.ahead(cv, y, x0+slot*(n-0.5), slot, t, last)
}

// spell says how long was honed before a round, in strokes or else in seconds.
func (a Approach) spell(r session.Round) string {
	switch {
	case r.Strokes > 0:
		return strconv.Itoa(r.Strokes) + "×"
	case r.Seconds > 0:
		return a.Format.mark(trimFloat(r.Seconds)) + " s"
	}
	return ""
}

// ahead draws what the advised round may bring.
func (a Approach) ahead(cv Canvas, y axis, x, slot, t float64, last *Point) {
	e := a.Expected
	if e == nil {
		return
	}
	w := min(0.3*slot, 1.1*t)
	cv.Lines(Ahead, true, rect(x-w, y.at(e[1]), x+w, y.at(e[0])))
	if last != nil {
		cv.Lines(Ahead, false, []Point{*last, {x, (y.at(e[0]) + y.at(e[1])) / 2}})
	}
	cv.Text(NextAs, Point{x, y.low + 1.05*t}, 0.85*t, Middle, "next")
}

// scale writes the limits' and the target's deviation, and a few round ones below.
func scale(cv Canvas, j *analysis.Job, f Format, y axis, x, t float64) {
	last := -1e9
	write := func(r Role, l analysis.Length) {
		if at := y.at(l); at-last > 0.95*t && at < y.low {
			cv.Text(r, Point{x - 0.4*t, at + 0.3*t}, 0.85*t, End, f.Signed(analysis.Deviation(l-j.Target)))
			last = at
		}
	}
	write(LimitAs, j.High)
	write(LimitAs, j.Low)
	unit := f.unit()
	step := analysis.Length(floorFine((y.max-y.min).Micrometres()/unit.Micrometres()/2.5) * float64(unit))
	for l := j.Target - step; step > 0 && l > y.min; l -= step {
		write(Soft, l)
	}
}

// axis maps sizes to pixels.
type axis struct {
	min, max  analysis.Length
	low, high float64 // pixels of min and max
}

func (a axis) at(l analysis.Length) float64 {
	if a.max <= a.min {
		return a.low
	}
	return a.low + (a.high-a.low)*float64(l-a.min)/float64(a.max-a.min)
}
