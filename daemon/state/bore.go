package state

import (
	"maps"
	"slices"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/advise"
	"fairbore/analysis/form"
	"fairbore/analysis/master"
	"fairbore/analysis/uncertainty"
	"fairbore/analysis/verdict"
	"fairbore/daemon/event"
	"fairbore/daemon/people"
)

// Bore is everything that a display needs to draw a station. It is published as one retained
// message. Journal and Seq name the event that it is based on.
type Bore struct {
	Journal string    `json:"journal"`
	Seq     uint64    `json:"seq"`
	Station string    `json:"station"`
	At      time.Time `json:"at"`
	Now     Now       `json:"now"`
	// Simulated says that something in the bore was not measured, see [Fold.Simulated].
	Simulated bool `json:"simulated,omitempty"`
	// Undo takes the newest action back. Only the page at the machine offers it, so no message has it.
	Undo *Undo `json:"-"`

	Job      *analysis.Job   `json:"job,omitempty"`
	Part     *event.Part     `json:"part,omitempty"`
	Round    int             `json:"round"`
	Basis    int             `json:"basis"` // the round that the numbers below are from
	Rounds   []RoundSum      `json:"rounds,omitempty"`
	Places   []PlaceState    `json:"positions,omitempty"`
	Voids    []Struck        `json:"voids,omitempty"` // voided readings of the part, the newest first; at most voidsTold
	Next     *analysis.Place `json:"next,omitempty"`  // nil while something else is to be done first
	Complete bool            `json:"complete"`        // every place of the plan has a reading in this round

	State    event.State        `json:"state"`
	Why      analysis.Phrase    `json:"why,omitzero"`
	Sizes    *Sizes             `json:"sizes,omitempty"`
	ToLow    analysis.Deviation `json:"left_to_low_um"`    // stock to the low limit at the smallest place; 0 or less: there
	ToTarget analysis.Deviation `json:"left_to_target_um"` // stock to the target, mean of the profile
	Room     analysis.Deviation `json:"left_to_high_um"`   // to the high limit at the largest place; less than 0: over

	// U is the uncertainty of one size, and Budget how it is made up; nil until the gauge is
	// mastered and something is gauged.
	U      *uncertainty.Stated `json:"u,omitempty"`
	Budget *uncertainty.Budget `json:"budget,omitempty"`
	// Assumes is what U rests on that nobody stated or measured, and that matters.
	Assumes []event.Assumption `json:"assumes,omitempty"`
	// FormBudget is the budget of a form error, which is the difference of two sizes.
	FormBudget *uncertainty.Budget `json:"form_budget,omitempty"`
	// Form is the form of the bore in that round. Words describe it, the worst first.
	Form  *form.Result      `json:"form,omitempty"`
	Words []analysis.Phrase `json:"words,omitempty"`
	// Judged is the verdict by the decision rule, for the readings so far.
	Judged *verdict.Bore `json:"judged,omitempty"`
	// Advice is how to hone next, or why not. It is nil where Now rests on something else.
	Advice *advise.Advice `json:"advice,omitempty"`
	// Cooling is what repeated readings at one place tell about a warm part.
	Cooling *master.Cooling `json:"cooling,omitempty"`
	Warm    *event.Warmth   `json:"temperature,omitempty"`
	// WarmFrom says where the part's temperature in Warm comes from. If it comes from the cooling,
	// Cool says what is corrected.
	WarmFrom event.Source `json:"part_temperature_from,omitempty"`
	Cool     *CoolNow     `json:"cooldown,omitempty"`

	// Study is the gauge study under way.
	Study *StudyNow `json:"study,omitempty"`

	// Working says who works at the station; nil where the configuration names nobody.
	Working *people.Working `json:"working,omitempty"`

	Master    MasterState             `json:"master"`
	Gauge     *event.InstrumentState  `json:"gauge,omitempty"`
	Beside    []event.InstrumentState `json:"other_instruments,omitempty"` // other instruments of the station
	Spindle   bool                    `json:"spindle,omitempty"`           // the spindle turns, as far as is known
	Check     *event.ZeroCheck        `json:"check,omitempty"`             // the check that failed since the mastering
	Reread    *event.Rereading        `json:"reread,omitempty"`            // the newest rereading of the ring since the mastering
	Recording bool                    `json:"recording"`
	Warning   analysis.Phrase         `json:"warning,omitzero"` // about the record: reserve in use, not recording
	Verdict   *event.Verdict          `json:"result,omitempty"`
	// VerdictSeq is the number of the result in the journal, by which another one supersedes it.
	VerdictSeq uint64 `json:"result_seq,omitempty"`
	// PartSeq is the number in the journal of the event that began the part.
	PartSeq  uint64            `json:"part_seq,omitempty"`
	Last     *event.Reading    `json:"last,omitempty"`
	Refused  *event.Refusal    `json:"refused,omitempty"` // the newest, if it came after the last reading
	Cautions []analysis.Phrase `json:"cautions,omitempty"`
}

