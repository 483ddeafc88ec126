package picture

import (
	"fmt"
	"strconv"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/daemon/event"
	"fairbore/daemon/state"
)

// Approach draws the approach to size: for each round the range from the tightest place to the
// widest, between the limits, and what the next round may bring.
type Approach struct {
	Bore    *state.Bore
	W, H    float64
	Format  notation.Format
	Against Against
	// Expected is the lower and the upper bound of the size after the advised round; nil if none is
	// advised.
	Expected *[2]analysis.Length
}

// Against says what the sizes are drawn against.
type Against uint8

// ByRound puts all rounds at the same distance. ByHoning puts them apart in proportion to the
// strokes, or else the seconds, of honing between them, so that the slope is the rate. ByClock puts
// them apart in proportion to the time between them.
const (
	ByRound Against = iota
	ByHoning
	ByClock
)

// roundsDrawn is the largest number of rounds drawn, the newest ones.
const roundsDrawn = 6

// SVG draws it for the page.
func (a Approach) SVG() []byte {
	s := NewSVG(a.W, a.H, a.Format.Text("picture.title.approach."+a.Against.code()))
	a.Draw(s)
	return s.Bytes()
}

// Draw draws it on any canvas.
func (a Approach) Draw(cv Canvas) {
	t := clamp(min(a.H/13, a.W/20), 10, 24)
	rounds := a.Bore.Rounds[max(0, len(a.Bore.Rounds)-roundsDrawn):]
	y := a.sizes(rounds)
	y.low, y.high = a.H-3.6*t, 1.6*t
	x0, x1 := 3.9*t, a.W-0.6*t
	cv.Text(Soft, Point{x0, 1.0 * t}, 0.85*t, Start, a.Format.Text("picture.approach."+a.Against.code(), a.Format.SmallUnit()))
	limitBand(cv, a.Bore.Job, y, x0, x1)
	scale(cv, a.Bore.Job, a.Format, y, x0, t)
	at, width := a.across(rounds, x0, x1)
	w := min(0.22*width, 0.9*t)
	var mean []Point
	for i, r := range rounds {
		top, bottom := y.at(r.Largest), y.at(r.Smallest)
		p := Point{at[i], y.at(r.Mean)}
		cv.Lines(Bar, true, rect(p.X-w, top-1, p.X+w, bottom+1))
		if i > 0 {
			cv.Lines(Frame, false, []Point{mean[i-1], p})
		}
		cv.Lines(Mark, false, []Point{{p.X - 1.3*w, bottom + 1}, {p.X + 1.3*w, bottom + 1}})
		mean = append(mean, p)
	}
	next := a.ahead(cv, y, at[len(rounds)], width, t, mean)
	a.feet(cv, rounds, at, y.low, x0, next, t)
}

// code returns the end of the codes of the texts for this axis.
func (a Against) code() string { return [...]string{"round", "honing", "clock"}[min(a, ByClock)] }

// sizes returns the range of sizes that is drawn.
func (a Approach) sizes(rounds []state.RoundSum) axis {
	lo, hi := a.Bore.Job.Low, a.Bore.Job.High
	for _, r := range rounds {
		lo, hi = min(lo, r.Smallest), max(hi, r.Largest)
	}
	if e := a.Expected; e != nil {
		lo, hi = min(lo, e[0]), max(hi, e[1])
	}
	pad := (hi - lo) / 12
	return axis{min: lo - pad, max: hi + pad}
}

// across returns the x of each round and, after them, of the advised one, and the smallest distance
// between them.
func (a Approach) across(rounds []state.RoundSum, x0, x1 float64) (at []float64, width float64) {
	steps, ok := a.far(rounds)
	if !ok {
		steps = make([]float64, len(rounds)+1)
		for i := range steps {
			steps[i] = 1
		}
	}
	steps[0] = 0
	whole := 0.0
	for _, s := range steps {
		whole += s
	}
	even := (x1 - x0) / float64(len(steps))
	x := x0 + even/2 // half a slot at either end
	width = even
	for i, s := range steps {
		if whole > 0 {
			x += (x1 - x0 - even) * s / whole
		}
		if at = append(at, x); i > 0 {
			width = min(width, at[i]-at[i-1])
		}
	}
	return at, max(width, 0.2*even)
}

