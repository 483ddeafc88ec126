package session

import (
	"errors"
	"fmt"
	"math"

	"fairbore/analysis"
	"fairbore/daemon/event"
)

// coolDown begins or ends the use of how the part cools.
func (s *Session) coolDown(a event.Action) error {
	f := &s.fold
	switch {
	case a.Off && f.Cool == nil:
		return errors.New("the part's temperature isn't taken from its cooling")
	case a.Off:
		s.emit(event.Event{Kind: event.Cooled, Cool: f.Cool.End(orElse(a.Reason, "left by the operator"), false)})
		return nil
	case f.Part == nil || f.Verdict != nil:
		return errors.New("begin a part first, and gauge one place again and again")
	case f.Warm.Part != nil:
		return fmt.Errorf("the part's temperature is measured, %s; that stands until the next round", *f.Warm.Part)
	}
	if why := s.set.Lapsed(f, s.now.Wall); why != "" {
		return errors.New(why)
	}
	c, err := f.CoolingNow(&s.set)
	if err != nil {
		return err
	}
	s.emit(event.Event{Kind: event.Cooled, Cool: c})
	return nil
}

// closes looks at a reading that was just taken where the cooling was watched: one that
// does not come out where it leads ends it.
func (s *Session) closes(r *event.Reading) {
	c := s.fold.Cool
	if c == nil || r.Place != c.Place || r.PartFrom != event.ByCooling {
		return
	}
	left, _ := c.Excess.Later(r.At.Sub(c.At))
	off := r.AsGauged() - analysis.Length(left) - c.Final
	one := max(s.oneReading(), r.U)
	// Three standard deviations: the reading's, and the excess's as it was, of which what
	// is in doubt later is a part.
	limit := analysis.Length(math.Ceil(3 * math.Hypot(float64(one), float64(c.Excess.U))))
	if off.Abs() <= limit {
		return
	}
	why := fmt.Sprintf("reading %d came out %s µm from where the cooling leads, more than %s: was it laid elsewhere, or held in the hand? Gauge the places again.",
		r.No, off.Format(analysis.UM, 2), limit.Format(analysis.UM, 2))
	s.emit(event.Event{Kind: event.Cooled, Cool: c.End(why, true), Source: "gauge"})
	s.live.Hint = why
}
