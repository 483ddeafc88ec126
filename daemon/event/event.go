package event

import (
	"time"

	"fairbore/analysis"
)

// Kind says what an event tells.
type Kind string

// The kinds of event. Each is a fact that has happened; nothing is ever
// changed or taken out, a void included.
const (
	Started   Kind = "started"   // the daemon took the station up
	JobChosen Kind = "job"       // the station works to this job from here on
	PartBegun Kind = "part"      // the next part is in hand
	RoundOver Kind = "round"     // honing is done, a new round of gauging begins
	Placed    Kind = "place"     // the operator chose or skipped a place
	Taken     Kind = "reading"   // a reading was captured
	Refused   Kind = "refused"   // a value was captured and not counted, with the reason
	Voided    Kind = "void"      // a reading was struck out
	Restored  Kind = "restored"  // a void was taken back
	Kept      Kind = "kept"      // a reading that was asked about counts
	Mastering Kind = "mastering" // mastering on a ring began, or was broken off
	RingRead  Kind = "ring"      // a reading of the ring
	Mastered  Kind = "mastered"  // the zero was set from the ring readings
	Checked   Kind = "check"     // a ring was read to see whether the zero still holds
	Sped      Kind = "speeds"    // a ring was rocked at slowly and fast, to see whether the size depends on it
	Reread    Kind = "reread"    // the ring that set the zero was read as if it were a part
	Reworked  Kind = "reworked"  // new values for readings in doubt, beside the old
	Disturbed Kind = "disturbed" // the gauge had a knock or new tips: its zero is not to be trusted
	Dressing  Kind = "dressed"   // the stones were dressed, trued or changed
	Warmed    Kind = "warm"      // temperatures of part and ring were measured
	Cooled    Kind = "cooldown"  // how warm the part is was taken from how it cools, or no longer is
	Studied   Kind = "study"     // a gauge study starts, somebody's turn in it comes, or it is over
	Judged    Kind = "verdict"   // a part was accepted or laid aside
	GaugeSeen Kind = "gauge"     // the gauge was found or lost
	Turning   Kind = "spindle"   // the spindle was switched on or off
	ClockSet  Kind = "clock"     // the wall clock jumped
	Told      Kind = "note"      // something a person should know of later
)

// Event is one fact in the life of a station, in the order of the journal.
// Which of the pointers is set follows from the kind.
type Event struct {
	Station string    `json:"station"`
	At      time.Time `json:"at"`
	Kind    Kind      `json:"kind"`
	Source  string    `json:"source,omitempty"`  // who caused it: gauge, page, broker, pedal, daemon
	Command string    `json:"command,omitempty"` // id of the operator's action

	Job     *analysis.Job `json:"job,omitempty"`
	Part    *Part         `json:"part,omitempty"`
	Round   *Round        `json:"round,omitempty"`
	Place   *Choice       `json:"place,omitempty"`
	Reading *Reading      `json:"reading,omitempty"`
	Refused *Refusal      `json:"refused,omitempty"`
	Void    *Void         `json:"void,omitempty"`
	Ring    *RingReading  `json:"ring,omitempty"`
	Master  *Master       `json:"master,omitempty"`
	Check   *ZeroCheck    `json:"check,omitempty"`
	Reread  *Rereading    `json:"reread,omitempty"`
	Speeds  *SpeedCheck   `json:"speeds,omitempty"`
	Rework  *Rework       `json:"rework,omitempty"`
	Warm    *Warmth       `json:"warm,omitempty"`
	Cool    *CoolDown     `json:"cooldown,omitempty"`
	Study   *Study        `json:"study,omitempty"`
	Verdict *Verdict      `json:"verdict,omitempty"`
	Gauge   *Gauge        `json:"gauge,omitempty"`
	Spindle *Spindle      `json:"spindle,omitempty"`
	Clock   *Clock        `json:"clock,omitempty"`
	Note    string        `json:"note,omitempty"` // what a person, or the daemon at its start, has written
	// Entered says of a [JobChosen] that the job is not of the configuration: the journal is
	// where it is kept.
	Entered bool `json:"entered,omitempty"`
}

