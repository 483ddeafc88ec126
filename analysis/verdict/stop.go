package verdict

import "fairbore/analysis"

// Action is what the stop rule says. It advises; the person at the machine decides.
type Action string

// The actions (common practice). Material that was removed can't be put back, so one place in doubt
// at the high limit stops the honing.
const (
	HoneOn    Action = "hone on"
	Finished  Action = "in size everywhere"
	StopNow   Action = "stop, gauge again"
	LayAside  Action = "stop, lay aside"
	NotKnown  Action = "not known"
	FormFault Action = "in size, out of form"
)

// Stop is the stop rule's outcome with its reason.
type Stop struct {
	Action Action          `json:"action"`
	Reason analysis.Phrase `json:"reason"`
	// Narrow says that the sizes differ by more than the width of the acceptance zone. Honing that
	// removes the same amount everywhere can't bring them all in.
	Narrow bool `json:"narrow,omitempty"`
}

func stop(b *Bore) Stop {
	s := &b.Sizes
	if len(b.Invalid) > 0 {
		return Stop{Action: NotKnown, Reason: b.Invalid[0]}
	}
	if s.N == 0 {
		return Stop{Action: NotKnown, Reason: analysis.Say("verdict.stop.nothing")}
	}
	z := &s.Zone
	narrow := s.Largest.Size-s.Smallest.Size > z.AcceptHigh-z.AcceptLow
	small, large := s.Smallest, s.Largest
	to := func(a Action, p analysis.Phrase) Stop { return Stop{Action: a, Reason: p, Narrow: narrow} }
	switch {
	case large.Size > z.AcceptHigh && small.Size < z.Low:
		return to(LayAside, analysis.Say("verdict.stop.both_sides", small.Place, large.Place))
	case large.Size > z.AcceptHigh:
		return to(StopNow, analysis.Say("verdict.stop.past_safe", large.Place))
	case len(b.Missing) > 0:
		return to(NotKnown, analysis.Say("verdict.stop.missing", len(b.Missing), b.Missing[0]))
	case small.Size < z.AcceptLow && narrow:
		return to(HoneOn, analysis.Say("verdict.stop.only_tight", small.Place, large.Place))
	case small.Size < z.AcceptLow:
		return to(HoneOn, analysis.Say("verdict.stop.small", small.Place))
	case b.State == OutOfForm:
		return to(FormFault, analysis.Say("verdict.stop.form"))
	case b.State != InSize:
		return to(NotKnown, analysis.Say("verdict.stop.form_doubt"))
	}
	return to(Finished, analysis.Say("verdict.stop.inside"))
}

// sentence states the state of the bore with its figure, for the page and the record.
func sentence(b *Bore) analysis.Phrase {
	s := &b.Sizes
	switch {
	case b.State == CannotJudge:
		return cannot(b)
	case b.State == StockToGo:
		return analysis.Say("verdict.stock", s.Stock, s.Smallest.Place)
	case b.State == Over:
		return analysis.Say("verdict.over", -s.Room, s.Largest.Place)
	case b.State == TooClose && b.Side == Above:
		return analysis.Say("verdict.close_high", s.Largest.Place)
	case b.State == TooClose && b.Side == Under:
		return analysis.Say("verdict.close_low", s.Smallest.Place)
	case b.State == InSize:
		return analysis.Say("verdict.in_size", s.N, b.Rule.Phrase())
	}
	for _, c := range b.Form { // TooClose or OutOfForm by a form characteristic
		if c.Decision == DoesNotConform && b.State == OutOfForm {
			return analysis.Say("verdict.out_of_form", c.Name.Phrase(), c.Value, c.Limit)
		}
		if c.Decision == Uncertain && b.State == TooClose {
			return analysis.Say("verdict.form_close", c.Name.Phrase(), c.Value, c.Limit)
		}
	}
	return analysis.Phrase{}
}

func cannot(b *Bore) analysis.Phrase {
	switch {
	case len(b.Invalid) > 0:
		return analysis.Say("verdict.cannot_because", b.Invalid[0])
	case b.Sizes.N == 0:
		return analysis.Say("verdict.cannot_nothing")
	case len(b.Missing) > 0:
		return analysis.Say("verdict.so_far", len(b.Missing), b.Missing[0])
	}
	for _, c := range b.Form {
		if c.Decision == NotJudged {
			return analysis.Say("verdict.cannot_form", c.Name.Phrase(), c.Why)
		}
	}
	return analysis.Say("verdict.cannot")
}
