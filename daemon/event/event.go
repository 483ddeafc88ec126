package event

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"fairbore/analysis"
)

// Kind says what an event is about.
type Kind string

// The kinds of event. Each is a fact that has happened. Nothing is changed or removed later;
// voiding a reading is an event too.
const (
	Started         Kind = "started"      // the daemon began serving the station
	Configured      Kind = "settings"     // the settings that came into force
	FileChanged     Kind = "configured"   // the file of the configuration was changed
	JobChosen       Kind = "job"          // the station works to this job from now on
	PartBegun       Kind = "part"         // the next part is in hand
	RoundOver       Kind = "round"        // honing is done, a new round of gauging begins
	RoundUndone     Kind = "round_undone" // that round was begun by mistake, and nothing was gauged in it
	Placed          Kind = "position"     // the operator chose or skipped a place
	Taken           Kind = "reading"      // a reading was captured
	Refused         Kind = "refused"      // a captured value does not count, with the reason
	Voided          Kind = "void"         // a reading was voided
	Restored        Kind = "restored"     // the voiding was undone
	Kept            Kind = "kept"         // a reading that the program asked about counts
	Mastering       Kind = "mastering"    // mastering on a ring began, or was broken off
	RingRead        Kind = "ring"         // a reading of the ring
	Mastered        Kind = "mastered"     // the zero was set from the ring readings
	Checked         Kind = "check"        // a ring was read to see whether the zero still holds
	SpeedsChecked   Kind = "speeds"       // a ring was rocked slowly and fast, to see whether the size depends on the speed
	Reread          Kind = "reread"       // the ring that set the zero was read as if it were a part
	Reworked        Kind = "recalculated" // new values for doubtful readings, beside the old ones
	Disturbed       Kind = "bumped"       // the gauge was knocked or got new tips, so that its zero can't be trusted
	Dressing        Kind = "dressed"      // the stones were dressed, trued or changed
	Warmed          Kind = "temperature"  // temperatures of part and ring were measured
	Cooled          Kind = "cooldown"     // the correction for the cooling of the part began or ended
	Studied         Kind = "study"        // a gauge study began or ended, or somebody's turn came
	Judged          Kind = "result"       // what is to become of a part was decided, and the part is finished
	Superseded      Kind = "superseded"   // another result of a finished part stands from now on
	GaugeSeen       Kind = "gauge"        // the gauge was found or lost
	SpindleSwitched Kind = "spindle"      // the spindle was switched on or off
	ClockSet        Kind = "clock"        // the wall clock jumped
	Flooded         Kind = "flood"        // the gauge sent far too much, and some of it was dropped
	NoteAdded       Kind = "note"         // a note for a person to read later
	PersonNamed     Kind = "person"       // who works at the station from now on, or that nobody does
)

