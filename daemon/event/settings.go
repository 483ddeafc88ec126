package event

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"maps"
	"slices"
	"time"

	"fairbore/analysis"
)

// Settings is everything of the configuration that a number or a record of a station rests on. The
// event [Configured] puts it into the journal when it comes into force, so that a record needs
// nothing but the journal.
//
// Rings and jobs are not in it. A ring comes into force by the mastering or the check that reads it,
// and a job by being chosen; those events have the whole ring and the whole job.
type Settings struct {
	// Hash is the SHA-256 of the JSON of the settings without Hash and Changed, in hexadecimal
	// digits. Changed names the members that differ from the settings before; it is empty in the
	// first event of a station.
	Hash    string   `json:"hash"`
	Changed []string `json:"changed,omitempty"`

	Program string `json:"program,omitempty"`   // version of the program
	Zone    string `json:"time_zone,omitempty"` // IANA name of the shop's time zone, "" if not known; the offset is in the times of the events
	// Language is the tag of the language of records, such as "de"; "" is English.
	Language string `json:"language,omitempty"`

	// Letterhead is what the shop puts at the top of a record.
	Letterhead Letterhead `json:"letterhead,omitzero"`

	Gauge GaugeSettings `json:"gauge"`
	// Beside are the other instruments of the station by name, such as a depth scale or a
	// temperature sensor. Their values are joined to the gauge's by time.
	Beside  map[string]GaugeSettings `json:"other_instruments,omitempty"`
	Capture CaptureSettings          `json:"capture"`
	Master  MasterSettings           `json:"mastering"`
	Doubt   Doubt                    `json:"uncertainty"`
	// Bases says, for the lines of the budget by name, whether the input is stated, measured or
	// assumed. A line that is not named was stated.
	Bases map[string]analysis.Basis `json:"basis,omitempty"`
	Rule  string                    `json:"guard,omitempty"` // decision rule at the limits; empty: simple acceptance
	// DepthReach is how far from a planned section a depth may be to count as that section.
	DepthReach analysis.Length `json:"depth_reach_mm,omitempty"`
	// Names are those of the people who may work here, by id, where the name is not the id.
	Names map[string]string `json:"names,omitempty"`
}

// Letterhead is a shop's name and address, and its logo as PNG or JPEG; nil: it has none.
type Letterhead struct {
	Lines []string `json:"lines,omitempty"`
	Logo  []byte   `json:"logo,omitempty"`
}

// IsZero reports whether there is nothing to put at the top.
func (h Letterhead) IsZero() bool { return len(h.Lines) == 0 && len(h.Logo) == 0 }

// GaugeSettings describes an instrument of a station.
type GaugeSettings struct {
	Name    string            `json:"name"`
	Driver  string            `json:"driver,omitempty"`
	Options map[string]string `json:"options,omitempty"` // of the driver
	// Unit is the unit of a frame that does not state one.
	Unit analysis.Unit `json:"unit,omitempty"`
	// Deviation says that the gauge shows the deviation from its ring rather
	// than the size.
	Deviation bool `json:"deviation,omitempty"`
	// Roles says what each channel of the gauge is. A channel that is not named is the size if its
	// name is empty, and is ignored otherwise.
	Roles map[string]Role `json:"channels,omitempty"`
	// Repeatability is the standard deviation of one captured value on a ring.
	Repeatability analysis.Deviation `json:"repeatability_um,omitempty"`
	// Due is the day when the calibration of the gauge is due, zero if not stated, and Certified
	// its certificate.
	Due       time.Time `json:"due,omitzero"`
	Certified string    `json:"certificate,omitempty"`
	// CertificateFile is the SHA-256 of the certificate's file, in hex; empty if it is not kept.
	CertificateFile string `json:"certificate_file,omitempty"`
	// Assumed says that Repeatability is not stated and has the usual value.
	Assumed bool `json:"repeatability_assumed,omitempty"`
	// Smoothing says over what time the gauge averages and by what time it lags.
	Smoothing Smoothing `json:"smoothing,omitzero"`
	// FreeAir is how much more the gauge shows in free air than in the ring that it is set to; 0:
	// it is learned.
	FreeAir analysis.Length `json:"free_air_mm,omitempty"`
	// Step is the gauge's resolution.
	Step analysis.Deviation `json:"step_um,omitempty"`
	// Tip is the radius of the measuring tips of a two-point gauge, 0 if not known.
	Tip analysis.Length `json:"tip_mm,omitempty"`
	// Force is the force of one tip in newton, 0 if not known.
	Force float64 `json:"force_n,omitempty"`
	// CorrectIndentation says that sizes are corrected for the tips sinking deeper into the part
	// than into the ring. The remaining uncertainty is a line of the budget.
	CorrectIndentation bool `json:"correct_indentation,omitempty"`
	// ThreePoint says that the gauge has three self-centring contacts.
	ThreePoint bool `json:"three_point,omitempty"`
}

// Smoothing says over what time a gauge takes the mean of its samples, and the time constant of its
// filter. Both are 0 and not Stated if nobody has stated them.
type Smoothing struct {
	Averages time.Duration `json:"averages_ns,omitempty"`
	Lag      time.Duration `json:"lag_ns,omitempty"`
	Stated   bool          `json:"stated,omitempty"`
}

// Role says what a channel of a gauge measures.
type Role string

