package advise

import (
	"fmt"
	"math"
	"strconv"
	"time"
	"unicode/utf8"

	"fairbore/analysis"
)

// words writes lengths as the people of the job say them.
type words struct{ inch bool }

func newWords(in *Input) words {
	u := in.Unit
	if u == analysis.NoUnit {
		u = in.Job.Unit
	}
	return words{u.Inch()}
}

// small writes a small length: µm to one place; or tenths of a thou from one
// tenth up, to one place, and millionths below.
func (w words) small(d analysis.Deviation) string {
	l := analysis.Length(d)
	switch {
	case !w.inch:
		return l.Format(analysis.UM, 1) + " µm"
	case l.Abs() < analysis.Thou/10:
		return l.Format(analysis.UIN, 0) + " millionths"
	}
	// A tenth is 2.54 µm, so tenths are the thou of ten times the length.
	return (l*10_000).Format(analysis.IN, 1) + " tenths"
}

// rate writes a rate of removal.
func (w words) rate(r *Rate) string {
	per := " a stroke"
	if r.Seconds {
		per = " a second"
	}
	if w.inch {
		return analysis.Length(r.Per).Format(analysis.UIN, 0) + " millionths" + per
	}
	return analysis.Length(r.Per).Format(analysis.UM, 2) + " µm" + per
}

func (p *planner) sentence(a *Advice) string {
	much := p.amount(a)
	switch {
	case a.Kind == Correct:
		return p.correctly(a, much)
	case p.rate.Faster:
		return "Cutting faster, smaller rounds: " + much + ", then gauge."
	case p.in.Dressed:
		return "Dressed stones cut fast: " + much + ", then gauge."
	case p.noted && !p.known():
		return "Try " + much + ", then gauge: the rate isn't known yet."
	case a.Nearly:
		return "Nearly: " + much + ", then gauge."
	case !p.noted:
		return "T" + much[1:] + ", then gauge."
	}
	return much + ", then gauge."
}

// mostRunes is how long a sentence may be to be read at a glance.
const mostRunes = 90

func (p *planner) correctly(a *Advice, much string) string {
	if !p.noted {
		much = ": " + much
	} else {
		much = ", " + much
	}
	tight := "Tight " + atPlace(a.Where) + " by " + p.words.small(a.By) + ". Short-stroke "
	s := tight + thePlace(a.Where) + much + ", then gauge."
	if utf8.RuneCountInString(s) > mostRunes {
		return tight + "there" + much + ", then gauge."
	}
	return s
}

func (p *planner) amount(a *Advice) string {
	switch {
	case a.Seconds > 0:
		return strconv.Itoa(a.Seconds) + " s" + lightly(a) + last(a, " s")
	case a.Strokes > 0:
		return plural(a.Strokes, strokeOf(a)) + last(a, "")
	}
	return "take about " + p.words.small(a.Take)
}

func strokeOf(a *Advice) string {
	if a.Light {
		return "light stroke"
	}
	return "stroke"
}

func lightly(a *Advice) string {
	if a.Light {
		return " at light pressure"
	}
	return ""
}

// last says how many of a round's strokes are short ones, of a round that is not
// all of them.
func last(a *Advice, unit string) string {
	if a.Kind != Hone || a.Short == 0 {
		return ""
	}
	return ", the last " + strconv.Itoa(a.Short) + unit + " short " + atPlace(a.Where)
}

func (p *planner) reason(a *Advice) string {
	room := p.words.small(p.in.Judged.Sizes.Room)
	stock := p.words.small(deviation(p.stock))
	if !p.noted {
		return fmt.Sprintf("%s to target by the mean, room at the largest place %s; strokes were not noted.", stock, room)
	}
	s := fmt.Sprintf("%s to target by the mean at about %s (± %.0f %%); room at the largest place %s.", stock, p.words.rate(&p.rate), 100*p.rate.Spread, room)
	return s
}

func atPlace(where string) string {
	switch where {
	case "ends":
		return "at both ends"
	case "middle":
		return "in the middle"
	}
	return "at the " + where
}

func thePlace(where string) string {
	if where == "ends" {
		return "both ends"
	}
	return "the " + where
}

func plural(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return strconv.Itoa(n) + " " + what + "s"
}

func minutes(d time.Duration) string {
	return strconv.Itoa(int(math.Ceil(min(d.Minutes(), 1e6)))) + " min"
}

func orElse(s, other string) string {
	if s == "" {
		return other
	}
	return s
}

// cautions are the short ones that matter to this advice (common practice; the
// machine's manual and the shop's rules come first).
func cautions(a *Advice, p *planner) []string {
	var out []string
	if p != nil && p.rate.Faster {
		out = append(out, "Cutting faster than before: smaller rounds.")
	}
	if p != nil && p.rate.Slower && a.Kind != Dress {
		out = append(out, "Stones slowing: dress them?")
	}
	switch a.Kind {
	case Hone, Correct:
		out = append(out, "Stop the spindle, wait for rest, then gauge.")
		if p != nil && p.in.Job.Blind && a.Where == p.in.Form.Far && a.Kind == Correct {
			out = append(out, "Never force the stone against the bottom.")
		}
	case Wait:
		out = append(out, "A hot part burns, and reads large.")
	case Gauge, GaugeAgain, CheckZero:
		out = append(out, "Stop the spindle, wait for rest, then gauge.")
	case Dress:
		out = append(out, "Stop the spindle and wait for rest before you touch the stones.")
	}
	return append(out, "Advice may be wrong: you decide.")
}