// Person returns the id of who works at the station, "" for nobody.
func (b *Bore) Person() string {
	if b.Working == nil {
		return ""
	}
	return b.Working.Person
}

// Shrinking reports whether the part will still shrink by more than is allowed without a correction
// for it. Its readings are then not its size.
func (b *Bore) Shrinking() bool { return b.Cool == nil && b.Cooling.Shrinking() }

// Sizes are the extreme local sizes of a round, and their mean.
type Sizes struct {
	Smallest  Local              `json:"smallest"`
	Largest   Local              `json:"largest"`
	Mean      analysis.Length    `json:"mean_mm"` // of the profile, for the trend only: no limit is judged by it
	Variation analysis.Deviation `json:"variation_um"`
	Readings  int                `json:"readings"`
}

// Local is a local size and its place.
type Local struct {
	analysis.Place
	Size analysis.Length `json:"size_mm"`
}

// PlaceState is the state of a planned place in the round in hand.
type PlaceState struct {
	analysis.Place
	// State is due, taken, skipped, void, asked or stale. Asked: its reading is unexpected and does
	// not count yet. Stale: its reading was taken without a mastering, or a failed check put it in
	// doubt, or the part was warmer by an unknown amount.
	State     string              `json:"state"`
	Size      *analysis.Length    `json:"size_mm,omitempty"`
	Deviation *analysis.Deviation `json:"deviation_um,omitempty"`
	No        int                 `json:"no,omitempty"`
	Earlier   *analysis.Length    `json:"earlier_mm,omitempty"` // in the round before
	// Superseded are sizes of this place in this round that were replaced by newer ones. Void are
	// those that were voided.
	Superseded []analysis.Length `json:"superseded_mm,omitempty"`
	Void       []analysis.Length `json:"void_mm,omitempty"`
	// Ask is a question about the reading here: was this the right place?
	Ask analysis.Phrase `json:"ask,omitzero"`
}

// voidsTold is the largest number of voided readings in a state.
const voidsTold = 20

// Struck is a voided reading.
type Struck struct {
	analysis.Place
	No     int             `json:"no"`
	Round  int             `json:"round"`
	Size   analysis.Length `json:"size_mm"`
	Reason analysis.Phrase `json:"reason"`
}

// RoundSum summarises a round.
type RoundSum struct {
	event.Round
	At       time.Time       `json:"at"`
	Smallest analysis.Length `json:"smallest_mm"`
	Largest  analysis.Length `json:"largest_mm"`
	Mean     analysis.Length `json:"mean_mm"`
	Readings int             `json:"readings"`
	Sections []SectionMean   `json:"sections"` // by depth
}

// SectionMean is the mean size of a section.
type SectionMean struct {
	Depth analysis.Length `json:"depth_mm"`
	Mean  analysis.Length `json:"mean_mm"`
	N     int             `json:"n"`
}