// Noted is the note of the event, or what it says without one.
func (e *Event) Noted() analysis.Phrase {
	switch {
	case e.Note != "":
		return analysis.Quote(e.Note)
	case e.Kind == Disturbed:
		return analysis.Say("event.knocked")
	case e.Kind == Dressing:
		return analysis.Say("event.dressed")
	}
	return analysis.Phrase{}
}

// Record is an event with its place in the journal. (Journal, Seq) is its
// identity for every receiver: a second one with the same pair is a duplicate,
// a step of more than one is a gap.
type Record struct {
	Journal string `json:"journal"`
	Seq     uint64 `json:"seq"` // 1, 2, 3, … over all stations of the journal
	Event
	// Body is the event in JSON, as the journal has it, so that nobody need
	// write it again; nil of a record that did not come from a journal.
	Body []byte `json:"-"`
}

// Part begins a workpiece.
type Part struct {
	Serial string `json:"serial"`
	Count  int    `json:"count"` // how many parts of the job this station has begun
	// Rate is how fast the parts before it were cut, and how rounds scattered; for
	// the first of a job the latter only, nil where nothing is known.
	Rate *analysis.RatePrior `json:"rate,omitempty"`
}

// Round begins a round of gauging. Strokes and Seconds say what the honing
// before it was, where it is known.
type Round struct {
	Number  int     `json:"number"`
	Strokes int     `json:"strokes,omitempty"`
	Seconds float64 `json:"seconds,omitempty"`
	Auto    bool    `json:"auto,omitempty"` // begun by gauging a completed plan again
	// Dressed says that the stones were dressed or changed before it.
	Dressed bool `json:"dressed,omitempty"`
	// How that spell was advised: with light strokes; how many of the strokes or
	// seconds, the last, short where the bore is tight; and these at both ends.
	Light bool `json:"light,omitempty"`
	Short int  `json:"short,omitempty"`
	Ends  bool `json:"ends,omitempty"`
}

// Choice is a place chosen or skipped by the operator.
type Choice struct {
	analysis.Place
	Skip bool `json:"skip,omitempty"`
	Stay bool `json:"stay,omitempty"` // every reading is of this place until another is chosen
}

// Sent is a value exactly as the gauge sent it: Digits × 10^-Places Unit.
type Sent struct {
	Digits int64         `json:"digits"`
	Places int           `json:"places"`
	Unit   analysis.Unit `json:"unit"`              // as sent, or as configured if the frame had none
	Frame  string        `json:"frame,omitempty"`   // the bytes, quoted where they are not printable
	Assume bool          `json:"assumed,omitempty"` // the unit is the configured one
}

// Reading is a captured value that counts: corrected and tagged.
type Reading struct {
	No   int    `json:"no"` // 1, 2, 3, … over the readings of the part
	Job  string `json:"job"`
	Part string `json:"part"`
	analysis.Reading
	Deviation analysis.Deviation `json:"deviation_um"` // from target
	Gauge     string             `json:"gauge"`
	Channel   string             `json:"channel,omitempty"`
	How       string             `json:"how"` // button, settled, turning, manual
	Turns     int                `json:"turns,omitempty"`
	// Motion, MotionSpread and MotionSlope: how it was rocked.
	Rocking
	Sent Sent            `json:"sent"`
	Raw  analysis.Length `json:"raw_mm"` // as the gauge showed it
	// Size = Raw + Zero + Thermal + Indentation: what the mastering adds, what the
	// temperatures of part and ring add to that for the size at 20 °C, and
	// what is taken off where the tips sink deeper into the part than into the ring.
	Zero        analysis.Deviation `json:"zero_um"`
	Thermal     analysis.Deviation `json:"thermal_um,omitempty"`
	Indentation analysis.Deviation `json:"indentation_um,omitempty"`
	// PartFrom says where the part's temperature in Thermal comes from, empty: from
	// nowhere, or the journal is older than this. ExcessU is the standard uncertainty of
	// what was taken off by the [CoolDown], 0 without one.
	PartFrom Source             `json:"part_temperature_from,omitempty"`
	ExcessU  analysis.Deviation `json:"excess_u_um,omitempty"`
	// Surprising says that the size is far from Expected, the one that was likely here, of
	// standard uncertainty ExpectedU: it is asked about, and counts from [Kept] on.
	Surprising bool               `json:"surprising,omitempty"`
	Expected   analysis.Length    `json:"expected_mm,omitempty"`
	ExpectedU  analysis.Deviation `json:"expected_u_um,omitempty"`
	// Ask is what is asked about it. One that isn't surprising fits another section far
	// better than this one, and stands where it was taken until a person says otherwise.
	Ask analysis.Phrase `json:"ask,omitzero"`
	// Study says that it is of the gauge study under way, nil: it is of none.
	Study *StudyTrial `json:"study,omitempty"`
	// Mastered is the number of the mastering used, 0 if there was none; the
	// size is then the gauge's own.
	Mastered int `json:"mastered"`
}

