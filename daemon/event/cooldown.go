package event

import (
	"time"

	"fairbore/analysis"
)

// Source says where the temperature of a part comes from.
type Source string

// The sources. A measured temperature takes precedence over one that follows from the cooling.
const (
	BySensor  Source = "sensor"    // an instrument measured it
	ByEntry   Source = "entry"     // a person entered it
	ByCooling Source = "cool-down" // it follows from how the part cools, see [CoolDown]
)

// CoolDown says that the excess temperature of the part was determined from repeated readings at
// one place while it cooled; or, with Ended, that it is not used any more. From then on each
// reading is reduced by what the part is still too large. The earlier readings of the round were
// taken while the part was warmer by an unknown amount. They do not count any more, and their
// places are due again. The place where the cooling was watched comes last: its size must be the
// one that the cooling predicts.
//
// The correction ends with the round, since honing warms the part; with a measured temperature of
// the part; with a mastering, a failed check or a change of the clock; when one of its readings is
// voided; and when a reading at its place does not fit.
type CoolDown struct {
	Ended bool            `json:"ended,omitempty"`
	Why   analysis.Phrase `json:"why,omitzero"` // why it ended
	// Wrong says that a reading did not agree with the prediction, so that readings corrected by it
	// do not count either.
	Wrong bool `json:"wrong,omitempty"`

	Place    analysis.Place `json:"position"` // where the readings were taken
	Readings int            `json:"readings"` // number of readings that it is based on
	First    int            `json:"first"`    // numbers of the first and last reading
	Last     int            `json:"last"`
	At       time.Time      `json:"at"` // time of the last reading
	// Final is the size that the part will have at the temperature of its surroundings, as gauged.
	// It is not the size at 20 °C.
	Final  analysis.Length `json:"final_mm"`
	Excess analysis.Excess `json:"excess"`
	// Warmer is how far the part is above the temperature of its surroundings, from its expansion.
	Warmer analysis.Temperature `json:"warmer_k,omitempty"`
	// Surroundings is the temperature around the part. It is taken to be the temperature of the
	// ring, which lies in the same place. nil: it is not known, and Final is the size at that
	// temperature.
	Surroundings *analysis.Temperature `json:"surroundings_cel,omitempty"`
}

func (c *CoolDown) End(why analysis.Phrase, wrong bool) *CoolDown {
	ended := *c
	ended.Ended, ended.Why, ended.Wrong = true, why, wrong
	return &ended
}

// Phrase says what happened.
func (c *CoolDown) Phrase() analysis.Phrase {
	if c.Ended {
		return analysis.Say("cooldown.ended", c.Why)
	}
	return analysis.Say("cooldown.begun", c.Excess.Still(0, c.Warmer), c.First, c.Last, c.Place)
}

// AsGauged returns the size without the correction for the cooling.
func (r *Reading) AsGauged() analysis.Length {
	if r.PartFrom == ByCooling {
		return r.Size - analysis.Length(r.Thermal)
	}
	return r.Size
}
