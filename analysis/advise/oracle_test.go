package advise_test

import (
	"math"

	"fairbore/analysis"
	"fairbore/analysis/advise"
)

// oracle advises like someone who knows the true rate of the stone, how it
// glazes and what short strokes bring to the rest; not how the next spell will
// scatter, nor the errors of the gauge. It takes the longest round that a risk
// of two standard deviations allows, all of a difference along the bore at
// once, and stops, waits and gauges again as the advice does.
func (s *shop) oracle() advise.Advice {
	a := advise.Next(s.adv)
	if !a.Kind.Honing() {
		return a
	}
	cv := math.Hypot(s.bore.Scatter, s.hand.Scatter)
	z := &s.adv.Judged.Sizes.Zone
	room := (min(z.AcceptHigh, s.job.High-analysis.Length(s.adv.U.Expanded)) - s.adv.Form.Largest.Size).Micrometres()
	low, high, mean := math.Inf(1), math.Inf(-1), 0.0
	for _, sec := range s.adv.Form.Sections {
		m := (sec.Mean - s.job.Target).Micrometres()
		low, high, mean = min(low, m), max(high, m), mean+m/float64(len(s.adv.Form.Sections))
	}
	rest, by, short := s.hand.Rest, high-low, 0.0
	if a.By > 0 && by > 0.2*(s.job.High-s.job.Low).Micrometres() {
		short = by / (s.hand.Dwell - rest)
		if a.Where == "ends" {
			short *= 2
		}
	}
	// The rest of the bore gets its share of short strokes too.
	full := min(-mean, room) / (1 + 2*cv)
	if short*rest > full {
		a.Short = s.strokes(full / rest)
		a.Strokes = a.Short
		return a
	}
	a.Light = false
	a.Strokes = s.strokes(full - short*rest + short)
	a.Short = min(a.Strokes, s.strokes(short))
	if short == 0 {
		a.Short = 0
	}
	return a
}

// strokes is how many, one at least, take µm off with the stone as it is.
func (s *shop) strokes(take float64) int {
	n, cut := 0, s.cut
	for take > 0 && n < 1000 {
		r := s.bore.Slow + (s.bore.Fast-s.bore.Slow)*math.Exp(-cut/max(s.bore.Glaze, 1))
		if take < r {
			break
		}
		take, cut, n = take-r, cut+1, n+1
	}
	return max(1, n)
}
