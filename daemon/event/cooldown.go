package event

import (
	"time"

	"fairbore/analysis"
)

// Source says where the temperature of a part comes from.
type Source string

// The sources. What was measured comes before what the cooling tells.
const (
	BySensor  Source = "sensor"    // a channel of an instrument
	ByEntry   Source = "entry"     // a person has entered it
	ByCooling Source = "cool-down" // how the part cools, see [CoolDown]
)

// CoolDown says that how warm the part is was taken from repeated readings at one place
// while it cooled, or (Ended) that it no longer is. From then on what the part is still
// larger by, which falls as it fell, is taken off each reading. The readings of the round
// before it were taken by a part that was warm by what was not known: they no longer
// count, and their places are due again, the one that was stayed at last, since that
// closes the circle: it must come out where the cooling leads.
//
// It ends with the round, since honing warms the part; with a temperature of the part that
// is measured; with a mastering, a check that failed or a clock that was set; when one of
// its readings is struck out; and when a reading at its place does not fit.
type CoolDown struct {
	Ended bool            `json:"ended,omitempty"`
	Why   analysis.Phrase `json:"why,omitzero"` // it ended
	// Wrong says that a reading did not come out where it leads, so that what was
	// corrected by it does not count either.
	Wrong bool `json:"wrong,omitempty"`

	Place    analysis.Place `json:"place"`    // stayed at
	Readings int            `json:"readings"` // that it rests on
	First    int            `json:"first"`    // and their numbers
	Last     int            `json:"last"`
	At       time.Time      `json:"at"` // of the last
	// Final is the size that the readings come to when the part has the temperature of
	// its surroundings, as gauged: not at 20 °C.
	Final  analysis.Length `json:"final_mm"`
	Excess analysis.Excess `json:"excess"`
	// Warmer is how far the part is above its surroundings, by its expansion.
	Warmer analysis.Temperature `json:"warmer_k,omitempty"`
	// Surroundings is their temperature, taken for that of the ring, which lies there;
	// nil: not known, and the size is that at their temperature.
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

// AsGauged is the size without what the cooling took off it.
func (r *Reading) AsGauged() analysis.Length {
	if r.PartFrom == ByCooling {
		return r.Size - analysis.Length(r.Thermal)
	}
	return r.Size
}