// Rocking is how the gauge was moved for a value that was rocked, and what its passes
// tell of how the gauge averages; of any other value it is zero.
type Rocking struct {
	Motion float64 `json:"motion,omitempty"` // mean square speed of the excess's root at square, µm/s²
	// MotionSpread and MotionSlope are to be added to those of [master.Averaging]: what is
	// stated, and taken off the value, is in the slope again.
	MotionSpread float64 `json:"motion_spread,omitempty"` // s⁻⁴
	MotionSlope  float64 `json:"motion_slope,omitempty"`  // s⁻²
}

// Refusal is a captured value that does not count.
type Refusal struct {
	Reason  analysis.Phrase `json:"reason"` // says what to do
	Job     string          `json:"job,omitempty"`
	Part    string          `json:"part,omitempty"`
	Place   *analysis.Place `json:"at,omitempty"` // where it would have been counted
	Gauge   string          `json:"gauge"`
	Channel string          `json:"channel,omitempty"`
	Sent    Sent            `json:"sent"`
	Size    analysis.Length `json:"size_mm,omitempty"` // what it would have been, if it could be told
}

// Void strikes out a reading of the part in hand, or takes the void back, or keeps one
// that was asked about.
type Void struct {
	No     int             `json:"no"`
	Reason analysis.Phrase `json:"reason"`
}

// RingReading is one reading of the ring while mastering.
type RingReading struct {
	Ring    string          `json:"ring"`
	No      int             `json:"no"` // 1 … Of
	Of      int             `json:"of"`
	Raw     analysis.Length `json:"raw_mm"`
	Sent    Sent            `json:"sent"`
	Gauge   string          `json:"gauge"`
	Restart bool            `json:"restart,omitempty"` // those before it are set aside, see Why
	Why     analysis.Phrase `json:"why,omitzero"`
	// U is its standard uncertainty from its samples alone, 0 if not known.
	U analysis.Deviation `json:"capture_u_um,omitempty"`
	Rocking
}

// Master is a mastering begun, broken off (Why says why) or done.
type Master struct {
	Number int                `json:"number,omitempty"` // 1, 2, 3, … of the station
	Ring   analysis.Ring      `json:"ring"`
	Gauge  string             `json:"gauge"`
	Of     int                `json:"of"` // readings to take, or taken
	Raw    []analysis.Length  `json:"raw_mm,omitempty"`
	Spread analysis.Deviation `json:"spread_um"` // largest less smallest
	SD     analysis.Deviation `json:"sd_um"`
	Zero   analysis.Deviation `json:"zero_um"`  // certified size less mean of raw
	Moved  analysis.Deviation `json:"moved_um"` // against the zero before
	Broken bool               `json:"broken,omitempty"`
	// Check says that the ring is only looked at: the zero stays as it is.
	Check bool `json:"check,omitempty"`
	// Reread says that it is read as if it were a part, with Check.
	Reread bool            `json:"reread,omitempty"`
	Why    analysis.Phrase `json:"why,omitzero"`
	// Speeds says that the ring is rocked at slowly for the first half of the readings, then
	// fast, with Check.
	Speeds bool `json:"speeds,omitempty"`
	// Motions are how the gauge was moved for each of Raw, absent if it was not rocked: see
	// [Rocking]. Square is the T²/12 + τ² of the gauge's averaging, in s², that was taken off them.
	Motions []float64 `json:"motions,omitempty"`
	Square  float64   `json:"averaging_s2,omitempty"`
	// Averaging is what all readings of the gauge up to here tell of that, nil: nothing.
	Averaging *analysis.Averaging `json:"averaging,omitempty"`
	// Noise is how the gauge's samples scattered at rest, in air or on the ring, nil if it
	// never rested; CaptureU the root mean square of the readings' own standard uncertainties.
	Noise    *analysis.RestNoise `json:"noise,omitempty"`
	CaptureU analysis.Deviation  `json:"capture_u_um,omitempty"`
	// RingAt is the temperature of the ring that set the zero, nil if it was not known.
	RingAt *analysis.Temperature `json:"ring_at_cel,omitempty"`
	// GaugeDue is the day that the gauge's own calibration is due, and GaugeCertified its
	// certificate, as they stood when the zero was set; 0 and empty: not stated.
	GaugeDue       time.Time `json:"gauge_due,omitzero"`
	GaugeCertified string    `json:"gauge_certificate,omitempty"`
	// Second says that a second ring is read, or was, to set the gain. When that is
	// done, Ring, Raw and Zero are those of the first.
	Second bool `json:"second,omitempty"`
	// Gain is what a second ring said last of the gauge; nil: none was read, and the
	// gain is taken for 1.
	Gain *Gain `json:"gain,omitempty"`
}

