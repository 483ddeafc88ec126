package picture

import (
	"math"

	"fairbore/analysis/notation"
)

// Study draws the readings of a gauge study part by part: for each person a bar from the smallest
// reading to the largest, with a mark for each reading, and across the part the mean of all. The
// length of the bars and their differences within a part show the variation of gauge and people;
// the differences of the means show that of the parts.
type Study struct {
	Parts, Operators []string
	Values           [][][]float64 // [part][operator][trial], in the unit in Title
	Limit            float64       // a longer bar is drawn as out of limits; 0: no limit
	Title            string
	W, H             float64
	Format           notation.Format
}

// Draw draws it on any canvas.
func (s Study) Draw(cv Canvas) {
	t := clamp(min(s.H/15, s.W/40), 10, 20)
	lo, hi := s.extremes()
	if !(hi >= lo) {
		return
	}
	pad := max((hi-lo)/12, 1e-6)
	top, foot := 2*t, s.H-2.2*t
	y := func(v float64) float64 { return foot - (v-lo+pad)/(hi-lo+2*pad)*(foot-top) }
	x0, x1 := 4.4*t, s.W-0.6*t
	cv.Text(Strong, Point{x0, t}, 0.9*t, Start, s.Title)
	s.legend(cv, Point{x1, t}, t)
	ruled(cv, s.Format, lo, hi, y, x0, x1, t)
	cv.Lines(Frame, false, []Point{{x0, top}, {x0, foot}, {x1, foot}})
	slot := (x1 - x0) / float64(len(s.Parts))
	each := 1 // name every each-th part, so that the names do not touch
	for _, p := range s.Parts {
		each = max(each, int(0.85*t*textWidth(p+" ")/slot)+1)
	}
	for i, p := range s.Parts {
		left := x0 + slot*float64(i)
		if i > 0 {
			cv.Lines(Axis, false, []Point{{left, top}, {left, foot}})
		}
		s.part(cv, s.Values[i], left, slot, y, t)
		if i%each == 0 {
			cv.Text(Soft, Point{left + slot/2, foot + 1.2*t}, 0.85*t, Middle, p)
		}
	}
}

// part draws the readings of one part between left and left + slot.
func (s Study) part(cv Canvas, by [][]float64, left, slot float64, y func(float64) float64, t float64) {
	sum, n := 0.0, 0
	step := 0.84 * slot / float64(len(by))
	w := clamp(0.3*step, 1, 0.55*t)
	for k, trials := range by {
		x := left + 0.08*slot + step*(float64(k)+0.5)
		lo, hi := math.Inf(1), math.Inf(-1)
		for _, v := range trials {
			lo, hi, sum, n = min(lo, v), max(hi, v), sum+v, n+1
		}
		if n == 0 || math.IsInf(lo, 0) {
			continue
		}
		box := rect(x-w, y(hi)-1, x+w, y(lo)+1)
		cv.Lines(shade(k), true, box)
		if s.Limit > 0 && hi-lo > s.Limit {
			cv.Lines(Cross, true, rect(x-w-0.25*t, y(hi)-0.35*t, x+w+0.25*t, y(lo)+0.35*t))
		}
		for _, v := range trials {
			cv.Lines(Mark, false, []Point{{x - 1.5*w, y(v)}, {x + 1.5*w, y(v)}})
		}
	}
	if n > 0 {
		m := y(sum / float64(n))
		cv.Lines(Target, false, []Point{{left + 0.04*slot, m}, {left + 0.96*slot, m}})
	}
}

// shade returns the fill of a person's bars: one of three greys in turn.
func shade(k int) Role { return [...]Role{Cell, Bar, Beam}[k%3] }

// legend writes the names of the people from the right, each beside a bar.
func (s Study) legend(cv Canvas, at Point, t float64) {
	x := at.X
	room := s.W - 5*t - 0.9*t*textWidth(s.Title+"   ")
	for k := len(s.Operators) - 1; k >= 0; k-- {
		name := s.Operators[k]
		w := 0.85*t*textWidth(name) + 1.6*t
		if room -= w; room < 0 {
			return
		}
		x -= w
		cv.Lines(shade(k), true, rect(x, at.Y-0.72*t, x+0.5*t, at.Y+0.05*t))
		cv.Text(Soft, Point{x + 0.8*t, at.Y}, 0.85*t, Start, name)
	}
}

func (s Study) extremes() (lo, hi float64) {
	lo, hi = math.Inf(1), math.Inf(-1)
	for _, by := range s.Values {
		for _, trials := range by {
			for _, v := range trials {
				lo, hi = min(lo, v), max(hi, v)
			}
		}
	}
	return lo, hi
}

// ruled draws horizontal lines at round values, with the values on the left.
func ruled(cv Canvas, f notation.Format, lo, hi float64, y func(float64) float64, x0, x1, t float64) {
	step := floorFine((hi - lo) / 3)
	if hi <= lo {
		step = 1
	}
	decimals := max(0, int(-math.Floor(math.Log10(step)+1e-9)))
	first := math.Ceil(lo / step)
	for i := range 16 { // (hi − lo) / step is below 15
		v := (first + float64(i)) * step
		if v > hi+step*1e-9 {
			break
		}
		cv.Lines(Frame, false, []Point{{x0, y(v)}, {x1, y(v)}})
		cv.Text(Soft, Point{x0 - 0.4*t, y(v) + 0.3*t}, 0.85*t, End, f.Decimal(v+0, decimals))
	}
}
