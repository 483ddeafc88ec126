package advise_test

import (
	"math"

	"fairbore/analysis"
	"fairbore/analysis/advise"
)

// informed advises by the same rules as the advice, for a rate that it knows: the
// true one of the stone as it is now, its glazing included, and for a scatter that
// it knows. It doesn't know the next spell's draw, nor the errors of the gauge.
func (s *shop) informed() advise.Advice {
	in := s.adv
	in.Prior = known(s.rate(s.cut), math.Hypot(s.bore.Scatter, s.hand.Scatter))
	in.Dressed = false
	again := 1
	for i := len(in.Rounds) - 1; i > 0 && in.Rounds[i].Strokes == 0; i-- {
		again++ // what was gauged again is to be known as such
	}
	in.Rounds = in.Rounds[len(in.Rounds)-again:]
	return advise.Next(in)
}

// rate is the true one, µm a stroke, after so many strokes since dressing.
func (s *shop) rate(cut float64) float64 {
	r := s.bore.GlazedRate + (s.bore.FreshRate-s.bore.GlazedRate)*math.Exp(-cut/max(s.bore.GlazeStrokes, 1))
	if s.eased {
		r *= s.hand.Press
	}
	return r
}

// greedy advises like someone who knows the true rate, what short strokes bring
// to the rest, and how much less the bottom of a blind bore gets, and who takes
// all that two standard deviations of scatter allow at once: no half bites, and
// all of a difference along the bore in one go. It stops, waits and gauges
// again as the advice does.
func (s *shop) greedy() advise.Advice {
	a := advise.Next(s.adv)
	if !a.Kind.Honing() {
		return a
	}
	cv := math.Hypot(s.bore.Scatter, s.hand.Scatter)
	z := &s.adv.Judged.Sizes.Zone
	room := (min(z.AcceptHigh, s.job.High-analysis.Length(s.adv.U.Expanded)) - s.adv.Form.Largest.Size).Micrometres()
	worked, rest, n := 0.0, 0.0, 0.0
	for _, sec := range s.adv.Form.Sections {
		m := (sec.Mean - s.job.Target).Micrometres()
		if s.short(a, sec.Depth) {
			worked, n = worked+m, n+1
		} else {
			rest += m
		}
	}
	k := float64(len(s.adv.Form.Sections))
	mean := (worked + rest) / k
	part := 1.0
	if s.job.Blind && a.Where == "bottom" {
		part = 0.85
	}
	short := 0.0 // µm, as long strokes would take off
	if a.By > 0 && n > 0 && n < k {
		even := part*s.hand.Dwell - s.hand.Rest
		if a.Where == "ends" {
			even /= 2
		}
		short = max(0, rest/(k-n)-worked/n) / even
		short += (1 - part) * max(0, -mean) / even
	}
	full := min(-mean, room) / (1 + 2*cv)
	short = min(short, max(full, 0)/s.hand.Rest)
	if a.By < dev(0.2*(s.job.High-s.job.Low).Micrometres()) && a.Kind != advise.Correct && a.Short == 0 {
		short = 0
	}
	a.Light = a.Light && full < s.rate(s.cut)
	a.Short = int(math.Round(s.strokes(short)))
	a.Strokes = max(1, int(s.strokes(full-short*s.hand.Rest))+a.Short)
	return a
}

func (s *shop) short(a advise.Advice, depth analysis.Length) bool {
	for _, r := range a.At {
		if depth >= r.From && depth <= r.To {
			return true
		}
	}
	return false
}

// strokes is how many take µm off with the stone as it is.
func (s *shop) strokes(take float64) (n float64) {
	for cut := s.cut; take > 0 && n < 1000; cut++ {
		r := s.rate(cut)
		if take < r {
			return n + take/r
		}
		take, n = take-r, n+1
	}
	return n
}
