package analysis

import "time"

// RingSet is one spell of reading a ring: what the gauge showed, uncorrected.
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
	// Repeat is the standard deviation of one reading; it may be used when
	// Known, that is from two readings on.
	Repeat Deviation `json:"repeat_sd_um"`
	Known  bool      `json:"repeat_known"`
}

// RingCheck is a look at a ring that leaves the zero alone.
type RingCheck struct {
	RingSet
	Scatter
	// Error is the size read less the certified size: positive when the gauge
	// reads large.
	Error Deviation `json:"error_um"`
	Limit Deviation `json:"limit_um"`
	// Valid says that the ring was read well enough to tell; Good that the
	// error is within the limit.
	Valid    bool   `json:"valid"`
	Good     bool   `json:"good"`
	Sentence Phrase `json:"sentence"`
}

// Rereading is a ring read again as if it were a part.
type Rereading struct {
	// RingCheck is what it says of the zero; Error is that of Size.
	RingCheck
	// Size is what the ring came to, and Thermal how much of it the temperatures did.
	Size    Length    `json:"size_mm"`
	Thermal Deviation `json:"thermal_um,omitempty"`
	// Within is the difference that the readings explain, those that set the zero and
	// those of now; Agrees says that it is no larger than that.
	Within Deviation `json:"within_um"`
	Agrees bool      `json:"agrees"`
}

// Phrase names the suspect.
func (s Suspect) Phrase() Phrase { return Say("master.suspect." + string(s)) }

// Suspect is what a second ring that disagrees points at.
type Suspect string

// The suspects. The second ring alone can't say which of the two is wrong.
const (
	NoSuspect    Suspect = ""
	SignOfFirst  Suspect = "sign_of_first"
	SignOfSecond Suspect = "sign_of_second"
	NominalTaken Suspect = "nominal_taken"
	RingOrValue  Suspect = "ring_or_value"
)
