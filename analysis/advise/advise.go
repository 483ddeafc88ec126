// Package advise says where a bore is tight, what to consider doing about it, and how long the next
// round of honing may be so that no place goes over.
//
// [Next] works from what the gauge read after each round of this part. It estimates the rate of
// removal and its uncertainty from round to round ([Rate]). It learns how rounds scatter about that
// rate from them and from earlier parts. Each section has room up to the high limit, less the
// uncertainty of a size. Bites are no larger than half of what is left, the rule of the trade (common
// practice). The longest round that it allows has a risk of at most one in a hundred of taking any
// section over the high limit. The round that it advises has less, where a smaller one is possible.
//
// It advises no round of honing when something forbids one (no zero, a warm part, places not gauged),
// when a place is past the safe high size, or when there is no room for one small round. It then says
// what to do instead. It only ever advises: the person at the machine decides.
package advise

import (
	"time"

	"fairbore/analysis"
	"fairbore/analysis/form"
	"fairbore/analysis/uncertainty"
	"fairbore/analysis/verdict"
)

// ActionKind is what to do next.
type ActionKind string

// The kinds. Only Hone and Correct are rounds of honing.
const (
	Hone       ActionKind = "hone"
	Correct    ActionKind = "correct at a place"
	Gauge      ActionKind = "gauge"
	GaugeAgain ActionKind = "gauge again"
	Wait       ActionKind = "wait"
	CheckZero  ActionKind = "check the zero"
	Dress      ActionKind = "dress the stones"
	Stop       ActionKind = "stop"
	LayAside   ActionKind = "lay aside"
)

// Honing reports whether the advice is a round of honing.
func (k ActionKind) Honing() bool { return k == Hone || k == Correct }

// Warm describes a part that is warmer than its ring.
type Warm struct {
	Shrink analysis.Deviation `json:"shrink_um"` // how much the part will still shrink as it cools
	Within analysis.Deviation `json:"within_um"` // half width of the uncertainty of Shrink
	Wait   time.Duration      `json:"wait_ns"`   // until Shrink is small enough; 0 if not known
}

// maxShrink returns the largest possible shrinkage. A size may be wrong by as much.
func (w *Warm) maxShrink() analysis.Deviation { return max(w.Shrink, 0) + max(w.Within, 0) }

// Input is what the advice is based on.
type Input struct {
	Job    *analysis.Job
	Judged *verdict.Bore // verdict on the newest round; nil: not judged yet
	Form   *form.Result  // form from the same readings
	// Rounds are the rounds of this part in their order, from the start (round 0) to the one that was
	// judged.
	Rounds []Round
	U      uncertainty.Stated // uncertainty of one size
	// Repeatability is the standard deviation of one captured value. If it is 0, the value comes
	// from Form, or else it is a quarter of U.
	Repeatability analysis.Deviation
	// Fixed says that a bore can't be turned end for end, even if it is a through bore.
	Fixed   bool
	Warm    *Warm
	Prior   *analysis.RatePrior // nil: a rough rate from the material
	Dressed bool                // the stones were dressed or changed after the newest round
	Checked bool                // the zero was checked, and good, after the newest reading
	// Due says why the zero must be checked before a bore in size may be accepted. It is zero if
	// nothing is due.
	Due analysis.Phrase
}

// Expected is a section after the advised round: its mean size with the 95 % interval.
type Expected struct {
	Depth analysis.Length `json:"depth_mm"`
	Mean  analysis.Length `json:"mean_mm"`
	Low   analysis.Length `json:"low_mm"`
	High  analysis.Length `json:"high_mm"`
}

// Remaining estimates the honing still to do to the target.
type Remaining struct {
	Low     int  `json:"low"`
	High    int  `json:"high"`
	Seconds bool `json:"seconds,omitempty"` // in seconds, not strokes
}

// Advice is what to do next.
type Advice struct {
	Kind     ActionKind      `json:"kind"`
	Sentence analysis.Phrase `json:"sentence"` // one sentence, to be read from three metres
	Reason   analysis.Phrase `json:"reason"`

	// Strokes or Seconds is the recommended round. Both are 0 where there is none, or where neither was
	// ever noted. Most is the longest round with a risk of at most 1 % at any section. Take is what the
	// round should take off where it works. Short is how many of the last strokes or seconds are short
	// strokes where the bore is tight.
	Strokes int                `json:"strokes,omitempty"`
	Seconds int                `json:"seconds,omitempty"`
	Short   int                `json:"short,omitempty"`
	Light   bool               `json:"light,omitempty"` // at about half the pressure
	Most    int                `json:"most,omitempty"`  // in strokes, or in seconds with Seconds
	Take    analysis.Deviation `json:"take_um,omitempty"`
	// Risk is the probability that the recommended round takes the worst section over the high limit.
	Risk     float64       `json:"risk"`
	Expected []Expected    `json:"expected,omitempty"`
	Wait     time.Duration `json:"wait_ns,omitempty"`
	// Nearly says that fewer than three strokes or seconds are safe, or none.
	Nearly bool `json:"nearly,omitempty"`

	// Where is the place of short strokes ("front", "ends"), At its stretch, and By how much it is tight.
	// They are empty where no short strokes are advised. How lists measures to consider; none of them
	// is an order.
	Where string             `json:"where,omitempty"`
	At    []analysis.Stretch `json:"at,omitempty"`
	By    analysis.Deviation `json:"by_um,omitempty"`
	How   []analysis.Phrase  `json:"how,omitempty"`

	// Saved says that the part can still be brought within its limits, or already is.
	Saved    bool              `json:"saved"`
	NotSaved analysis.Phrase   `json:"not_saved,omitzero"` // why it can't be saved, or hardly
	Rate     *Rate             `json:"rate,omitempty"`
	Left     *Remaining        `json:"left,omitempty"`
	Cautions []analysis.Phrase `json:"cautions,omitempty"`
}

// Next works out what to do next. It never fails: if the input lacks something or is wrong, the advice
// says so.
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
	if a.Kind != Correct && a.Short == 0 {
		a.Where, a.At, a.By = "", nil, 0
	}
	a.Cautions = cautions(&a, p)
	return a
}

// says sets the kind, sentence and reason of an advice.
func (a *Advice) says(k ActionKind, sentence string, reason analysis.Phrase) {
	a.Kind, a.Sentence, a.Reason = k, analysis.Say(sentence), reason
}

// lost says that the part can't be saved, and why, unless the advice already says so.
func (a *Advice) lost(why analysis.Phrase) {
	a.Saved = false
	if a.NotSaved.IsZero() {
		a.NotSaved = why
	}
}
