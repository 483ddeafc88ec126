// Package master turns what a gauge shows into sizes. It sets the zero from readings of a ring of
// known size, checks it, says when it is no longer to be trusted, and works out what readings would
// have been after a drift.
//
// A zero check leaves the zero alone; only a mastering changes it. Resetting a good zero again and
// again adds noise. Nothing here changes a reading: a later correction gives new values beside the old
// ones.
package master

import (
	"math"
	"math/bits"
	"slices"

	"fairbore/analysis"
)

// largest is the largest diameter that is accepted, as in [analysis.Job.Check].
const largest = 1000 * analysis.Millimetre

// ScatterOf describes the scatter of readings. It fails for no readings, and for values that are no
// length of a gauge (beyond ±1 m).
func ScatterOf(raw []analysis.Length) (analysis.Scatter, error) {
	if len(raw) == 0 {
		return analysis.Scatter{}, analysis.Say("master.no_readings")
	}
	var sum analysis.Length
	lo, hi := raw[0], raw[0]
	for _, r := range raw {
		if r > largest || r < -largest {
			return analysis.Scatter{}, analysis.Say("master.ring_unit", r)
		}
		sum += r
		lo, hi = min(lo, r), max(hi, r)
	}
	n := analysis.Length(len(raw))
	s := analysis.Scatter{N: len(raw), Mean: divide(sum, n), Spread: analysis.Deviation(hi - lo)}
	if n < 2 {
		return s, nil
	}
	var squares float64
	for _, r := range raw {
		d := float64(r*n-sum) / float64(n) // exact up to here
		squares += d * d
	}
	s.Repeat, s.Known = analysis.Deviation(math.Round(math.Sqrt(squares/float64(n-1)))), true
	return s, nil
}

// divide returns a/n rounded to a whole number, half away from zero. n is above 0.
func divide(a, n analysis.Length) analysis.Length {
	if a < 0 {
		return -divide(-a, n)
	}
	return (a + n/2) / n
}

// Correction turns what the gauge shows into a size:
//
//	size = Anchor + Zero + (shown − Anchor) × Certified / Shown
//
// Certified/Shown is the gain. If both are 0, the gain is 1 and Anchor has no effect.
type Correction struct {
	Zero      analysis.Length `json:"zero_mm"`
	Anchor    analysis.Length `json:"anchor_mm,omitempty"`
	Certified analysis.Length `json:"gain_certified_mm,omitempty"`
	Shown     analysis.Length `json:"gain_shown_mm,omitempty"`
}

// Size corrects one raw value. It rounds to 0.1 nm, half away from zero. It fails for values that no
// gauge can show.
func (c Correction) Size(raw analysis.Length) (analysis.Length, error) {
	if raw > 10*largest || raw < -10*largest || c.Zero > 10*largest || c.Zero < -10*largest {
		return 0, analysis.Say("master.no_length", raw)
	}
	if c.Shown == 0 {
		return raw + c.Zero, nil
	}
	stretched, err := scale(raw-c.Anchor, c.Certified, c.Shown)
	if err != nil {
		return 0, err
	}
	return c.Anchor + c.Zero + stretched, nil
}

// scale returns v × num / den, rounded half away from zero, without overflow in between.
func scale(v, num, den analysis.Length) (analysis.Length, error) {
	negative := (v < 0) != (num < 0) != (den < 0)
	hi, lo := bits.Mul64(uint64(v.Abs()), uint64(num.Abs()))
	d := uint64(den.Abs())
	if d == 0 || hi >= d {
		return 0, analysis.Say("master.no_gain")
	}
	q, rest := bits.Div64(hi, lo, d)
	if rest >= d-rest {
		q++
	}
	if q > uint64(100*largest) {
		return 0, analysis.Say("master.no_gain")
	}
	if negative {
		return -analysis.Length(q), nil
	}
	return analysis.Length(q), nil
}

