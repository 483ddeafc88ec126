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
	Reason string `json:"reason"`
	// Narrow: the sizes differ by more than the acceptance zone is wide, so
	// that honing all places alike can't bring them all in.
	Narrow bool `json:"narrow,omitempty"`
}

func stop(b *Bore) Stop {
	s := &b.Sizes
	if len(b.Invalid) > 0 {
		return Stop{Action: NotKnown, Reason: b.Invalid[0]}
	}
	if s.N == 0 {
		return Stop{Action: NotKnown, Reason: "Nothing is gauged yet."}
	}
	z := &s.Zone
	narrow := s.Largest.Size-s.Smallest.Size > z.AcceptHigh-z.AcceptLow
	small, large := s.Smallest, s.Largest
	switch {
	case large.Size > z.AcceptHigh && small.Size < z.Low:
		return Stop{LayAside, fmt.Sprintf("Under the low limit at %s and past the safe high size at %s: a form fault, lay it aside.", small.Place, large.Place), narrow}
	case large.Size > z.AcceptHigh:
		return Stop{StopNow, fmt.Sprintf("The size at %s is past the safe high size.", large.Place), narrow}
	case len(b.Missing) > 0:
		return Stop{NotKnown, fmt.Sprintf("%s not gauged, first %s; the largest place may be among them.", places(len(b.Missing)), b.Missing[0]), narrow}
	case small.Size < z.AcceptLow && narrow:
		return Stop{HoneOn, fmt.Sprintf("Only where it is tight: at %s there is still stock, at %s hardly room.", small.Place, large.Place), true}
	case small.Size < z.AcceptLow:
		return Stop{HoneOn, fmt.Sprintf("The smallest place, %s, isn't safely above the low limit.", small.Place), false}
	case b.State == OutOfForm:
		return Stop{FormFault, "All sizes are safely inside, a form limit is not met.", narrow}
	case b.State != InSize:
		return Stop{NotKnown, "All sizes are safely inside, but a form limit can't be called met.", narrow}
	}
	return Stop{Finished, "All sizes lie safely inside the limits.", narrow}
}

func places(n int) string {
	if n == 1 {
		return "1 place"
	}
	return fmt.Sprintf("%d places", n)
}

// sentence says the state with its figure, for the page and the record.
func sentence(b *Bore, unit analysis.Unit) string {
	s := &b.Sizes
	if b.State == CannotJudge {
		return cannot(b)
	}
	switch {
	case b.State == StockToGo:
		return fmt.Sprintf("Stock to go: %s to the low limit at %s.", small(s.Stock, unit), s.Smallest.Place)
	case b.State == Over:
		return fmt.Sprintf("Over by %s at %s.", small(-s.Room, unit), s.Largest.Place)
	case b.State == TooClose && b.Side == Above:
		return fmt.Sprintf("Too close to call at the high limit, %s: gauge again cool, and check the zero.", s.Largest.Place)
	case b.State == TooClose && b.Side == Under:
		return fmt.Sprintf("Too close to call at the low limit, %s: gauge again cool, and check the zero.", s.Smallest.Place)
	case b.State == InSize:
		return fmt.Sprintf("In size, %s, by the rule %s.", readings(s.N), b.Rule)
	}
	for _, c := range b.Form { // TooClose or OutOfForm by a form characteristic
		if c.Decision == DoesNotConform && b.State == OutOfForm {
			return fmt.Sprintf("In size, but %s is %s, limit %s.", c.Name, small(c.Value, unit), small(c.Limit, unit))
		}
		if c.Decision == Uncertain && b.State == TooClose {
			return fmt.Sprintf("In size; %s of %s is too close to call.", c.Name, small(c.Value, unit))
		}
	}
	return ""
}

func cannot(b *Bore) string {
	switch {
	case len(b.Invalid) > 0:
		return "Cannot judge. " + b.Invalid[0]
	case b.Sizes.N == 0:
		return "Cannot judge: nothing is gauged yet."
	case len(b.Missing) > 0:
		return fmt.Sprintf("In size so far; %s not gauged, first %s.", places(len(b.Missing)), b.Missing[0])
	}
	for _, c := range b.Form {
		if c.Decision == NotJudged {
			return fmt.Sprintf("Cannot judge the %s: %s.", c.Name, c.Why)
		}
	}
	return "Cannot judge."
}

func readings(n int) string {
	if n == 1 {
		return "1 reading"
	}
	return fmt.Sprintf("%d readings", n)
}

// small writes a deviation as the job's people say it: micrometres, or millionths.
func small(d analysis.Deviation, unit analysis.Unit) string {
	if unit.Inch() {
		return analysis.Length(d).Format(analysis.UIN, 0) + " µin"
	}
	return analysis.Length(d).Format(analysis.UM, 1) + " µm"
}
