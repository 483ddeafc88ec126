package advise

import (
	"math"
	"strconv"
	"time"
	"unicode/utf8"

	"fairbore/analysis"
)

// perStroke says the rate of removal that a round is reckoned with.
func (p *planner) perStroke() analysis.OldPhrase {
	rate, each := p.rate.Per, "stroke"
	if p.rate.Seconds {
		each = "second"
	}
	if p.light {
		rate, each = deviation(p.per()), each+" at half the pressure"
	}
	return analysis.Sayf("%s a "+each, analysis.FineLength(rate))
}

func (p *planner) sentence(a *Advice) analysis.OldPhrase {
	much := p.amount(a)
	switch {
	case a.Kind == Correct:
		return p.correctly(a, much)
	case p.rate.Faster:
		return analysis.Sayf("Cutting faster, smaller rounds: %s, then gauge.", much)
	case p.in.Dressed:
		return analysis.Sayf("Dressed stones cut fast: %s, then gauge.", much)
	case p.noted && !p.known():
		return analysis.Sayf("Try %s, then gauge: the rate isn't known yet.", much)
	case a.Nearly:
		return analysis.Sayf("Nearly: %s, then gauge.", much)
	case !p.noted:
		return analysis.Sayf("Take about %s, then gauge.", a.Take)
	}
	return analysis.Sayf("%s, then gauge.", much)
}

// mostRunes is how long a sentence may be to be read at a glance, in any unit.
const mostRunes = 90

func (p *planner) correctly(a *Advice, much analysis.OldPhrase) analysis.OldPhrase {
	between := ", "
	if !p.noted {
		between = ": "
	}
	say := func(place string) analysis.OldPhrase {
		return analysis.Sayf("Tight %s by %s. Short-stroke %s%s%s, then gauge.", atPlace(a.Where), a.By, place, between, much)
	}
	s := say(thePlace(a.Where))
	for _, u := range []analysis.Unit{analysis.MM, analysis.IN, analysis.UIN} {
		if utf8.RuneCountInString(s.In(u)) > mostRunes {
			return say("there")
		}
	}
	return s
}

func (p *planner) amount(a *Advice) analysis.OldPhrase {
	switch {
	case a.Seconds > 0:
		return plain(strconv.Itoa(a.Seconds) + " s" + lightly(a) + last(a, " s"))
	case a.Strokes > 0:
		return plain(analysis.Count(a.Strokes, strokeOf(a), strokeOf(a)+"s") + last(a, ""))
	}
	return analysis.Sayf("take about %s", a.Take)
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

// reason says what a round rests on: what is left, what it is to take of that, how
// fast it goes, and how much room there is.
func (p *planner) reason(a *Advice) analysis.OldPhrase {
	left := analysis.Sayf("%s to target by the mean", deviation(p.stock))
	if p.stock < 0 {
		left = analysis.Sayf("%s past the target by the mean", deviation(-p.stock))
	}
	room := analysis.Sayf("Room at the largest place: %s.", p.in.Judged.Sizes.Room)
	if !p.noted {
		return analysis.Sayf("%s; strokes were not noted. %s", left, room)
	}
	where := ""
	if a.Kind == Correct {
		where = " there"
	}
	return analysis.Sayf("%s; this takes about %s%s, at %s (± %.0f %%). %s", left, a.Take, where, p.perStroke(), 100*p.spread(), room)
}

func atPlace(where string) string {
	switch where {
	case Ends:
		return "at both ends"
	case "middle":
		return "in the middle"
	}
	return "at the " + where
}

func thePlace(where string) string {
	if where == Ends {
		return "both ends"
	}
	return "the " + where
}

func minutes(d time.Duration) string {
	return strconv.Itoa(int(math.Ceil(min(d.Minutes(), 1e6)))) + " min"
}

// cautions are the short ones that matter to this advice (common practice; the
// machine's manual and the shop's rules come first). How the stones cut matters
// only where more honing is advised.
func cautions(a *Advice, p *planner) []string {
	var out []string
	if p != nil && p.rate.Faster && a.Kind.Honing() {
		out = append(out, "Cutting faster than before: smaller rounds.")
	}
	if p != nil && p.rate.Slower && a.Kind.Honing() {
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