// Rules says what a mastering must meet.
type Rules struct {
	Least  int                `json:"least_readings"`
	Spread analysis.Deviation `json:"spread_um"` // largest spread of the readings
	// RawLow to RawHigh is the travel of the gauge as set up; both are 0 if it is not known.
	RawLow  analysis.Length `json:"raw_low_mm,omitempty"`
	RawHigh analysis.Length `json:"raw_high_mm,omitempty"`
	// Wanted is the id of the ring that the job names, and Target the size aimed at. Near is how far from
	// Target a ring may be without a question. Empty or 0 sets no limit.
	Wanted string          `json:"ring,omitempty"`
	Target analysis.Length `json:"target_mm,omitempty"`
	Near   analysis.Length `json:"near_mm,omitempty"`
	// Jump is how much the zero may move from the previous one without a question.
	Jump analysis.Deviation `json:"jump_um,omitempty"`
}

// UsualRules returns the usual rules for a gauge of repeatability s (common practice): at least three
// readings within 4 s (a range of three above 4.1 s comes once in a hundred), a ring within 0.1 mm of
// the target, and a zero that moves by at most 0.01 mm.
func UsualRules(s analysis.Deviation) Rules {
	return Rules{Least: 3, Spread: 4 * s, Near: analysis.Millimetre / 10, Jump: 10 * analysis.Deviation(analysis.Micrometre)}
}

// Mastering is a zero that was set from a ring.
type Mastering struct {
	analysis.RingSet
	analysis.Scatter
	Correction `json:"correction"`
	// Accepted says that the zero may be used. Refused lists the reasons why it may not. A person must
	// answer yes to Questions first.
	Accepted  bool              `json:"accepted"`
	Refused   []analysis.Phrase `json:"refused,omitempty"`
	Questions []analysis.Phrase `json:"questions,omitempty"`
}

// Master sets a zero: the certified size less the mean of the readings. before is the correction in
// use until now, nil if there is none. confirmed says that a person answered the questions of an
// earlier call. Source: common practice.
func Master(set analysis.RingSet, rules Rules, before *Correction, confirmed bool) Mastering {
	set.Raw = slices.Clone(set.Raw) // the caller may change its own
	m := Mastering{RingSet: set}
	refuse := func(code string, args ...any) { m.Refused = append(m.Refused, analysis.Say(code, args...)) }
	if set.Ring.Size <= 0 || set.Ring.Size > largest || set.Ring.U <= 0 {
		refuse("master.refuse.certificate", set.Ring.ID)
		return m
	}
	var err error
	if m.Scatter, err = ScatterOf(set.Raw); err != nil {
		refuse("master.refuse.read", analysis.Reason(err))
		return m
	}
	if m.N < rules.Least {
		refuse("master.check.few", m.N, rules.Least)
	}
	if rules.Spread > 0 && m.Spread > rules.Spread {
		refuse("master.refuse.spread", analysis.Fine(m.Spread), analysis.Fine(rules.Spread))
	}
	if (rules.RawLow != 0 || rules.RawHigh != 0) && (m.Mean < rules.RawLow || m.Mean > rules.RawHigh) {
		refuse("master.refuse.travel", set.Ring.ID, analysis.Size(m.Mean), analysis.Size(rules.RawLow), analysis.Size(rules.RawHigh))
	}
	n := analysis.Length(m.N)
	sum := analysis.Length(0)
	for _, r := range set.Raw {
		sum += r
	}
	m.Zero = divide(n*set.Ring.Size-sum, n)
	m.Questions = questions(&m, rules, before)
	m.Accepted = m.Refused == nil && (m.Questions == nil || confirmed)
	return m
}

// questions lists what is unusual about a mastering but may be right.
func questions(m *Mastering, rules Rules, before *Correction) (qs []analysis.Phrase) {
	ask := func(code string, args ...any) { qs = append(qs, analysis.Say(code, args...)) }
	if rules.Wanted != "" && m.Ring.ID != rules.Wanted {
		ask("master.ask.other_ring", rules.Wanted, m.Ring.ID)
	}
	if far := (m.Ring.Size - rules.Target).Abs(); rules.Target > 0 && rules.Near > 0 && far > rules.Near {
		ask("master.ask.far", m.Ring.ID, far, rules.Near)
	}
	if analysis.Overdue(m.Ring.Due, m.At) {
		ask("master.ask.overdue", m.Ring.ID, analysis.Day(m.Ring.Due))
	}
	if before != nil && rules.Jump > 0 {
		if was, err := before.Size(m.Mean); err == nil && (m.Ring.Size-was).Abs() > analysis.Length(rules.Jump) {
			ask("master.ask.jump", analysis.Size(was), analysis.Size(m.Ring.Size))
		}
	}
	return qs
}
