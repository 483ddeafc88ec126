// Package advise says where a bore is tight, what to consider doing about it,
// and how long the next round of honing may be so that no place goes over.
//
// [Next] works from what the gauge said after each round of this part: a rate
// of removal that is followed from round to round with its doubt ([Rate]), the
// scatter by which rounds differ from it, learned from them and from earlier
// parts ([Prior]), the room that each section has up to the high limit less the
// uncertainty of a size, and the rule of the trade that the bites get no larger
// than half of what is left (common practice). The longest round it ever allows
// carries a risk of at most one in a hundred of taking any section over the high
// limit, the one that it advises less where a smaller one can be taken.
//
// It gives no round of honing at all when something forbids it (no zero, a warm
// part, places not gauged), when a place is past the safe high size, or when
// there is not room for one small round; it says what to do instead. It only
// ever advises: the person at the machine decides.
package advise

import (
	"time"

	"fairbore/analysis"
	"fairbore/analysis/form"
	"fairbore/analysis/uncertainty"
	"fairbore/analysis/verdict"
)

// Kind is what is advised.
type Kind string

// The kinds. Hone and Correct are the only ones with a round of honing.
const (
	Hone       Kind = "hone"
	Correct    Kind = "correct at a place"
	Gauge      Kind = "gauge"
	GaugeAgain Kind = "gauge again"
	Wait       Kind = "wait"
	CheckZero  Kind = "check the zero"
	Dress      Kind = "dress the stones"
	Stop       Kind = "stop"
	LayAside   Kind = "lay aside"
)

// Honing reports whether the advice is a round of honing.
func (k Kind) Honing() bool { return k == Hone || k == Correct }

// Bar is a reason why nothing may be advised now, and what to do
// instead: CheckZero, Gauge, GaugeAgain or Wait.
type Bar struct {
	Do  Kind            `json:"do"`
	Why analysis.Phrase `json:"why"`
}

// Warm is what is known of a part that is warmer than its ring.
type Warm struct {
	Shrink analysis.Deviation `json:"shrink_um"` // still to come by cooling
	Within analysis.Deviation `json:"within_um"` // ± of that
	Wait   time.Duration      `json:"wait_ns"`   // until it is small enough, 0 if not known
}

// most is the largest that a part may still shrink: a size is then out by that.
func (w *Warm) most() analysis.Deviation { return max(w.Shrink, 0) + max(w.Within, 0) }

// Input is what advice is made from.
type Input struct {
	Job    *analysis.Job
	Judged *verdict.Bore // of the newest round; nil: not judged yet
	Form   *form.Result  // of the same readings
	// Rounds are those of this part in their order, the start (round 0) first.
	// The newest is the one that was judged.
	Rounds []Round
	U      uncertainty.Stated // of one size
	// Repeatability is the standard deviation of one captured value; 0: taken
	// from Form, or else a quarter of U.
	Repeatability analysis.Deviation
	// Fixed says that a through bore can't be turned end for end all the same.
	Fixed   bool
	Warm    *Warm
	Bars    []Bar               // any of them, and no round is advised
	Prior   *analysis.RatePrior // nil: from the material, roughly
	Dressed bool                // the stones were dressed or changed after the newest round
}

// Expected is a section after the advised round: its mean size, and the 95 %
// band of that.
type Expected struct {
	Depth analysis.Length `json:"depth_mm"`
	Mean  analysis.Length `json:"mean_mm"`
	Low   analysis.Length `json:"low_mm"`
	High  analysis.Length `json:"high_mm"`
}

// Remaining is an estimate of the honing still to do to the target.
type Remaining struct {
	Low     int  `json:"low"`
	High    int  `json:"high"`
	Seconds bool `json:"seconds,omitempty"` // else strokes
}

// Advice is what to do next.
type Advice struct {
	Kind     Kind            `json:"kind"`
	Sentence analysis.Phrase `json:"sentence"` // one, to be read from three metres
	Reason   analysis.Phrase `json:"reason"`

	// Strokes or Seconds is the round recommended, 0 where there is none or
	// where neither was ever noted; Most is the longest with a risk of at most
	// 1 % at any section. Take is what the round is to take off where it works.
	// Short of them, the last, are short strokes where it is tight.
	Strokes int                `json:"strokes,omitempty"`
	Seconds int                `json:"seconds,omitempty"`
	Short   int                `json:"short,omitempty"`
	Light   bool               `json:"light,omitempty"` // at about half the pressure
	Most    int                `json:"most,omitempty"`  // strokes, or seconds with Seconds
	Take    analysis.Deviation `json:"take_um,omitempty"`
	// Risk is the probability that the recommended round takes a section over
	// the high limit, at the worst section.
	Risk     float64       `json:"risk"`
	Expected []Expected    `json:"expected,omitempty"`
	Wait     time.Duration `json:"wait_ns,omitempty"`
	// Nearly: fewer than three strokes or seconds are safe, or none.
	Nearly bool `json:"nearly,omitempty"`

	// Where is the place to work ("front", "ends"), At the stretch of it, By how
	// much it is tight; How are measures to consider, none of them an order.
	Where string             `json:"where,omitempty"`
	At    []analysis.Stretch `json:"at,omitempty"`
	By    analysis.Deviation `json:"by_um,omitempty"`
	How   []analysis.Phrase  `json:"how,omitempty"`

	// Saved: the part can, or need not, still be brought into its limits.
	Saved    bool              `json:"saved"`
	NotSaved analysis.Phrase   `json:"not_saved,omitzero"` // why it can't, or hardly
	Rate     *Rate             `json:"rate,omitempty"`
	Left     *Remaining        `json:"left,omitempty"`
	Cautions []analysis.Phrase `json:"cautions,omitempty"`
}

// Next works out what to do next. It never fails: what is missing or wrong in
// the input is what the advice speaks of.
func Next(in Input) Advice {
	p, bar := newPlanner(&in)
	if bar != nil {
		a := Advice{Kind: bar.do, Saved: true, Sentence: bar.why, Reason: analysis.Say("advise.until_then")}
		if a.Kind == Wait && in.Warm != nil {
			a.Wait = max(in.Warm.Wait, 0)
		}
		a.Cautions = cautions(&a, nil)
		return a
	}
	a := p.advise()
	a.Cautions = cautions(&a, p)
	return a
}

// says makes sentence and reason of an advice.
func (a *Advice) says(k Kind, sentence string, reason analysis.Phrase) {
	a.Kind, a.Sentence, a.Reason = k, analysis.Say(sentence), reason
}

// lost says that the part can't be saved, and why, unless that was said before.
func (a *Advice) lost(why analysis.Phrase) {
	a.Saved = false
	if a.NotSaved.IsZero() {
		a.NotSaved = why
	}
}