// MasterState says how well the zero is known.
type MasterState struct {
	OK     bool               `json:"ok"`
	Why    analysis.Phrase    `json:"why,omitzero"` // why not
	Ring   string             `json:"ring,omitempty"`
	At     *time.Time         `json:"at,omitempty"`
	Since  int                `json:"readings_since"`
	Spread analysis.Deviation `json:"spread_um"`
	Zero   analysis.Deviation `json:"zero_um"`
	Gain   float64            `json:"gain,omitempty"` // with which sizes are corrected, absent if it is 1
	// CheckDue says why the zero must be checked before the bore, which is in size, can be
	// accepted. It is empty if the last check of the ring is recent enough.
	CheckDue analysis.Phrase `json:"check_due,omitzero"`
	// CheckAfter asks for a check of the ring after the part in hand was accepted: the verdict is
	// final once that check is good. Doubted says that such a check failed, so that the readings
	// behind the verdict are in doubt.
	CheckAfter analysis.Phrase `json:"check_after,omitzero"`
	Doubted    bool            `json:"result_in_doubt,omitempty"`
	// Running is a mastering in progress.
	Running *event.Master `json:"running,omitempty"`
}

// Bore works out the state of the bore at a moment from the events so far.
func (f *Fold) Bore(set *Settings, now time.Time) *Bore {
	b := &Bore{
		Station: f.Station, At: now, Simulated: f.Simulated(), Job: f.Job, Part: f.Part, Round: f.Round(), Basis: f.Round(),
		Recording: true, Undo: f.Undo, Verdict: f.Verdict, VerdictSeq: f.VerdictSeq, PartSeq: f.PartSeq, Last: f.Newest(), Refused: f.Refused,
	}
	if f.GaugeKnown {
		g := f.Gauge
		b.Gauge = &g
	}
	for _, name := range slices.Sorted(maps.Keys(f.Beside)) {
		b.Beside = append(b.Beside, f.Beside[name])
	}
	b.Spindle = f.Spindle
	if f.Warm != (event.Warmth{}) {
		w := f.Warm
		b.Warm = &w
	}
	if b.Cool = f.coolNow(now); b.Cool != nil {
		b.WarmFrom = event.ByCooling
	} else {
		b.WarmFrom = f.WarmFrom
	}
	b.Check, b.Reread = f.Failed, f.LastReread
	b.Study = f.StudyNow()
	b.Working = f.Work.Working(set.People, now)
	f.masterState(b, set, now)
	if f.Job != nil {
		f.bore(b, set)
	}
	b.State, b.Why = f.state(b)
	if b.State == event.InSize && f.Verdict == nil {
		if due := master.Lapse(set.Master.Lapse).BeforeAccept(f.Standing(), now); due != nil {
			b.Master.CheckDue = due.Phrase
		}
	}
	f.checkAfterVerdict(b)
	b.Now = f.now(b, set)
	if !b.Now.Is.Measuring() {
		b.Next = nil
	}
	b.Cautions = append(append(f.cautions(b), f.calibrations(set, now)...), f.smoothing(set, b)...)
	if f.Flood != nil && now.Sub(f.FloodAt) < floodShown {
		b.Cautions = append(b.Cautions, analysis.Say("caution.flood", f.Flood.Gauge, f.Flood.Rate))
	}
	if b.Study != nil {
		b.Cautions = append(b.Cautions, b.Study.caution())
	}
	return b
}

// floodShown is how long a flood is told after its newest event.
const floodShown = time.Minute

// checkAfterVerdict says what the checks of the ring after the verdict tell about it.
func (f *Fold) checkAfterVerdict(b *Bore) {
	if f.Verdict == nil {
		return
	}
	b.Master.Doubted = f.Doubted
	if !f.Verdict.Passes() || b.Master.Doubted || !f.GaugedSince {
		return
	}
	if due := master.AfterAccept(f.Standing(), f.Verdict.Part, len(f.PartsSince)); due != nil {
		b.Master.CheckAfter = due.Phrase
	}
}

