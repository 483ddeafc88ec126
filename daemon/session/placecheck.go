package session

import (
	"math"

	"fairbore/analysis"
	"fairbore/daemon/event"
)

// Limits for asking whether a reading was taken at the right place (common practice; chosen so that
// a taper of a few tenths of a micrometre never causes a question).
const (
	placeFar  = 8.0 // standard deviations from the expected size at the place due
	placeNear = 3.0 // and at most this many from another place
)

// placeQuestion asks whether a reading was taken at another section, if it fits that section far
// better than its own. It compares with the round before, less what honing removed at the sections
// gauged so far. It is zero if the reading fits, or if too little is known.
func (s *Session) placeQuestion(r *event.Reading) analysis.Phrase {
	f, repeat := &s.fold, s.fold.Repeat(&s.set.Gauge)
	if r.Round == 0 || repeat <= 0 {
		return analysis.Phrase{}
	}
	before, now := s.scratch.before, s.scratch.now // kept between calls, since every reading is checked
	clear(before)
	clear(now)
	f.CurrentInto(r.Round-1, before)
	f.CurrentInto(r.Round, now)
	if before[r.Place] == nil || len(now) < 2 {
		return analysis.Phrase{}
	}
	// The places gauged in both rounds tell what honing removed.
	var taken []float64
	for p, x := range now {
		if b := before[p]; b != nil && p != r.Place {
			taken = append(taken, (x.Size - b.Size).Micrometres())
		}
	}
	if len(taken) < 2 {
		return analysis.Phrase{}
	}
	mean, spread := meanAndSpread(taken)
	u := math.Max(math.Sqrt2*analysis.Length(repeat).Micrometres(), spread)
	off := func(p analysis.Place) float64 {
		return math.Abs((r.Size-before[p].Size).Micrometres()-mean) / u
	}
	if off(r.Place) < placeFar {
		return analysis.Phrase{}
	}
	for _, p := range f.Job.Plan() {
		if p.Depth != r.Depth && before[p] != nil && off(p) < placeNear {
			return analysis.Say("ask.right_place", p, r.Place)
		}
	}
	return analysis.Phrase{}
}

func meanAndSpread(x []float64) (mean, sd float64) {
	for _, v := range x {
		mean += v / float64(len(x))
	}
	for _, v := range x {
		sd += (v - mean) * (v - mean)
	}
	return mean, math.Sqrt(sd / float64(len(x)-1))
}
