package analysis

import "time"

// RingSet holds the readings of a ring that were taken together, uncorrected as the gauge
// showed them.
type RingSet struct {
	Ring        Ring         `json:"ring"`
	Raw         []Length     `json:"raw_mm"`
	At          time.Time    `json:"at"`
	Temperature *Temperature `json:"ring_at_cel,omitempty"`
}

// Scatter describes repeated raw readings.
type Scatter struct {
	N      int       `json:"readings"`
	Mean   Length    `json:"mean_mm"` // to 0.1 nm, half away from zero
	Spread Deviation `json:"spread_um"`
	// Repeat is the standard deviation of one reading. It may be used only if Known is true,
	// that is from two readings on.
	Repeat Deviation `json:"repeat_sd_um"`
	Known  bool      `json:"repeat_known"`
}

// RingCheck is a check against a ring that does not change the zero.
type RingCheck struct {
	RingSet
	Scatter
	// Error is the size read less the certified size: positive when the gauge
	// reads large.
	Error Deviation `json:"error_um"`
	Limit Deviation `json:"limit_um"`
	// Valid says that the ring was read well enough for a decision. Good says that the error
	// is within the limit.
	Valid    bool   `json:"valid"`
	Good     bool   `json:"good"`
	Sentence Phrase `json:"sentence"`
}

// Rereading is a ring read again as if it were a part.
type Rereading struct {
	// RingCheck says what the rereading shows about the zero. Its Error is the error of Size.
	RingCheck
	// Size is the size that was read. Thermal is the part of it that comes from the
	// correction for temperature.
	Size    Length    `json:"size_mm"`
	Thermal Deviation `json:"thermal_um,omitempty"`
	// Within is the largest difference that the scatter of the readings explains, both of the
	// readings that set the zero and of the new ones. Agrees says that the error is no larger.
	Within Deviation `json:"within_um"`
	Agrees bool      `json:"agrees"`
}

// Phrase names the suspect.
func (s Suspect) Phrase() Phrase { return Say("master.suspect." + string(s)) }

// Suspect is the likely cause when a second ring disagrees.
type Suspect string

// The suspects. The second ring alone can't say which of the two rings is wrong.
const (
	NoSuspect    Suspect = ""
	SignOfFirst  Suspect = "sign_of_first"
	SignOfSecond Suspect = "sign_of_second"
	NominalTaken Suspect = "nominal_taken"
	RingOrValue  Suspect = "ring_or_value"
)