// Event is one fact in the life of a station, in the order of the journal. The kind determines
// which of the pointers are set.
type Event struct {
	Station string    `json:"station"`
	At      time.Time `json:"at"`
	Kind    Kind      `json:"kind"`
	Source  string    `json:"source,omitempty"`  // what caused it: gauge, page, broker, pedal, daemon
	Command string    `json:"command,omitempty"` // ID of the operator's action
	// Person is the id of who worked at the station when the event arose. It is empty where nobody
	// was named. Names stand in the settings; events have ids alone.
	Person string `json:"person,omitempty"`
	// Simulated says that no gauge measured anything: the instruments of the station are played, as in
	// the demo, or are recordings.
	Simulated bool `json:"simulated,omitempty"`

	Job     *analysis.Job    `json:"job,omitempty"`
	Part    *Part            `json:"part,omitempty"`
	Round   *Round           `json:"round,omitempty"`
	Place   *Choice          `json:"position,omitempty"`
	Reading *Reading         `json:"reading,omitempty"`
	Refused *Refusal         `json:"refused,omitempty"`
	Void    *Void            `json:"void,omitempty"`
	Ring    *RingReading     `json:"ring,omitempty"`
	Master  *Master          `json:"master,omitempty"`
	Check   *ZeroCheck       `json:"check,omitempty"`
	Reread  *Rereading       `json:"reread,omitempty"`
	Speeds  *SpeedCheck      `json:"speeds,omitempty"`
	Rework  *Rework          `json:"recalculated,omitempty"`
	Warm    *Warmth          `json:"temperature,omitempty"`
	Cool    *CoolDown        `json:"cooldown,omitempty"`
	Study   *Study           `json:"study,omitempty"`
	Verdict *Verdict         `json:"result,omitempty"`
	Gauge   *InstrumentState `json:"gauge,omitempty"`
	Spindle *Spindle         `json:"spindle,omitempty"`
	Clock   *Clock           `json:"clock,omitempty"`
	Flood   *Flood           `json:"flood,omitempty"`
	Damage  *JournalDamage   `json:"damage,omitempty"`
	Working *Working         `json:"working,omitempty"`
	File    *FileChange      `json:"configuration,omitempty"`
	// Settings are in force from this event on.
	Settings *Settings `json:"settings,omitempty"`
	Note     string    `json:"note,omitempty"` // text by a person
	// Why, of [Disturbed] and [Dressing], is one of [Reasons] that a person picked.
	Why *analysis.Phrase `json:"why,omitempty"`
	// Entered, of a [JobChosen], says that the job is not in the configuration, so that only the
	// journal has it.
	Entered bool `json:"entered,omitempty"`
}

// Noted returns the note of the event, or the phrase for an event without one.
func (e *Event) Noted() analysis.Phrase {
	switch {
	case e.Damage != nil:
		return analysis.Say("event.journal_damaged", e.Damage.Fault, e.Damage.MovedTo)
	case e.Why != nil:
		return *e.Why
	case e.Note != "":
		return analysis.Quote(e.Note)
	case e.Kind == Disturbed:
		return analysis.Say("event.knocked")
	case e.Kind == Dressing:
		return analysis.Say("event.dressed")
	}
	return analysis.Phrase{}
}

// Record is an event with its place in the journal. (Journal, Seq) identifies it for every
// receiver: a second record with the same pair is a duplicate, and a step of more than one is a
// gap.
type Record struct {
	Journal string `json:"journal"`
	Seq     uint64 `json:"seq"` // 1, 2, 3, … over all stations of the journal
	Event
	// Body is the event in JSON as the journal has it, so that it need not be encoded again; nil if
	// the record did not come from a journal.
	Body []byte `json:"-"`
}

// Part is the beginning of a workpiece.
type Part struct {
	Serial string `json:"serial"`
	Count  int    `json:"count"` // how many parts of the job this station has begun
	// Rate is how fast the parts before it were cut, and how much the rounds scattered. For the
	// first part of a job it is only the latter. nil: nothing is known.
	Rate *analysis.RatePrior `json:"rate,omitempty"`
	// Begun is how many parts of any job the station has begun. It tells apart two parts with one
	// serial number.
	Begun int `json:"begun"`
	// Continues is where the part was begun before, if it was sent to rework then; nil: it was not.
	Continues *Beginning `json:"continues,omitempty"`
	analysis.PartPapers
}

// Beginning is the event that began a part, by which its record is found.
type Beginning struct {
	Station string `json:"station"`
	Seq     uint64 `json:"seq"`
}

// Serial returns the serial number of a part to which nobody gives one. Count is the part's place
// among those of the job, from 1.
func Serial(count int) string { return fmt.Sprintf("%04d", count) }

// Round is the beginning of a round of gauging. Strokes and Seconds describe the honing before it,
// where that is known.
type Round struct {
	Number  int     `json:"number"`
	Strokes int     `json:"strokes,omitempty"`
	Seconds float64 `json:"seconds,omitempty"`
	Auto    bool    `json:"auto,omitempty"` // begun when a completed plan was gauged again
	// Dressed says that the stones were dressed or changed before the round.
	Dressed bool `json:"dressed,omitempty"`
	// What the advice for this honing was. Light: with light strokes. Short: so many of the strokes
	// or seconds, the last ones, short where the bore is tight. Ends: those at both ends.
	Light bool `json:"light,omitempty"`
	Short int  `json:"short,omitempty"`
	Ends  bool `json:"ends,omitempty"`
}