func (f *Fold) masterState(b *Bore, set *Settings, now time.Time) {
	why := set.Lapsed(f, now)
	b.Master = MasterState{OK: why.IsZero(), Why: why, Since: f.ReadingsSince}
	if f.Running != nil {
		running := *f.Running // a copy, since Running goes on gathering readings
		b.Master.Running = &running
	}
	if m := f.Master; m != nil {
		at := f.MasterAt
		b.Master.Ring, b.Master.At, b.Master.Spread, b.Master.Zero = m.Ring.ID, &at, m.Spread, m.Zero
		if m.Gain.Used() {
			b.Master.Gain = m.Gain.Ratio
		}
	}
}

func (f *Fold) bore(b *Bore, set *Settings) {
	if f.Verdict == nil {
		b.Next = f.Due()
	}
	now := f.Current(b.Round)
	b.Complete = true
	for _, p := range f.Job.Plan() {
		b.Complete = b.Complete && now[p] != nil
	}
	if len(now) == 0 && b.Round > 0 { // honed since then; the figures are of the round before
		b.Basis = b.Round - 1
	}
	f.rounds(b)
	f.places(b, now)
	for _, r := range slices.Backward(f.Readings) {
		if why, void := f.Voids[r.No]; void && len(b.Voids) < voidsTold {
			b.Voids = append(b.Voids, Struck{r.Place, r.No, r.Round, r.Size, why})
		}
	}
	if readings := f.numbers(b, f.Current(b.Basis)); readings != nil {
		f.judgement(b, set, readings)
	}
	b.Cooling = f.cooling(set)
}

func (f *Fold) places(b *Bore, now map[analysis.Place]*event.Reading) {
	var before map[analysis.Place]*event.Reading
	if b.Round > 0 {
		before = f.Current(b.Round - 1)
	}
	void, old := map[analysis.Place][]analysis.Length{}, map[analysis.Place][]analysis.Length{}
	stale, asked := map[analysis.Place]*event.Reading{}, map[analysis.Place]*event.Reading{}
	for _, r := range f.Readings[f.roundStart:] {
		if _, v := f.Voids[r.No]; v {
			void[r.Place] = append(void[r.Place], r.Size)
		} else if f.Asked[r.No] {
			asked[r.Place] = r
		} else if !f.Counts(r) {
			stale[r.Place] = r
		} else if now[r.Place] != r {
			old[r.Place] = append(old[r.Place], r.Size)
		}
	}
	for _, p := range f.Job.Plan() {
		s := PlaceState{Place: p, State: "due", Superseded: old[p], Void: void[p]}
		r := now[p]
		switch {
		case asked[p] != nil:
			r, s.State = asked[p], "asked"
		case r != nil:
			s.State = "taken"
		case stale[p] != nil:
			r, s.State = stale[p], "stale"
		case f.Skipped[p]:
			s.State = "skipped"
		case void[p] != nil:
			s.State = "void"
		}
		if r != nil {
			s.Size, s.Deviation, s.No = &r.Size, &r.Deviation, r.No
			if !r.Unexpected || f.Asked[r.No] { // else a person has answered
				s.Ask = r.Ask
			}
		}
		if e := before[p]; e != nil {
			s.Earlier = &e.Size
		}
		b.Places = append(b.Places, s)
	}
}

// numbers works out the figures that the operator uses. It returns the readings that they are based
// on, in the order of the plan.
func (f *Fold) numbers(b *Bore, now map[analysis.Place]*event.Reading) []analysis.Reading {
	if len(now) == 0 {
		return nil
	}
	z := &Sizes{Readings: len(now)}
	readings := make([]analysis.Reading, 0, len(now))
	for _, p := range f.Job.Plan() {
		r := now[p]
		if r == nil {
			continue
		}
		readings = append(readings, r.Reading)
		if z.Smallest.Size == 0 || r.Size < z.Smallest.Size {
			z.Smallest = Local{p, r.Size}
		}
		if r.Size > z.Largest.Size {
			z.Largest = Local{p, r.Size}
		}
	}
	z.Mean = meanLength(f.profile(now))
	z.Variation = analysis.Deviation(z.Largest.Size - z.Smallest.Size)
	b.Sizes = z
	b.ToLow = analysis.Deviation(f.Job.Low - z.Smallest.Size)
	b.ToTarget = analysis.Deviation(f.Job.Target - z.Mean)
	b.Room = analysis.Deviation(f.Job.High - z.Largest.Size)
	return readings
}