// Gain is what a second ring says of a gauge: by how much its scale is off.
//
//	size = Anchor + Zero + (shown − Anchor) × Certified / Shown
//
// with a gain of 1, and the size shown + Zero, where Certified and Shown are 0.
type Gain struct {
	Ring   analysis.Ring      `json:"ring"` // the second
	Raw    []analysis.Length  `json:"raw_mm"`
	Spread analysis.Deviation `json:"spread_um"`
	Ratio  float64            `json:"gain"`   // certified over shown distance of the rings
	U      float64            `json:"gain_u"` // its expanded uncertainty, k = 2
	// Certified and Shown are the distances of the rings, 0 if the gain is not shown to
	// differ from 1; Anchor what the gauge showed at the ring that set the zero.
	Anchor    analysis.Length `json:"anchor_mm,omitempty"`
	Certified analysis.Length `json:"certified_mm,omitempty"`
	Shown     analysis.Length `json:"shown_mm,omitempty"`
	By        int             `json:"set_by"`  // number of the mastering that set it
	ZeroAt    time.Time       `json:"zero_at"` // of the last good look at the first ring before it
	Sentence  analysis.Phrase `json:"sentence"`
}

// MeanMotion is the mean of how the gauge was moved for the readings of the ring.
func (m *Master) MeanMotion() (mean float64) {
	for _, v := range m.Motions {
		mean += v / float64(len(m.Motions))
	}
	return mean
}

// SpeedCheck tells whether the size of a ring depends on the speed at which it is rocked.
type SpeedCheck struct {
	analysis.Speeds
	Ring  string `json:"ring"`
	Gauge string `json:"gauge"`
}

// BySecond returns the gain that a mastering on a second ring was about, nil if it was
// one on the ring that sets the zero.
func (m *Master) BySecond() *Gain {
	if !m.Second {
		return nil
	}
	return m.Gain
}

// Used reports whether the gain is one that sizes are corrected with.
func (g *Gain) Used() bool { return g != nil && g.Shown != 0 }

// ZeroCheck is a look at a ring that leaves the zero as it is.
type ZeroCheck struct {
	analysis.RingCheck
	Gauge string `json:"gauge"`
	// Suspect is what another ring than the one mastered on points at, if it
	// does not agree.
	Suspect analysis.Suspect `json:"suspect,omitempty"`
	// Doubt tells what a failed check puts in doubt.
	Doubt *InDoubt `json:"doubt,omitempty"`
}

// Rereading tells what the ring that set the zero came to as if it were a part. It is no
// reading of the part in hand, and it leaves the zero alone.
//
// A good one does not renew the zero, as a good check does: where temperatures are
// measured it is corrected for them, so that it speaks for the whole line from tips to
// page and not for the zero alone, which the parts without a temperature rest on. One
// that is off by more than a check allows, and than its readings explain, is a failed
// check all the same: however it came about, the ring does not come out as it must.
type Rereading struct {
	analysis.Rereading
	Gauge string   `json:"gauge"`
	Doubt *InDoubt `json:"doubt,omitempty"` // what a failed one puts in doubt
}