// Choice is a place that the operator chose or skipped.
type Choice struct {
	analysis.Place
	Skip bool `json:"skip,omitempty"`
	Stay bool `json:"repeat,omitempty"` // every reading is of this place until another one is chosen
}

// Sent is a value exactly as the gauge sent it: Digits × 10^-Places Unit.
type Sent struct {
	Digits  int64         `json:"digits"`
	Places  int           `json:"places"`
	Unit    analysis.Unit `json:"unit"`              // as sent, or as configured if the frame had none
	Frame   string        `json:"frame,omitempty"`   // the bytes as text; in quotes, with \x for a byte, where they are no UTF-8
	Assumed bool          `json:"assumed,omitempty"` // the frame had no unit; Unit is the configured one
}

// Reading is a captured value that counts, corrected and with what it belongs to.
type Reading struct {
	No   int    `json:"no"` // 1, 2, 3, … within the part
	Job  string `json:"job"`
	Part string `json:"part"`
	analysis.Reading
	Deviation analysis.Deviation `json:"deviation_um"` // from target
	Gauge     string             `json:"gauge"`
	Channel   string             `json:"channel,omitempty"`
	How       string             `json:"how"` // button, settled, turning or manual
	Turns     int                `json:"turns,omitempty"`
	// Rocking is how the gauge was moved.
	Rocking
	Sent Sent            `json:"sent"`
	Raw  analysis.Length `json:"raw_mm"` // as the gauge showed it
	// Size = Raw + Zero + Thermal + Indentation. Zero is what the mastering adds. Thermal brings
	// the size to 20 °C by the temperatures of part and ring. Indentation is subtracted where the
	// tips sink deeper into the part than into the ring.
	Zero        analysis.Deviation `json:"zero_um"`
	Thermal     analysis.Deviation `json:"thermal_um,omitempty"`
	Indentation analysis.Deviation `json:"indentation_um,omitempty"`
	// PartFrom says where the part's temperature in Thermal comes from. It is empty if there is
	// none, or in an older journal. ExcessU is the standard uncertainty of what the [CoolDown]
	// corrected, 0 without one.
	PartFrom Source             `json:"part_temperature_from,omitempty"`
	ExcessU  analysis.Deviation `json:"excess_u_um,omitempty"`
	// Unexpected says that the size is far from Expected, the size that was likely here with the
	// standard uncertainty ExpectedU. The program asks about such a reading; it counts from a
	// [Kept] event on.
	Unexpected bool               `json:"unexpected,omitempty"`
	Expected   analysis.Length    `json:"expected_mm,omitempty"`
	ExpectedU  analysis.Deviation `json:"expected_u_um,omitempty"`
	// Ask is what the program asks about the reading. If the reading is not Unexpected, it fits
	// another section far better than this one; it counts for this place until a person says
	// otherwise.
	Ask analysis.Phrase `json:"ask,omitzero"`
	// Study says which trial of the gauge study the reading is; nil: none.
	Study *StudyTrial `json:"study,omitempty"`
	// Mastered is the number of the mastering that was used, 0 if there was none. The size is then
	// what the gauge shows.
	Mastered int `json:"mastered"`
}

// Rocking is how the gauge was rocked for a value, and what its passes tell about how the gauge
// averages. It is zero for a value that was not rocked.
type Rocking struct {
	Motion float64 `json:"motion,omitempty"` // mean square speed of the root of the excess at square, µm/s²
	// MotionSpread and MotionSlope are to be added to those of [master.Averaging]. The averaging
	// that is stated was taken off the value, and is put back into the slope.
	MotionSpread float64 `json:"motion_spread,omitempty"` // s⁻⁴
	MotionSlope  float64 `json:"motion_slope,omitempty"`  // s⁻²
}