// far returns the distance of each round from the one before, and that of the advised round. ok is
// false if a distance is not known.
func (a Approach) far(rounds []state.RoundSum) (far []float64, ok bool) {
	strokes, seconds := honed(rounds)
	if len(rounds) < 2 || a.Against == ByRound || a.Against == ByHoning && !strokes && !seconds {
		return nil, false
	}
	for i, r := range rounds {
		switch {
		case a.Against == ByClock && i > 0:
			far = append(far, max(r.At.Sub(rounds[i-1].At).Seconds(), 1))
		case a.Against == ByHoning && strokes:
			far = append(far, float64(r.Strokes))
		default:
			far = append(far, r.Seconds)
		}
	}
	next := far[len(far)-1] // as long as the one before, if nothing else is known
	if v := a.Bore.Advice; v != nil && a.Against == ByHoning {
		switch {
		case strokes && v.Strokes > 0:
			next = float64(v.Strokes)
		case !strokes && v.Seconds > 0:
			next = float64(v.Seconds)
		}
	}
	return append(far, next), true
}

// honed reports whether the strokes, or the seconds, of all rounds after the first are known.
func honed(rounds []state.RoundSum) (strokes, seconds bool) {
	strokes, seconds = true, true
	for _, r := range rounds[min(1, len(rounds)):] {
		strokes, seconds = strokes && r.Strokes > 0, seconds && r.Seconds > 0
	}
	return strokes, seconds
}

// feet writes under each round its number, the honing before it, and the time when it was gauged,
// as far as there is room before x1.
func (a Approach) feet(cv Canvas, rounds []state.RoundSum, at []float64, y, x0, x1, t float64) {
	for n, row := range []struct {
		code string
		word func(state.RoundSum) string
	}{
		{"picture.round", func(r state.RoundSum) string { return strconv.Itoa(r.Number) }},
		{"picture.honed", func(r state.RoundSum) string { return a.spell(r.Round) }},
		{"picture.hours", func(r state.RoundSum) string { return clock(r.At.Sub(a.Bore.Rounds[0].At)) }},
	} {
		base := y + (1.05+float64(n))*t
		cv.Text(Soft, Point{x0 - 0.4*t, base}, 0.8*t, End, a.Format.Text(row.code))
		until := x0 - 0.2*t
		for i, r := range rounds {
			word := row.word(r)
			half := 0.42 * t * textWidth(word)
			if at[i]-half > until && (n == 2 || at[i]+half < x1) {
				cv.Text(Soft, Point{at[i], base}, 0.82*t, Middle, word)
				until = at[i] + half
			}
		}
	}
}

// clock formats hours and minutes.
func clock(d time.Duration) string {
	m := int(d.Round(time.Minute).Minutes())
	return fmt.Sprintf("%d:%02d", m/60, m%60)
}

// spell says how long was honed before a round, in strokes or else in seconds.
func (a Approach) spell(r event.Round) string {
	switch {
	case r.Strokes > 0:
		return strconv.Itoa(r.Strokes) + "×"
	case r.Seconds > 0:
		return a.Format.Plain(r.Seconds) + " s"
	}
	return ""
}

// ahead draws what the advised round may bring. It returns where its text begins.
func (a Approach) ahead(cv Canvas, y axis, x, slot, t float64, mean []Point) (from float64) {
	e := a.Expected
	if e == nil {
		return a.W
	}
	w := min(0.3*slot, 1.1*t)
	cv.Lines(Ahead, true, rect(x-w, y.at(e[1]), x+w, y.at(e[0])))
	if len(mean) > 0 {
		cv.Lines(Ahead, false, []Point{mean[len(mean)-1], {x, (y.at(e[0]) + y.at(e[1])) / 2}})
	}
	next := a.Format.Text("picture.next")
	cv.Text(NextAs, Point{x, y.low + 1.05*t}, 0.85*t, Middle, next)
	if v := a.Bore.Advice; v != nil {
		if how := a.spell(event.Round{Strokes: v.Strokes, Seconds: float64(v.Seconds)}); how != "" {
			cv.Text(NextAs, Point{x, y.low + 2.05*t}, 0.82*t, Middle, how)
		}
	}
	return x - 0.45*t*textWidth(next)
}

// scale writes the deviations of the limits and the target, and some round ones below.
func scale(cv Canvas, j *analysis.Job, f notation.Format, y axis, x, t float64) {
	last := -1e9
	write := func(r Role, l analysis.Length) {
		if at := y.at(l); at-last > 0.95*t && at < y.low {
			cv.Text(r, Point{x - 0.4*t, at + 0.3*t}, 0.85*t, End, f.Signed(analysis.Deviation(l-j.Target)))
			last = at
		}
	}
	write(LimitAs, j.High)
	write(LimitAs, j.Low)
	unit := f.Unit()
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
