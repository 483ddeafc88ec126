package event

import (
	"time"

	"fairbore/analysis"
)

// Live is what the gauge shows now. It is never stored.
type Live struct {
	Station   string             `json:"station"`
	At        time.Time          `json:"at"`
	Raw       analysis.Length    `json:"raw_mm"`
	Size      analysis.Length    `json:"size_mm,omitempty"` // corrected; 0 when it can't be told
	Deviation analysis.Deviation `json:"deviation_um"`      // from target
	Simulated bool               `json:"simulated,omitempty"`
	Mastered  bool               `json:"mastered"`
	InBore    bool               `json:"in_bore"`
	Hint      analysis.Phrase    `json:"hint,omitzero"` // how to move the gauge, or why nothing was taken
	// Passes is the number of passes through square that count so far at the place, and Wanted the
	// fewest that a reading needs. Both are set only for a rocked gauge, while a reading is waited
	// for.
	Passes int `json:"passes,omitempty"`
	Wanted int `json:"passes_wanted,omitempty"`
}