// Refusal is a captured value that does not count.
type Refusal struct {
	Reason  analysis.Phrase `json:"reason"` // also says what to do
	Job     string          `json:"job,omitempty"`
	Part    string          `json:"part,omitempty"`
	Place   *analysis.Place `json:"position,omitempty"` // where it would have counted
	Gauge   string          `json:"gauge"`
	Channel string          `json:"channel,omitempty"`
	Sent    Sent            `json:"sent"`
	Size    analysis.Length `json:"size_mm,omitempty"` // the size that it would have been, if that can be said
}

// Void voids a reading of the part in hand, undoes that, or keeps a reading that the program asked
// about.
type Void struct {
	No     int             `json:"no"`
	Reason analysis.Phrase `json:"reason"`
}

// RingReading is one reading of the ring during a mastering.
type RingReading struct {
	Ring    string          `json:"ring"`
	No      int             `json:"no"` // 1 … Of
	Of      int             `json:"of"`
	Raw     analysis.Length `json:"raw_mm"`
	Sent    Sent            `json:"sent"`
	Gauge   string          `json:"gauge"`
	Restart bool            `json:"restart,omitempty"` // the readings before it are set aside; Why says why
	Why     analysis.Phrase `json:"why,omitzero"`
	// U is the standard uncertainty from the samples of this reading alone, 0 if not known.
	U analysis.Deviation `json:"capture_u_um,omitempty"`
	Rocking
}

// Master is a mastering that was begun, done, or broken off; Why then says why.
type Master struct {
	Number int                `json:"number,omitempty"` // 1, 2, 3, … within the station
	Ring   analysis.Ring      `json:"ring"`
	Gauge  string             `json:"gauge"`
	Of     int                `json:"of"` // number of readings to take, or taken
	Raw    []analysis.Length  `json:"raw_mm,omitempty"`
	Spread analysis.Deviation `json:"spread_um"` // largest reading less smallest
	SD     analysis.Deviation `json:"sd_um"`
	Zero   analysis.Deviation `json:"zero_um"`  // certified size less the mean of Raw
	Moved  analysis.Deviation `json:"moved_um"` // change from the zero before
	Broken bool               `json:"broken,omitempty"`
	// Check says that the ring is read only to check the zero, which stays as it is.
	Check bool `json:"check,omitempty"`
	// Reread says that the ring is read as if it were a part. Check is set too.
	Reread bool            `json:"reread,omitempty"`
	Why    analysis.Phrase `json:"why,omitzero"`
	// Speeds says that the ring is rocked slowly for the first half of the readings, then fast.
	// Check is set too.
	Speeds bool `json:"speeds,omitempty"`
	// Motions says how the gauge was moved for each value of Raw, see [Rocking]; absent if it was
	// not rocked. Square is the stated T²/12 + τ² of the gauge's averaging, in s², which was taken
	// off the values.
	Motions []float64 `json:"motions,omitempty"`
	Square  float64   `json:"averaging_s2,omitempty"`
	// Averaging is what all readings of the gauge so far tell about its averaging; nil: nothing.
	Averaging *analysis.Averaging `json:"averaging,omitempty"`
	// Noise is how the gauge's samples scattered at rest, in air or on the ring; nil if it never
	// rested. CaptureU is the root mean square of the readings' own standard uncertainties.
	Noise    *analysis.RestNoise `json:"noise,omitempty"`
	CaptureU analysis.Deviation  `json:"capture_u_um,omitempty"`
	// RingAt is the temperature of the ring that set the zero; nil: not known.
	RingAt *analysis.Temperature `json:"ring_at_cel,omitempty"`
	// GaugeDue is the day when the calibration of the gauge is due, and GaugeCertified its
	// certificate, both as they were when the zero was set. Zero and empty: not stated.
	GaugeDue       time.Time `json:"gauge_due,omitzero"`
	GaugeCertified string    `json:"gauge_certificate,omitempty"`
	// Second says that a second ring is read to set the gain. Once that is done, Ring, Raw and Zero
	// are those of the first ring.
	Second bool `json:"second,omitempty"`
	// Gain is the newest result of a second ring; nil: none was read, and the gain is taken to be
	// 1.
	Gain *Gain `json:"gain,omitempty"`
}

