package listen

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"fairbore/analysis"
	"fairbore/drivers"
)

// What a proposal needs to be sure.
const (
	framesLeast = 4
	scoreLeast  = 0.75
	rivalWeight = 0.7 // share of the best candidate's weight from which on another is a rival
)

// Guess proposes drivers and settings for what was heard, the best first. Candidates that read the
// same values become one proposal, with the simplest driver. It returns none if no driver reads any
// of it.
func Guess(evidence []Heard) []Proposal {
	var bests []*ranking
	for _, v := range views(evidence) {
		if r := rank(v); r != nil {
			bests = append(bests, r)
		}
	}
	slices.SortStableFunc(bests, func(a, b *ranking) int { return cmp.Compare(b.merit(), a.merit()) })
	var out []Proposal
	for i, r := range bests {
		p := r.best.propose()
		p.Open = append(p.Open, r.open()...)
		if i == 0 {
			p.compare(r, bests[1:])
		}
		out = append(out, p)
		for _, o := range r.rivals {
			out = append(out, o.propose())
			out[len(out)-1].Open = append(out[len(out)-1].Open, analysis.Say("listen.needs.rival"))
		}
	}
	return out
}

// ranking is the result for one view: its best candidate, and those that read other values.
type ranking struct {
	best     *outcome
	rivals   []*outcome
	mismatch *display // a display that no candidate agreed with
}

// merit orders the views. A gauge that sends by itself needs no request.
func (r *ranking) merit() float64 {
	m := r.best.weight()
	if r.best.view.driver != "" {
		m *= rivalWeight
	}
	if r.mismatch != nil {
		m /= 2
	}
	return m
}

// rank tries the candidates on a view. It returns nil if none reads anything.
func rank(v *view) *ranking {
	var tried, agreeing []*outcome
	r := &ranking{}
	for _, c := range candidates(v) {
		o := c.play()
		if o.good == 0 || o.score() < 0.3 {
			continue
		}
		tried = append(tried, o)
		if o.mismatch() == nil {
			agreeing = append(agreeing, o)
		}
	}
	if agreeing == nil && tried != nil {
		agreeing, r.mismatch = tried, tried[0].mismatch()
	}
	if agreeing == nil {
		return nil
	}
	top := 0.0
	for _, o := range agreeing {
		top = max(top, o.weight())
	}
	for _, o := range agreeing {
		if o.weight() >= 0.95*top && (r.best == nil || o.rank < r.best.rank) {
			r.best = o
		}
	}
	for _, o := range agreeing {
		switch {
		case r.best.checked() && !o.checked(): // a check that agrees in every frame is no coincidence
			continue
		case o.halved() && !r.best.halved(): // half of a number loses against something else
			continue
		}
		if o.weight() >= rivalWeight*top && o.conflicts(r.best) {
			r.rivals = append(r.rivals, o)
		}
	}
	return r
}

// checked reports whether each frame has a check that agreed.
func (o *outcome) checked() bool { return o.options["check"] != "" && o.options["check"] != "none" }

// mismatch returns a display that no frame around its time agreed with, nil if there is none.
func (o *outcome) mismatch() *display {
	for i := range o.view.shown {
		d := &o.view.shown[i]
		if o.match(d) == nil {
			return d
		}
	}
	return nil
}

// A display is compared with the frames of the few seconds before it was typed, or with the last
// frame if the gauge was silent then.
const (
	typedWithin = 4 * time.Second
	typedAfter  = time.Second
)

// match returns the sample that agrees with a display, nil if there is none.
func (o *outcome) match(d *display) *drivers.Sample {
	return o.find(d, func(string) bool { return true })
}

// matchOn is match for one channel.
func (o *outcome) matchOn(d *display, channel string) *drivers.Sample {
	return o.find(d, func(c string) bool { return c == channel })
}

func (o *outcome) find(d *display, on func(channel string) bool) *drivers.Sample {
	round := !o.blind || o.driver == "scpi"
	within := func(f framed) *drivers.Sample {
		for i := range f.samples {
			if on(f.samples[i].Channel) && d.equals(f.samples[i], round) {
				return &f.samples[i]
			}
		}
		return nil
	}
	var last *framed
	for i := range o.frames {
		f := &o.frames[i]
		if d.at == 0 || (f.at >= d.at-typedWithin && f.at <= d.at+typedAfter) {
			if s := within(*f); s != nil {
				return s
			}
		}
		if f.at <= d.at {
			last = f
		}
	}
	if last != nil && last.at < d.at-typedWithin {
		return within(*last)
	}
	return nil
}