// state returns the state of the bore. What is not known comes before what is.
func (f *Fold) state(b *Bore) (event.State, analysis.Phrase) {
	switch {
	case f.Running != nil && b.Master.OK: // a zero that holds is only checked
		return event.CannotJudge, readRing(f.Running)
	case f.Running != nil:
		return event.NotMastered, readRing(f.Running)
	case f.Job == nil:
		return event.CannotJudge, analysis.Say("bore.choose_job")
	case !b.Master.OK:
		return event.NotMastered, b.Master.Why
	case f.GaugeKnown && f.Gauge.Lost:
		return event.CannotJudge, gaugeLost(&f.Gauge)
	case b.Sizes == nil:
		return event.CannotJudge, analysis.Say("bore.nothing")
	case b.Judged != nil && b.Judged.State == verdict.Over: // whatever was done since, metal can't be put back
		return event.Over, b.Judged.Sentence
	case b.Basis != b.Round:
		return event.CannotJudge, analysis.Say("bore.honed_since")
	case b.Judged == nil:
		return event.CannotJudge, analysis.Say("bore.no_u")
	}
	v := b.Judged
	if v.State == verdict.CannotJudge && len(v.Invalid) == 0 && len(v.Missing) > 0 {
		return event.CannotJudge, analysis.Say("bore.missing", len(v.Missing))
	}
	return event.State(v.State), v.Sentence
}

// calibrations says which calibrations of the gauge and the ring in use are due soon or overdue.
func (f *Fold) calibrations(set *Settings, now time.Time) (out []analysis.Phrase) {
	l := master.Lapse(set.Master.Lapse)
	reasons := l.GaugeReasons(set.Gauge.Name, set.Gauge.Due, now)
	if f.Master != nil {
		reasons = append(reasons, l.Reasons(f.Standing(), now)...)
	}
	for _, r := range reasons {
		if !r.Stops { // the state itself says what stops the work
			out = append(out, r.Phrase)
		}
	}
	return out
}

// cautions returns the cautions that matter now (common practice; the machine's manual and the
// rules of the shop come first).
func (f *Fold) cautions(b *Bore) []analysis.Phrase {
	if f.Job == nil || f.Verdict != nil {
		return nil
	}
	c := []analysis.Phrase{analysis.Say(advise.StopSpindle)}
	switch {
	case b.Advice != nil:
		for _, more := range b.Advice.Cautions {
			if more.Code != advise.StopSpindle {
				c = append(c, more)
			}
		}
		return c
	case b.Now.Is == TooWarm:
		c = append(c, analysis.Say("caution.hot"))
	}
	return append(c, analysis.Say("caution.you_decide"))
}

// gaugeLost says that the gauge is lost, and why if that is known.
func gaugeLost(g *event.InstrumentState) analysis.Phrase {
	if g.Why.IsZero() {
		return analysis.Say("bore.gauge_lost")
	}
	return analysis.Say("bore.gauge_lost_because", g.Why)
}

// readRing says which reading of the ring is due, and why it is read again.
func readRing(m *event.Master) analysis.Phrase {
	if m.Speeds {
		speed, no, of := m.AtSpeed()
		return analysis.Say("bore.rock_ring."+string(speed), m.Ring.ID, no, of)
	}
	if m.Why.IsZero() {
		return analysis.Say("bore.read_ring", m.Ring.ID, len(m.Raw), m.Of)
	}
	return analysis.Say("bore.read_ring_again", m.Ring.ID, len(m.Raw), m.Of, m.Why)
}