// Gain is the error of a gauge's scale, as a second ring shows it:
//
// size = Anchor + Zero + (shown − Anchor) × Certified / Shown
//
// If Certified and Shown are 0, the gain is 1 and the size is shown + Zero.
type Gain struct {
	Ring   analysis.Ring      `json:"ring"` // the second ring
	Raw    []analysis.Length  `json:"raw_mm"`
	Spread analysis.Deviation `json:"spread_um"`
	Ratio  float64            `json:"gain"`   // certified distance of the rings over the shown distance
	U      float64            `json:"gain_u"` // expanded uncertainty of the ratio, k = 2
	// Certified and Shown are the distances between the sizes of the rings. They are 0 if the gain
	// was not shown to differ from 1. Anchor is what the gauge showed in the ring that set the
	// zero.
	Anchor    analysis.Length `json:"anchor_mm,omitempty"`
	Certified analysis.Length `json:"certified_mm,omitempty"`
	Shown     analysis.Length `json:"shown_mm,omitempty"`
	By        int             `json:"set_by"`  // number of the mastering that set the gain
	ZeroAt    time.Time       `json:"zero_at"` // time of the last good check of the first ring before it
	Sentence  analysis.Phrase `json:"sentence"`
}

// MeanMotion returns the mean of how the gauge was moved for the readings of the ring.
func (m *Master) MeanMotion() (mean float64) {
	for _, v := range m.Motions {
		mean += v / float64(len(m.Motions))
	}
	return mean
}

// SpeedCheck says whether the size of a ring depends on the speed at which it is rocked.
type SpeedCheck struct {
	analysis.Speeds
	Ring  string `json:"ring"`
	Gauge string `json:"gauge"`
}

// BySecond returns the gain that a mastering on a second ring was made for, nil if the mastering
// set the zero.
func (m *Master) BySecond() *Gain {
	if !m.Second {
		return nil
	}
	return m.Gain
}

// Used reports whether sizes are corrected with the gain.
func (g *Gain) Used() bool { return g != nil && g.Shown != 0 }

// ZeroCheck is a reading of a ring that leaves the zero as it is.
type ZeroCheck struct {
	analysis.RingCheck
	Gauge string `json:"gauge"`
	// Suspect is the likely culprit if a ring other than the one mastered on does not agree.
	Suspect analysis.Suspect `json:"suspect,omitempty"`
	// Doubt says what a failed check puts in doubt.
	Doubt *InDoubt `json:"doubt,omitempty"`
}

// Rereading is the size that the ring which set the zero has when it is read as a part. It is not a
// reading of the part in hand, and does not change the zero.
//
// A good one does not renew the zero as a good check does. Where temperatures are measured the
// rereading is corrected for them, so that it tests everything from the tips to the page, while
// parts without a measured temperature rely on the zero alone. A rereading is a failed check if it
// is off by more than a check allows and by more than its readings explain.
type Rereading struct {
	analysis.Rereading
	Gauge string   `json:"gauge"`
	Doubt *InDoubt `json:"doubt,omitempty"` // what a failed one puts in doubt
}

// Failed returns the rereading as a failed check, nil if it did not fail.
func (r *Rereading) Failed() *ZeroCheck {
	if !r.Valid || r.Good {
		return nil
	}
	return &ZeroCheck{RingCheck: r.RingCheck, Gauge: r.Gauge, Doubt: r.Doubt}
}

// ZeroCheck returns the check of the zero that the event contains, nil if there is none. A
// rereading counts as one only if it failed, since a good one does not renew the zero.
func (e *Event) ZeroCheck() *ZeroCheck {
	if e.Reread != nil {
		return e.Reread.Failed()
	}
	return e.Check
}

// InDoubt is what was done since the last good check of a ring.
type InDoubt struct {
	Since    time.Time `json:"since"`
	Readings int       `json:"readings"`
	Parts    []string  `json:"parts,omitempty"` // serial numbers of the finished parts that the readings belong to
}