// conflicts reports whether both read the same frames with different values. A single frame among
// many does not matter, since it may have been damaged so that both read it.
func (o *outcome) conflicts(p *outcome) bool {
	a, b := o.byTime(), p.byTime()
	both, other := 0, 0
	for at, x := range a {
		y, ok := b[at]
		if !ok {
			continue
		}
		both++
		if !within(x, y) && !within(y, x) {
			other++
		}
	}
	return other > 1 || (other == 1 && both < 10)
}

// byTime returns the values by the time when they came.
func (o *outcome) byTime() map[time.Duration][]drivers.Sample {
	m := map[time.Duration][]drivers.Sample{}
	for _, f := range o.frames {
		m[f.at] = append(m[f.at], f.samples...)
	}
	return m
}

// within reports whether all values of a are among b.
func within(a, b []drivers.Sample) bool {
	for _, x := range a {
		if !slices.ContainsFunc(b, func(y drivers.Sample) bool { return sameValue(x, y) }) {
			return false
		}
	}
	return true
}

func sameValue(a, b drivers.Sample) bool {
	if a.Unit != b.Unit && a.Unit != drivers.NoUnit && b.Unit != drivers.NoUnit {
		return false
	}
	for a.Places > 0 && a.Digits%10 == 0 {
		a.Digits, a.Places = a.Digits/10, a.Places-1
	}
	for b.Places > 0 && b.Digits%10 == 0 {
		b.Digits, b.Places = b.Digits/10, b.Places-1
	}
	return a.Digits == b.Digits && a.Places == b.Places
}

// open says what keeps the best candidate of a view from being sure.
func (r *ranking) open() (open []analysis.Phrase) {
	o := r.best
	strong := 0
	unit := drivers.NoUnit
	for i := range o.view.shown {
		d := &o.view.shown[i]
		if s := o.match(d); s != nil {
			unit = cmp.Or(unit, s.Unit, d.Unit)
			if d.strong() {
				strong++
			}
		}
	}
	for _, f := range o.frames {
		for _, s := range f.samples {
			unit = cmp.Or(unit, s.Unit)
		}
	}
	blind := o.blind || o.frames[0].samples[0].Places == 0
	switch {
	case r.mismatch != nil:
		open = append(open, analysis.Say("listen.needs.agreement", r.mismatch.String()))
	case blind && strong == 0:
		open = append(open, analysis.Say("listen.needs.point"))
	case len(r.rivals) > 0:
		open = append(open, analysis.Say("listen.needs.which", lastOf(o), lastOf(r.rivals[0])))
	}
	if !blind && strong == 0 && r.mismatch == nil { // a code before the digits may look like one of them
		open = append(open, analysis.Say("listen.needs.display"))
	}
	if o.good < framesLeast {
		open = append(open, analysis.Say("listen.needs.frames", o.good, framesLeast))
	}
	if o.score() < scoreLeast {
		open = append(open, analysis.Say("listen.needs.line", o.bad, o.good+o.bad))
	}
	if unit == drivers.NoUnit {
		open = append(open, analysis.Say("listen.needs.unit"))
	}
	return append(open, o.undecided()...)
}

// lastOf formats the newest values of a candidate.
func lastOf(o *outcome) string {
	var b []string
	for _, s := range o.frames[len(o.frames)-1].samples {
		b = append(b, s.String())
	}
	return strings.Join(b, ", ")
}

// compare considers what was heard with other settings of the line.
func (p *Proposal) compare(r *ranking, others []*ranking) {
	for _, other := range others {
		o := other.best
		if o.weight() < rivalWeight*r.best.weight() || other.mismatch != nil || (o.good < framesLeast && r.best.good >= 2*framesLeast) {
			continue
		}
		switch {
		case o.view.driver != r.best.view.driver || !equalOptions(o.view.options, r.best.view.options):
			p.Unseen = append(p.Unseen, analysis.Say("listen.unseen.other_request"))
		case o.view.line != p.Line && o.driver == p.Driver && equalOptions(o.options, r.best.options):
			p.Unseen = append(p.Unseen, analysis.Say("listen.unseen.other_line", p.Line.String(), o.view.line.String()))
		case o.view.line != p.Line && !p.strong:
			p.Open = append(p.Open, analysis.Say("listen.needs.which_line", p.Line.String(), o.view.line.String()))
		}
	}
}
