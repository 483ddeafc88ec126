package advise

import (
	"unicode/utf8"

	"fairbore/analysis"
	"fairbore/analysis/form"
	"fairbore/analysis/notation"
)

// sentence returns the sentence that advises the round.
func (p *planner) sentence(a *Advice) analysis.Phrase {
	much := p.amount(a)
	switch {
	case a.Kind == Correct:
		return p.correctly(a, much)
	case p.rate.Faster:
		return analysis.Say("advise.hone.faster", much)
	case p.in.Dressed:
		return analysis.Say("advise.hone.dressed", much)
	case p.noted && !p.known():
		return analysis.Say("advise.hone.try", much)
	case a.Nearly:
		return analysis.Say("advise.hone.nearly", much)
	case !p.noted:
		return analysis.Say("advise.hone.take", a.Take)
	}
	return analysis.Say("advise.hone", much)
}

// maxRunes is the largest length of a sentence that can be read at a glance. It holds in any unit.
const maxRunes = 90

// correctly returns the sentence that advises short strokes at a place. If the sentence would be
// too long to read at a glance, it names the place only once.
func (p *planner) correctly(a *Advice, much analysis.Phrase) analysis.Phrase {
	code, short := "advise.correct", "advise.correct_there"
	if !p.noted {
		code, short = "advise.correct_take", "advise.correct_take_there"
	}
	s := analysis.Say(code, form.AtEnd(a.Where), a.By, form.End(a.Where), much)
	for _, u := range []analysis.Unit{analysis.MM, analysis.IN, analysis.UIN} {
		if utf8.RuneCountInString(notation.In(u).Say(s)) > maxRunes {
			return analysis.Say(short, form.AtEnd(a.Where), a.By, much)
		}
	}
	return s
}

// amount returns the length of the round: its strokes or seconds, whether they are light, and how
// many of the last ones are short strokes if not all are.
func (p *planner) amount(a *Advice) analysis.Phrase {
	var much analysis.Phrase
	switch {
	case a.Seconds > 0 && a.Light:
		much = analysis.Say("advise.much.seconds_light", a.Seconds)
	case a.Seconds > 0:
		much = analysis.Say("advise.much.seconds", a.Seconds)
	case a.Strokes > 0 && a.Light:
		much = analysis.Say("advise.much.strokes_light", a.Strokes)
	case a.Strokes > 0:
		much = analysis.Say("advise.much.strokes", a.Strokes)
	default:
		return analysis.Say("advise.much.take", a.Take)
	}
	switch {
	case a.Kind != Hone || a.Short == 0:
		return much
	case a.Seconds > 0:
		return analysis.Say("advise.much.last_seconds", much, a.Short, form.AtEnd(a.Where))
	}
	return analysis.Say("advise.much.last_strokes", much, a.Short, form.AtEnd(a.Where))
}

// reason explains a round: how much is left to one limit, how much of it the round should take, and
// how fast the stock goes.
func (p *planner) reason(a *Advice) analysis.Phrase {
	left := p.left()
	if !p.noted {
		return analysis.Say("advise.reason.not_noted", left)
	}
	code := "advise.reason"
	if a.Kind == Correct {
		code = "advise.reason_there"
	}
	return analysis.Say(code, left, a.Take, p.perStroke(), analysis.Number{Value: 100 * p.spread()})
}

// left says how much is left, to the same limit as the figure that a person looks at: to the low
// limit until every place has reached it, then to the high limit.
func (p *planner) left() analysis.Phrase {
	if s := &p.in.Judged.Sizes; s.Stock <= 0 {
		return analysis.Say("advise.left.high", s.Room)
	}
	return analysis.Say("advise.left.low", p.in.Judged.Sizes.Stock)
}

// perStroke returns the rate of removal with which the round was planned.
func (p *planner) perStroke() analysis.Phrase {
	switch {
	case p.light && p.rate.Seconds:
		return analysis.Say("advise.rate.second_light", analysis.Fine(deviation(p.perStep())))
	case p.light:
		return analysis.Say("advise.rate.stroke_light", analysis.Fine(deviation(p.perStep())))
	case p.rate.Seconds:
		return analysis.Say("advise.rate.second", analysis.Fine(p.rate.Per))
	}
	return analysis.Say("advise.rate.stroke", analysis.Fine(p.rate.Per))
}

// StopSpindle is the code of the caution to stop the spindle before gauging.
const StopSpindle = "caution.spindle"

// cautions returns the short cautions for this advice (common practice; the machine's manual and the
// shop's rules come first). How the stones cut matters only where more honing is advised.
func cautions(a *Advice, p *planner) (out []analysis.Phrase) {
	caution := func(code string) { out = append(out, analysis.Say(code)) }
	if p != nil && p.rate.Faster && a.Kind.Honing() {
		caution("caution.faster")
	}
	if p != nil && p.rate.Slower && a.Kind.Honing() {
		caution("caution.slower")
	}
	switch a.Kind {
	case Hone, Correct:
		caution(StopSpindle)
		if p != nil && p.in.Job.Blind && a.Where == p.in.Form.Far && a.Kind == Correct {
			caution("caution.bottom")
		}
	case Wait:
		caution("caution.hot")
	case Gauge, GaugeAgain, CheckZero:
		caution(StopSpindle)
	case Dress:
		caution("caution.stones")
	}
	caution("caution.you_decide")
	return out
}