// Rework has new values for readings of the part in hand that a failed check put in doubt. They
// assume that the drift was even in time. The readings stay as they are, and must be taken again to
// count.
type Rework struct {
	Values []Reworking `json:"values"`
}

// Reworking is the new value of one reading.
type Reworking struct {
	No     int                `json:"no"`
	Was    analysis.Length    `json:"was_mm"`
	Now    analysis.Length    `json:"now_mm"`
	Within analysis.Deviation `json:"within_um"` // ± this if the drift was not even
}

// Warmth is what was measured of the temperatures; nil: not measured.
type Warmth struct {
	Part *analysis.Temperature `json:"part_cel,omitempty"`
	Ring *analysis.Temperature `json:"ring_cel,omitempty"`
}

// Outcome is what is to become of a part.
type Outcome string

// The outcomes.
const (
	IsAccepted Outcome = "accepted"   // in size and form
	ToRework   Outcome = "rework"     // worked on again, and then measured again
	OnHold     Outcome = "on_hold"    // kept until somebody decides
	Scrapped   Outcome = "scrap"      // not used
	Conceded   Outcome = "concession" // used although it is not as the drawing asks
)

// Outcomes returns all outcomes in the order in which a list has them.
func Outcomes() []Outcome { return []Outcome{IsAccepted, ToRework, OnHold, Scrapped, Conceded} }

// Verdict is the result of a part: what was measured, and what was decided. A later one supersedes
// it; none is erased.
type Verdict struct {
	Outcome Outcome `json:"outcome"`
	// Number and GrantedBy are those of a concession.
	Number    string `json:"number,omitempty"`
	GrantedBy string `json:"granted_by,omitempty"`
	// Supersedes is the number in the journal of the result that this one takes the place of, 0 for
	// the first one of a part. What was measured is as it stands there.
	Supersedes uint64             `json:"supersedes,omitempty"`
	Begun      int                `json:"begun"` // of the part, see [Part]
	Reason     analysis.Phrase    `json:"reason"`
	Part       string             `json:"part"`
	Job        string             `json:"job"`
	Round      int                `json:"round"`
	Smallest   analysis.Length    `json:"smallest_mm"`
	Largest    analysis.Length    `json:"largest_mm"`
	Taper      analysis.Deviation `json:"taper_um"`
	Readings   int                `json:"readings"` // number of readings that it is based on
	State      State              `json:"state"`    // the state that the program showed at that moment
	Rule       string             `json:"rule,omitempty"`
	U          analysis.Deviation `json:"u_um,omitempty"`    // expanded uncertainty of one size
	Assumes    []Assumption       `json:"assumes,omitempty"` // what U rests on that nobody stated or measured, and that matters
	// Missing is what had to be done before the part could be accepted, of one in size for which
	// something else was decided; zero if nothing was missing.
	Missing analysis.Phrase `json:"missing,omitzero"`
	// SignedBy is the id of another than [Event.Person], who signs for the verdict.
	SignedBy string `json:"signed_by,omitempty"`
}

// Accepted reports whether the part was accepted as the drawing asks.
func (v *Verdict) Accepted() bool { return v.Outcome == IsAccepted }

// Passes reports whether the part is used: accepted, or by concession.
func (v *Verdict) Passes() bool { return v.Outcome == IsAccepted || v.Outcome == Conceded }

// Final reports whether no more work on the part is expected: it is not to be reworked, and not on hold.
// The capability of a lot counts the parts of such results, whatever became of them: without those that
// were scrapped it would be that of a selection.
func (v *Verdict) Final() bool { return v.Outcome != ToRework && v.Outcome != OnHold }

// Standing is what the journal knows of a finished part whose result is to be superseded.
type Standing struct {
	Seq     uint64   // of the result that stands
	Verdict *Verdict // that result
	Doubted bool     // a check that failed later put its readings in doubt
	Measured
}