// Failed returns the failed check that it is, nil if it is none.
func (r *Rereading) Failed() *ZeroCheck {
	if !r.Valid || r.Good {
		return nil
	}
	return &ZeroCheck{RingCheck: r.RingCheck, Gauge: r.Gauge, Doubt: r.Doubt}
}

// ZeroCheck returns the check of the zero that the event is, nil if it is none. A
// re-reading counts as one only if it failed: a good one does not renew the zero, so it
// tells nothing of a part.
func (e *Event) ZeroCheck() *ZeroCheck {
	if e.Reread != nil {
		return e.Reread.Failed()
	}
	return e.Check
}

// InDoubt is what was done since the last good look at a ring.
type InDoubt struct {
	Since    time.Time `json:"since"`
	Readings int       `json:"readings"`
	Parts    []string  `json:"parts,omitempty"` // finished ones among whose readings they are, by serial number
}

// Rework gives new values for readings of the part in hand that a failed check
// put in doubt, taking the drift as even in time. The readings stay as they
// are, and have to be taken again to count.
type Rework struct {
	Values []Reworking `json:"values"`
}

// Reworking is the new value of one reading.
type Reworking struct {
	No     int                `json:"no"`
	Was    analysis.Length    `json:"was_mm"`
	Now    analysis.Length    `json:"now_mm"`
	Within analysis.Deviation `json:"within_um"` // ± if the drift was not even
}

// Warmth is what was measured of the temperatures; nil is not measured.
type Warmth struct {
	Part *analysis.Temperature `json:"part_cel,omitempty"`
	Ring *analysis.Temperature `json:"ring_cel,omitempty"`
}

// Verdict ends a part.
type Verdict struct {
	Accepted bool               `json:"accepted"`
	Reason   analysis.Phrase    `json:"reason"`
	Part     string             `json:"part"`
	Job      string             `json:"job"`
	Round    int                `json:"round"`
	Smallest analysis.Length    `json:"smallest_mm"`
	Largest  analysis.Length    `json:"largest_mm"`
	Taper    analysis.Deviation `json:"taper_um"`
	Readings int                `json:"readings"` // how many it rests on
	State    State              `json:"state"`    // what the tool said at that moment
	Rule     string             `json:"rule,omitempty"`
	U        analysis.Deviation `json:"u_um,omitempty"` // expanded, of one size
}

// LotMost is how many finished parts of a job its spread is told from at most: with more
// of them a process that drifts would look wider than it is.
const LotMost = 50

// Gauge tells that the gauge came or went.
type Gauge struct {
	Name string          `json:"name"`
	Lost bool            `json:"lost"`
	Why  analysis.Phrase `json:"why,omitzero"`
	// Beside says that it is not the gauge itself but an instrument beside it: a
	// depth scale, a temperature sensor.
	Beside bool `json:"beside,omitempty"`
}

// Spindle tells what the spindle's contact says.
type Spindle struct {
	On      bool    `json:"on"`
	Seconds float64 `json:"seconds,omitempty"` // that it was on for, when it goes off
}

// Clock tells that the wall clock jumped against the steady one.
type Clock struct {
	Jump float64 `json:"jump_s"` // seconds, positive forward
}

// State is where the bore stands, for the operator.
type State string

// The states of a bore.
const (
	NotMastered State = "not mastered"
	StockToGo   State = "stock to go"
	InSize      State = "in size"
	Over        State = "over"
	OutOfForm   State = "in size, out of form"
	TooClose    State = "too close to call" // within the guard band of a limit
	CannotJudge State = "cannot judge"      // Bore.Why says why
)

// Speed is how fast a ring is rocked.
type Speed string

// The speeds.
const (
	Slow Speed = "slow"
	Fast Speed = "fast"
)

// AtSpeed says which reading of the ring is due at which speed, for a check of the speeds.
func (m *Master) AtSpeed() (speed Speed, no, of int) {
	of = m.Of / 2
	if n := len(m.Raw); n >= of {
		return Fast, min(n-of+1, of), of
	}
	return Slow, len(m.Raw) + 1, of
}