// The roles.
const (
	SizeChannel  Role = "size"
	DepthChannel Role = "depth"
	PartTemp     Role = "part temperature"
	RingTemp     Role = "ring temperature"
	AngleChannel Role = "angle"
	Ignored      Role = "ignored"
)

// RoleOf returns what a channel of the gauge measures.
func (g *GaugeSettings) RoleOf(channel string) Role {
	if r, ok := g.Roles[channel]; ok {
		return r
	}
	if channel == "" {
		return SizeChannel
	}
	return Ignored
}

// CaptureSettings says how samples become readings.
type CaptureSettings struct {
	Mode   string        `json:"mode,omitempty"`      // button, settled or turning
	Bounce time.Duration `json:"bounce_ns,omitempty"` // repeated frames within this time are one reading
	Settle time.Duration `json:"settle_ns,omitempty"` // how long a gauge at rest must stay level; 0: the default of the capture
	// Twice is the time within which two values in free air void the last reading; 0: off.
	Twice time.Duration `json:"void_gesture_ns,omitempty"`
	// Rest is how long the gauge must be held in free air after a complete plan to begin the next
	// round; 0: off.
	Rest time.Duration `json:"next_round_gesture_ns,omitempty"`
	// MaxRate is how many readings of the gauge are recorded in a second on the long run, and a
	// minute's worth of them at once; 0: any number. Refusals and the like get a twentieth.
	MaxRate int `json:"max_rate_hz,omitempty"`
}

// MasterSettings says what a good mastering is and how long it holds.
type MasterSettings struct {
	Readings int                `json:"readings"`  // readings of the ring
	Spread   analysis.Deviation `json:"spread_um"` // the largest difference between them that is allowed
	Lapse    Lapse              `json:"lapse"`     // how long a zero holds
}

// Lapse says when a zero is no longer to be trusted, as master.Lapse does.
type Lapse struct {
	Age           time.Duration        `json:"age_ns,omitempty"`
	Readings      int                  `json:"readings,omitempty"`
	Temperature   analysis.Temperature `json:"temperature_change_cel,omitempty"`
	Fresh         time.Duration        `json:"fresh_ns,omitempty"`
	FreshReadings int                  `json:"fresh_readings,omitempty"`
	DueSoon       time.Duration        `json:"due_soon_ns,omitempty"`
}

// Doubt is what is known of the uncertainty of a size besides ring and repeatability. A value of 0
// leaves its line out of the budget.
type Doubt struct {
	Drift      analysis.Deviation   `json:"drift_um"`         // ± of the zero since the last check of the ring
	Contact    analysis.Deviation   `json:"contact_um"`       // contact, form of the ring, centring; standard uncertainty
	PartWithin analysis.Temperature `json:"part_within_cel"`  // ± of part minus ring, when neither is measured
	RingFrom20 analysis.Temperature `json:"ring_from_20_cel"` // how far the ring usually is from 20 °C
	RingWithin analysis.Temperature `json:"ring_within_cel"`  // ± of RingFrom20
}

// SettingsMost is the largest number of bytes that the JSON of settings may have. Each change of the
// configuration writes it once for each station, and each record reads it.
const SettingsMost = 256 << 10

// ErrSettingsLarge says that settings do not fit into the journal.
var ErrSettingsLarge = errors.New("the settings of a station may have 256 KiB at most; take a smaller logo, or fewer instruments at one station")

// Check returns [ErrSettingsLarge] if the settings are too large for the journal.
func (s *Settings) Check() error {
	if len(s.canonical()) > SettingsMost {
		return ErrSettingsLarge
	}
	return nil
}

// Seal sets Hash, and Changed against the settings in force before, nil if there are none.
func (s *Settings) Seal(before *Settings) {
	text := s.canonical()
	sum := sha256.Sum256(text)
	s.Hash, s.Changed = hex.EncodeToString(sum[:]), nil
	if before == nil {
		return
	}
	was, is := members(before.canonical()), members(text)
	for name := range was {
		if _, ok := is[name]; !ok {
			is[name] = nil
		}
	}
	for _, name := range slices.Sorted(maps.Keys(is)) {
		if !bytes.Equal(was[name], is[name]) {
			s.Changed = append(s.Changed, name)
		}
	}
}

// canonical returns the JSON of the settings without Hash and Changed. Settings that mean the same
// have the same bytes.
func (s *Settings) canonical() []byte {
	plain := *s
	plain.Hash, plain.Changed = "", nil
	text, err := json.Marshal(&plain)
	if err != nil { // a day or a number that JSON can't express; the configuration refuses those
		return nil
	}
	return text
}

func members(text []byte) (m map[string]json.RawMessage) {
	if json.Unmarshal(text, &m) != nil || m == nil {
		m = map[string]json.RawMessage{}
	}
	return m
}

// NameOf returns the name of a person, or the id of one who has no other name in the settings.
func (s *Settings) NameOf(id string) string {
	if name, ok := s.Names[id]; ok {
		return name
	}
	return id
}

// Phrase says that the settings came into force, and what is new.
func (s *Settings) Phrase() analysis.Phrase {
	var what analysis.Phrase
	if s == nil { // what somebody else wrote may lack it
		return analysis.Say("event.settings")
	}
	for _, name := range slices.Backward(s.Changed) {
		if p := analysis.Say("settings." + name); what.IsZero() {
			what = p
		} else {
			what = analysis.Say("settings.and", p, what)
		}
	}
	if what.IsZero() {
		return analysis.Say("event.settings")
	}
	return analysis.Say("event.settings_changed", what)
}