// Measured says who took the readings of a part, and whether another has to sign for its result.
type Measured struct {
	Job     string
	SignOff bool
	Took    []string // ids of the people
	Unnamed int      // readings for which nobody was named
}

// Assumption is an input of the uncertainty that nobody stated or measured, and that matters.
type Assumption struct {
	Line   string          `json:"line"`    // of the budget
	Says   analysis.Phrase `json:"assumes"` // with the value that is assumed
	Settle analysis.Phrase `json:"settle"`  // how to know it
}

// Assuming says all that is assumed in one phrase, zero if nothing is.
func Assuming(all []Assumption) (what analysis.Phrase) {
	for _, a := range slices.Backward(all) {
		if what.IsZero() {
			what = a.Says
		} else {
			what = analysis.Say("assume.and", a.Says, what)
		}
	}
	return what
}

// LotMost is the largest number of finished parts of a job from which the spread of the process is
// determined. With more of them a process that drifts would look wider than it is.
const LotMost = 50

// InstrumentState says that an instrument was found or lost.
type InstrumentState struct {
	Name string          `json:"name"`
	Lost bool            `json:"lost"`
	Why  analysis.Phrase `json:"why,omitzero"`
	// Beside says that it is not the gauge itself but an instrument beside it: a depth scale, a
	// temperature sensor.
	Beside bool `json:"other_instrument,omitempty"`
}

// Spindle is what the contact at the spindle says.
type Spindle struct {
	On      bool    `json:"on"`
	Seconds float64 `json:"seconds,omitempty"` // how long the spindle was on, when it is switched off
}

// JournalDamage says that the journal before this one was damaged. It is the first event of the
// journal that replaces it, of kind [NoteAdded].
type JournalDamage struct {
	Fault   string `json:"fault"`    // as the database or the system says it
	MovedTo string `json:"moved_to"` // path of the damaged journal
}

// FileChange says how the file of the configuration was changed. It has no values: a value may be
// the hash of a passphrase. [Event.Person] is who changed it, if that is known.
type FileChange struct {
	By     Proof    `json:"by,omitempty"`     // how the person was known
	Keys   []string `json:"keys,omitempty"`   // what was changed, such as rings.R-1250.size; the first [MostKeys]
	More   int      `json:"more,omitempty"`   // how many keys besides
	Before string   `json:"before,omitempty"` // SHA-256 of the text before, in hex; empty for no file
	After  string   `json:"after"`            // of the text from then on
}

// MostKeys is how many keys a [FileChange] names.
const MostKeys = 32

// Phrase says what was changed.
func (c *FileChange) Phrase() analysis.Phrase {
	if c == nil || len(c.Keys) == 0 { // what somebody else wrote may lack it
		return analysis.Say("event.file")
	}
	switch keys := strings.Join(c.Keys, ", "); {
	case c.More > 0:
		return analysis.Say("event.file_more", keys, c.More)
	default:
		return analysis.Say("event.file_keys", keys)
	}
}

// Clock says that the wall clock jumped against the steady one.
type Clock struct {
	Jump float64 `json:"jump_s"` // seconds, positive forward
}

// Flood says what was dropped since the flood began, or since the event before it.
type Flood struct {
	Gauge    string `json:"gauge"`
	Readings int    `json:"readings"`    // readings that were not recorded
	Others   int    `json:"others"`      // refusals, temperatures and scanned texts that were not recorded
	Rate     int    `json:"max_rate_hz"` // readings a second that are recorded on the long run
}

// Phrase says it.
func (f *Flood) Phrase() analysis.Phrase {
	return analysis.Say("event.flood", f.Gauge, f.Rate, f.Readings, f.Others)
}

// State says how the bore stands, for the operator.
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

// AtSpeed returns, for a check of the speeds, the speed of the reading that is due, its number at that speed, and the number of readings at each.
func (m *Master) AtSpeed() (speed Speed, no, of int) {
	of = m.Of / 2
	if n := len(m.Raw); n >= of {
		return Fast, min(n-of+1, of), of
	}
	return Slow, len(m.Raw) + 1, of
}
