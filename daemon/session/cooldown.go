package session

import (
	"math"

	"fairbore/analysis"
	"fairbore/daemon/event"
)

// coolDown begins or ends the correction for how warm the part still is.
func (s *Session) coolDown(a event.Action) error {
	f := &s.fold
	switch {
	case a.Off && f.Cool == nil:
		return analysis.Say("action.cooldown.off")
	case a.Off:
		s.emit(event.Event{Kind: event.Cooled, Cool: f.Cool.End(or(a.Why(), analysis.Say("action.left")), false)})
		return nil
	case f.Part == nil || f.Verdict != nil:
		return analysis.Say("action.cooldown.no_part")
	case f.Warm.Part != nil:
		return analysis.Say("action.cooldown.measured", *f.Warm.Part)
	}
	if why := s.set.Lapsed(f, s.now.Wall); !why.IsZero() {
		return why
	}
	c, err := f.CoolingNow(&s.set)
	if err != nil {
		return err
	}
	s.emit(event.Event{Kind: event.Cooled, Cool: c})
	return nil
}

// checkCooling compares a new reading, at the place where the cooling was watched, with the size
// that the cooling predicts. A reading that differs too much ends the correction.
func (s *Session) checkCooling(r *event.Reading) {
	c := s.fold.Cool
	if c == nil || r.Place != c.Place || r.PartFrom != event.ByCooling {
		return
	}
	left, _ := c.Excess.Later(r.At.Sub(c.At))
	off := r.AsGauged() - analysis.Length(left) - c.Final
	one := max(s.readingU(), r.U)
	// The limit is three standard deviations, of the reading and of the excess when it was first
	// determined. The uncertainty of the excess later on is part of that.
	limit := analysis.Length(math.Ceil(3 * math.Hypot(float64(one), float64(c.Excess.U))))
	if off.Abs() <= limit {
		return
	}
	why := analysis.Say("cooldown.off", r.No, analysis.Fine(off), analysis.Fine(limit))
	s.emit(event.Event{Kind: event.Cooled, Cool: c.End(why, true), Source: "gauge"})
	s.hint(why)
}
