package verdict

import (
	"fmt"

	"fairbore/analysis"
)

// Action is what the stop rule says. It advises; the person at the machine decides.
type Action string

// The actions, from common practice: what is taken off can't be put back, so
// one place in doubt at the high limit stops the honing.
const (
	HoneOn    Action = "hone on"
	Finished  Action = "stop: in size everywhere"
	StopNow   Action = "STOP: no more honing until gauged again, cool"
	LayAside  Action = "STOP: cannot be saved by more size"
	NotKnown  Action = "not known"
	FormFault Action = "stop: in size, but out of form"
)

// Stop is the stop rule's outcome with its reason.
type Stop struct {
	Action Action `json:"action"`
	Reason string `json:"reason"` // in the unit of the drawing
	// Because is the reason, to be said in any unit.
	Because analysis.OldPhrase `json:"because"`
	// Narrow: the sizes differ by more than the acceptance zone is wide, so
	// that honing all places alike can't bring them all in.
	Narrow bool `json:"narrow,omitempty"`
}

func stop(b *Bore) Stop {
	s := &b.Sizes
	if len(b.Invalid) > 0 {
		return Stop{Action: NotKnown, Because: analysis.OldPhrase{Text: b.Invalid[0]}}
	}
	if s.N == 0 {
		return Stop{Action: NotKnown, Because: analysis.OldPhrase{Text: "Nothing is gauged yet."}}
	}
	z := &s.Zone
	narrow := s.Largest.Size-s.Smallest.Size > z.AcceptHigh-z.AcceptLow
	small, large := s.Smallest, s.Largest
	to := func(a Action, format string, args ...any) Stop {
		return Stop{Action: a, Because: analysis.Sayf(format, args...), Narrow: narrow}
	}
	switch {
	case large.Size > z.AcceptHigh && small.Size < z.Low:
		return to(LayAside, "Under the low limit at %s and past the safe high size at %s: a form fault, lay it aside.", small.Place, large.Place)
	case large.Size > z.AcceptHigh:
		return to(StopNow, "The size at %s is past the safe high size.", large.Place)
	case len(b.Missing) > 0:
		return to(NotKnown, "%s not gauged, first %s; the largest place may be among them.", places(len(b.Missing)), b.Missing[0])
	case small.Size < z.AcceptLow && narrow:
		return to(HoneOn, "Only where it is tight: at %s there is still stock, at %s hardly room.", small.Place, large.Place)
	case small.Size < z.AcceptLow:
		return to(HoneOn, "The smallest place, %s, isn't safely above the low limit.", small.Place)
	case b.State == OutOfForm:
		return to(FormFault, "All sizes are safely inside, a form limit is not met.")
	case b.State != InSize:
		return to(NotKnown, "All sizes are safely inside, but a form limit can't be called met.")
	}
	return to(Finished, "All sizes lie safely inside the limits.")
}

func places(n int) string {
	if n == 1 {
		return "1 place"
	}
	return fmt.Sprintf("%d places", n)
}

// sentence says the state with its figure, for the page and the record.
func sentence(b *Bore) analysis.OldPhrase {
	s := &b.Sizes
	switch {
	case b.State == CannotJudge:
		return cannot(b)
	case b.State == StockToGo:
		return analysis.Sayf("Stock to go: %s to the low limit at %s.", s.Stock, s.Smallest.Place)
	case b.State == Over:
		return analysis.Sayf("Over by %s at %s.", -s.Room, s.Largest.Place)
	case b.State == TooClose && b.Side == Above:
		return analysis.Sayf("Too close to call at the high limit, %s: gauge again cool, and check the zero.", s.Largest.Place)
	case b.State == TooClose && b.Side == Under:
		return analysis.Sayf("Too close to call at the low limit, %s: gauge again cool, and check the zero.", s.Smallest.Place)
	case b.State == InSize:
		return analysis.Sayf("In size, %s, by the rule %s.", readings(s.N), string(b.Rule))
	}
	for _, c := range b.Form { // TooClose or OutOfForm by a form characteristic
		if c.Decision == DoesNotConform && b.State == OutOfForm {
			return analysis.Sayf("In size, but %s is %s, limit %s.", c.Name, c.Value, c.Limit)
		}
		if c.Decision == Uncertain && b.State == TooClose {
			return analysis.Sayf("In size; %s of %s is too close to call, limit %s.", c.Name, c.Value, c.Limit)
		}
	}
	return analysis.OldPhrase{}
}

func cannot(b *Bore) analysis.OldPhrase {
	switch {
	case len(b.Invalid) > 0:
		return analysis.OldPhrase{Text: "Cannot judge. " + b.Invalid[0]}
	case b.Sizes.N == 0:
		return analysis.OldPhrase{Text: "Cannot judge: nothing is gauged yet."}
	case len(b.Missing) > 0:
		return analysis.Sayf("In size so far; %s not gauged, first %s.", places(len(b.Missing)), b.Missing[0])
	}
	for _, c := range b.Form {
		if c.Decision == NotJudged {
			return analysis.Sayf("Cannot judge the %s: %s.", c.Name, c.Why)
		}
	}
	return analysis.OldPhrase{Text: "Cannot judge."}
}

// In returns the verdict with its sentence and the reason of the stop rule in the
// words of another unit, as [analysis.OldPhrase.In] says them.
func (b Bore) In(u analysis.Unit) Bore {
	if b.Said.Text != "" {
		b.Sentence, b.Stop.Reason = b.Said.In(u), b.Stop.Because.In(u)
	}
	return b
}

func readings(n int) string {
	if n == 1 {
		return "1 reading"
	}
	return fmt.Sprintf("%d readings", n)
}
