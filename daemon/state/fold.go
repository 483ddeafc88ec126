package state

import (
	"maps"
	"slices"
	"sort"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/advise"
	"fairbore/analysis/master"
	"fairbore/daemon/event"
	"fairbore/daemon/people"
)

// Fold is the state of a station as its events tell it. The zero value is a station of which
// nothing is known. It holds what has happened; [Fold.Bore] works out what follows from that: sizes,
// state, advice.
type Fold struct {
	// MaxReadings is how many readings of a part are held before those of the oldest rounds are
	// forgotten; 0 holds all.
	MaxReadings int

	Station  string
	Last     time.Time             // of the newest event
	Settings *event.Settings       // in force; nil: the journal has none
	judgedBy *terms                // of the last verdict on the part in hand
	gauges   []event.GaugeSettings // of the part, each as it was last described, the newest last

	Job        *analysis.Job
	Lot        []*event.Verdict // the newest verdicts of the job, at most event.LotMost
	Part       *event.Part
	Parts      int                 // parts of the job begun here
	PartsBegun int                 // parts of any job begun here
	HandRate   *analysis.RatePrior // how much the rounds of the job before scattered
	Rounds     []event.Round
	Begun      time.Time      // when the part was begun
	RoundAt    time.Time      // when the round in hand began
	Verdict    *event.Verdict // the newest result of the part; nil: it is not finished
	// VerdictSeq is the number of that result in the journal, PartSeq that of the event that began the
	// part, 0 where only events were applied.
	VerdictSeq, PartSeq uint64

	// Readings are the readings of the part in order, including void ones. They belong to the
	// events and are never changed, so that several folds share them.
	Readings   []*event.Reading
	roundStart int                     // index in Readings where the round in hand begins
	Done       map[analysis.Place]bool // places that have a reading in the round in hand
	Voids      map[int]analysis.Phrase // reason by reading number
	Doubtful   map[int]bool            // by reading number: a failed check put it in doubt
	Doubted    bool                    // a check that failed after the verdict put its readings in doubt
	Asked      map[int]bool            // by reading number: unexpected, and not kept
	Refused    *event.Refusal          // the newest, until a reading is taken
	Chosen     *analysis.Place
	Staying    bool                    // at Chosen, for every reading
	Skipped    map[analysis.Place]bool // in the round in hand

	Master          *event.Master // the newest one done, nil if the station was never mastered
	MasterAt        time.Time
	GoodAt          time.Time        // time of the last good look at a ring: the mastering or a check since
	ReadingsSince   int              // readings since GoodAt
	GaugedSince     bool             // the part in hand has a reading since GoodAt
	PartsSince      []string         // serial numbers of the finished parts with a reading since GoodAt
	Failed          *event.ZeroCheck // the check that failed since the mastering
	FailedAt        time.Time
	LastReread      *event.Rereading       // the newest rereading of the ring since the mastering
	Knocked         analysis.Phrase        // what happened to the gauge since the mastering
	Running         *event.Master          // a mastering or check in progress; Raw has the ring readings so far
	RingRocked      []master.RockedReading // how the gauge was rocked for each value in Raw of Running
	Moved           float64                // by how many seconds the wall clock jumped since the mastering, without sign
	Warm            event.Warmth           // newest measured temperatures; that of the part within the round in hand
	WarmFrom        event.Source           // where Warm.Part comes from
	RingAtZero      *analysis.Temperature  // temperature of the ring at the mastering
	Cool            *event.CoolDown        // the cooling that is corrected for while the temperature of the part is not measured
	TakenWarm       map[int]bool           // by reading number: taken while the part was warmer by an unknown amount
	clockSteadyFrom int                    // index in Readings of the first one since the clock was set

	// Averaging is what the readings of AveragingOf, the gauge last used here, tell about how it
	// averages.
	Averaging   analysis.Averaging
	AveragingOf string

	Study   *event.Study // the newest of the station, in progress or not
	StudyAt time.Time    // time of its newest event

	Undo *Undo // of the newest action, nil if nothing takes it back

	Gauge      event.InstrumentState
	GaugeKnown bool                             // the gauge was seen or lost at least once
	Beside     map[string]event.InstrumentState // other instruments of the station, by name
	Spindle    bool                             // the spindle turns, as far as is known
	Flood      *event.Flood                     // the newest flood of the gauge
	FloodAt    time.Time
	Work       people.Work
	Dressed    bool // the stones were dressed or changed, and nothing was honed since

	// before is the state as it would be had the round in hand not begun, nil once something is gauged
	// in that round. Events apply to it too.
	before *Fold

	simulatedPart, simulatedZero bool // an event since the part was begun, the newest mastering, was simulated
}

// Simulated reports whether anything that the bore rests on was simulated: an event since the part
// was begun, or the mastering.
func (f *Fold) Simulated() bool { return f.simulatedPart || f.simulatedZero }

// MaxHeld is the usual [Fold.MaxReadings] of a running station. A part gauged by hand has some
// hundreds of readings. A gauge that keeps streaming into one part must not fill the memory, and
// there may be many stations. The journal keeps all readings.
const MaxHeld = 512

// maxRounds is how many rounds of a part such a station holds, with their readings. A part honed by
// hand has some ten to thirty. 64 stations that stream into plans of six places then hold 12 MiB
// less than with all rounds of 512 readings.
const maxRounds = 64

// prune forgets the oldest quarter of the readings or of the rounds if there are too many.
func (f *Fold) prune() {
	if f.MaxReadings <= 0 || len(f.Readings) <= f.MaxReadings && len(f.Rounds) <= maxRounds {
		return
	}
	from := 0
	if len(f.Readings) > f.MaxReadings {
		from = len(f.Readings) - f.MaxReadings*3/4
	}
	if n := len(f.Rounds); n > maxRounds {
		f.Rounds = slices.Clone(f.Rounds[n-maxRounds*3/4:])
		for from < len(f.Readings)-1 && f.Readings[from].Round < f.Rounds[0].Number {
			from++
		}
	}
	f.Readings = slices.Clone(f.Readings[from:])
	if len(f.Readings) == 0 {
		return
	}
	oldest := f.Readings[0].No
	maps.DeleteFunc(f.Voids, func(no int, _ analysis.Phrase) bool { return no < oldest })
	f.Work.Forget(oldest)
	for _, marked := range []map[int]bool{f.Doubtful, f.TakenWarm, f.Asked} {
		maps.DeleteFunc(marked, func(no int, _ bool) bool { return no < oldest })
	}
}

// Round returns the number of the round in hand, 0 before the first honing.
func (f *Fold) Round() int { return f.LatestRound().Number }

// Apply takes in the next event of the station. An event of a kind that does not matter here
// changes nothing.
func (f *Fold) Apply(e *event.Event) {
	f.applyBefore(e)
	f.Station, f.Last = e.Station, e.At
	f.applyOrigin(e)
	f.Undo = f.undoOf(e)
	switch e.Kind {
	case event.Configured:
		if e.Settings != nil { // what somebody else wrote may lack it
			f.Settings = e.Settings
			f.describe()
		}
	case event.JobChosen, event.PartBegun, event.RoundOver, event.RoundUndone, event.Placed, event.Judged, event.Superseded:
		f.applyPart(e)
	case event.Taken:
		f.takeReading(e.Reading)
		f.Work.Taken(e.Reading.No, e.Person)
	case event.PersonNamed:
		f.Work.Named(e, f.Readings)
	case event.Refused:
		f.Refused = e.Refused
	case event.Voided, event.Restored, event.Kept:
		f.applyVoid(e.Kind, e.Void)
	case event.Mastering, event.RingRead, event.Mastered:
		f.applyMastering(e)
	case event.Checked, event.SpeedsChecked, event.Reread:
		f.applyCheck(e)
	case event.Dressing:
		f.Dressed = true
	case event.Disturbed:
		f.Knocked = e.Noted()
	case event.Warmed:
		f.applyWarmth(e.Warm, e.Source)
	case event.Cooled:
		f.applyCooling(e.Cool)
	case event.Studied:
		if f.Study, f.StudyAt = e.Study, e.At; e.Study.Appraiser == "" {
			f.Chosen, f.Staying = nil, false // the plan continues
		}
	case event.GaugeSeen:
		f.instrumentSeen(e.Gauge)
	case event.SpindleSwitched:
		f.Spindle = e.Spindle.On
	case event.Flooded:
		f.Flood, f.FloodAt = e.Flood, e.At
	case event.ClockSet:
		f.Moved += max(e.Clock.Jump, -e.Clock.Jump)
		f.Cool, f.clockSteadyFrom = nil, len(f.Readings)
	}
}

// applyOrigin notes whether what the bore rests on was simulated.
func (f *Fold) applyOrigin(e *event.Event) {
	switch e.Kind {
	case event.JobChosen, event.PartBegun:
		f.simulatedPart = false
	case event.Mastered:
		f.simulatedZero = e.Simulated
	}
	f.simulatedPart = f.simulatedPart || e.Simulated
}

// ApplyRecord does the same for an event that is recorded.
func (f *Fold) ApplyRecord(r *event.Record) {
	f.Apply(&r.Event)
	switch {
	case r.Verdict != nil && r.Verdict == f.Verdict:
		f.VerdictSeq = r.Seq
	case r.Kind == event.PartBegun:
		f.PartSeq = r.Seq
	}
}

// Measured says who took the readings of the part in hand. There must be one.
func (f *Fold) Measured() *event.Measured {
	return &event.Measured{Job: f.Job.ID, SignOff: f.Job.SignOff, Took: f.Work.Took, Unnamed: f.Work.Unnamed}
}

// supersede takes in another result of a finished part. It is that of the part in hand, or of one
// before it.
func (f *Fold) supersede(v *event.Verdict) {
	if f.Verdict != nil && f.Part != nil && f.Part.Begun == v.Begun {
		f.Verdict = v
	}
	if i := slices.IndexFunc(f.Lot, func(of *event.Verdict) bool { return of.Begun == v.Begun }); i >= 0 {
		f.Lot = slices.Clone(f.Lot)
		f.Lot[i] = v
	}
}

// applyPart takes in what is on the machine: the job, the part, its rounds and places, its end.
func (f *Fold) applyPart(e *event.Event) {
	switch e.Kind {
	case event.JobChosen:
		if f.Part != nil {
			f.HandRate = advise.Elsewhere(f.Part.Rate)
		}
		f.Job, f.Parts, f.Lot = e.Job, 0, nil
		f.newPart(nil, e.At)
	case event.PartBegun:
		f.Parts, f.PartsBegun = e.Part.Count, e.Part.Begun
		f.newPart(e.Part, e.At)
	case event.RoundOver:
		f.Rounds = append(f.Rounds, *e.Round)
		f.RoundAt = e.At
		f.Chosen, f.Staying, f.Skipped = nil, false, nil
		f.prune()
		f.roundStart, f.clockSteadyFrom, f.Done = len(f.Readings), 0, nil
		f.forgetWarmth()
		f.Dressed = false
	case event.RoundUndone:
		if f.Undoable() && f.Round() == e.Round.Number {
			*f = *f.before
			f.Last = e.At
		}
	case event.Placed:
		f.applyPlace(e.Place)
	case event.Superseded:
		f.supersede(e.Verdict)
	case event.Judged:
		f.Verdict, f.judgedBy = e.Verdict, &terms{f.Settings, f.Warm}
		f.Lot = append(slices.Clone(f.Lot[max(0, len(f.Lot)+1-event.LotMost):]), e.Verdict)
		if f.GaugedSince { // what was gauged before the last good check of a ring is not in doubt
			f.PartsSince = append(slices.Clone(f.PartsSince), e.Verdict.Part)
		}
	}
}

// takeReading takes in a reading.
func (f *Fold) takeReading(r *event.Reading) {
	f.Readings = append(f.Readings, r)
	f.ReadingsSince++
	if r.Mastered > 0 {
		f.NoteRocking(r.Gauge, r.MotionSpread, r.MotionSlope)
	}
	f.GaugedSince = true
	if f.Failed != nil {
		f.mistrust(r.No)
	}
	f.Refused = nil
	delete(f.Skipped, r.Place)
	if r.Unexpected { // the place remains due
		if f.Asked == nil {
			f.Asked = map[int]bool{}
		}
		f.Asked[r.No] = true
		return
	}
	f.markDone(r)
	f.leaveChosen(r)
}

// applyVoid takes in that a reading is voided, counts again, or counts although it is unexpected.
func (f *Fold) applyVoid(kind event.Kind, v *event.Void) {
	if kind == event.Restored {
		delete(f.Voids, v.No)
		f.markAllDone()
		return
	}
	delete(f.Asked, v.No)
	if kind == event.Voided {
		if f.Voids == nil {
			f.Voids = map[int]analysis.Phrase{}
		}
		f.Voids[v.No] = v.Reason
		if c := f.Cool; c != nil && v.No >= c.First && v.No <= c.Last {
			f.Cool = nil
		}
	}
	f.markAllDone()
	if r := f.ReadingNo(v.No); r != nil && kind == event.Kept {
		f.leaveChosen(r)
	}
}

// applyMastering takes in the reading of a ring, and the zero that results.
func (f *Fold) applyMastering(e *event.Event) {
	switch e.Kind {
	case event.Mastering:
		f.Running, f.RingRocked = nil, nil
		if !e.Master.Broken {
			running := *e.Master // a copy that gathers the readings, since the event must not change
			f.Running = &running
		}
	case event.RingRead:
		r := e.Ring
		if f.Running != nil {
			if r.Restart {
				f.Running.Raw, f.RingRocked = nil, nil
			}
			f.RingRocked = append(slices.Clone(f.RingRocked), master.RockedReading{
				Size: r.Raw, U: r.U, Motion: r.Motion, Averaging: analysis.Averaging{Spread: r.MotionSpread, Slope: r.MotionSlope},
			})
			f.Running.Raw = append(slices.Clone(f.Running.Raw), r.Raw)
		}
		f.NoteRocking(r.Gauge, r.MotionSpread, r.MotionSlope)
	case event.Mastered:
		f.Master, f.MasterAt, f.Running, f.RingRocked = e.Master, e.At, nil, nil
		f.Failed, f.LastReread, f.Knocked, f.Moved, f.RingAtZero = nil, nil, analysis.Phrase{}, 0, f.Warm.Ring
		f.Cool = nil
		f.Averaging, f.AveragingOf = analysis.Averaging{}, e.Master.Gauge
		if a := e.Master.Averaging; a != nil {
			f.Averaging = *a
		}
		f.goodLook(e.At)
		if g := e.Master.BySecond(); g != nil { // only the first ring tells about the zero
			f.GoodAt, f.RingAtZero = g.ZeroAt, e.Master.RingAt
		}
		f.markAllDone()
	}
}

// applyCheck takes in the result of a check, which leaves the zero as it is.
func (f *Fold) applyCheck(e *event.Event) {
	f.Running, f.RingRocked = nil, nil
	switch c := e.ZeroCheck(); {
	case e.Kind == event.SpeedsChecked:
		f.NoteRocking(e.Speeds.Gauge, e.Speeds.Between.Spread, e.Speeds.Between.Slope)
		return
	case e.Kind == event.Reread:
		f.LastReread = e.Reread
		if c != nil {
			f.applyFailedCheck(c, e.At)
		}
	case c.Valid && c.Good:
		f.goodLook(e.At)
	case c.Valid:
		f.applyFailedCheck(c, e.At)
	}
}

// goodLook notes a good check of a ring.
func (f *Fold) goodLook(at time.Time) {
	f.GoodAt, f.ReadingsSince, f.PartsSince, f.GaugedSince = at, 0, nil, false
}

// instrumentSeen notes that an instrument was found or lost.
func (f *Fold) instrumentSeen(g *event.InstrumentState) {
	if !g.Beside {
		f.Gauge, f.GaugeKnown = *g, true
		return
	}
	if f.Beside == nil {
		f.Beside = map[string]event.InstrumentState{}
	}
	f.Beside[g.Name] = *g
}

// Instrument returns the newest state of an instrument.
func (f *Fold) Instrument(name string) (event.InstrumentState, bool) {
	if f.GaugeKnown && f.Gauge.Name == name {
		return f.Gauge, true
	}
	g, ok := f.Beside[name]
	return g, ok
}

func (f *Fold) applyWarmth(w *event.Warmth, source string) {
	if w.Part != nil {
		f.Warm.Part, f.WarmFrom, f.Cool = w.Part, event.ByEntry, nil
		if source == "gauge" {
			f.WarmFrom = event.BySensor
		}
	}
	if w.Ring != nil {
		f.Warm.Ring = w.Ring
	}
}

// forgetWarmth forgets the temperature of the part and where it came from.
func (f *Fold) forgetWarmth() { f.Warm.Part, f.WarmFrom, f.Cool = nil, "", nil }

// Standing returns what is known of the zero in use.
func (f *Fold) Standing() master.Standing {
	s := master.Standing{Mastered: f.Master != nil, Readings: f.ReadingsSince, Disturbed: f.Knocked, Then: f.RingAtZero, Now: f.Warm.Ring}
	s.LastGood.At = f.GoodAt
	if f.Master != nil {
		s.Ring = f.Master.Ring
	}
	if f.Failed != nil {
		s.Failed = &f.Failed.RingCheck
	}
	return s
}

// applyFailedCheck takes in a failed check: the readings of the part since the last good one are in
// doubt.
func (f *Fold) applyFailedCheck(c *event.ZeroCheck, at time.Time) {
	f.Failed, f.FailedAt, f.Cool = c, at, nil
	f.Doubted = f.Doubted || f.Verdict != nil && f.GaugedSince
	for _, r := range f.Readings {
		if r.At.After(f.GoodAt) {
			f.mistrust(r.No)
		}
	}
	f.markAllDone()
}

func (f *Fold) mistrust(no int) {
	if f.Doubtful == nil {
		f.Doubtful = map[int]bool{}
	}
	f.Doubtful[no] = true
}

func (f *Fold) newPart(p *event.Part, at time.Time) {
	f.Part, f.Begun, f.RoundAt = p, at, at
	f.Rounds, f.Readings, f.Voids, f.Doubtful, f.TakenWarm, f.Asked, f.roundStart, f.clockSteadyFrom, f.Done = nil, nil, nil, nil, nil, nil, 0, 0, nil
	f.Refused, f.Chosen, f.Skipped, f.Verdict, f.VerdictSeq, f.PartSeq = nil, nil, nil, nil, 0, 0
	f.Staying, f.GaugedSince, f.Doubted = false, false, false
	f.Work.NextPart()
	f.forgetWarmth()
	f.judgedBy, f.gauges = nil, nil
	f.describe()
}

// leaveChosen goes on to the next place once the chosen one was gauged.
func (f *Fold) leaveChosen(r *event.Reading) {
	if f.Chosen != nil && *f.Chosen == r.Place && !f.Staying {
		f.Chosen = nil
	}
}

func (f *Fold) applyPlace(c *event.Choice) {
	f.Staying = c.Stay
	if !c.Skip {
		f.Chosen = &c.Place
		delete(f.Skipped, c.Place)
		return
	}
	if f.Chosen != nil && *f.Chosen == c.Place {
		f.Chosen = nil
	}
	if f.Skipped == nil {
		f.Skipped = map[analysis.Place]bool{}
	}
	f.Skipped[c.Place] = true
}

// Counts reports whether a reading counts: it is sound, and the part was not warm by an unknown
// amount when it was taken.
func (f *Fold) Counts(r *event.Reading) bool { return f.sound(r) && !f.TakenWarm[r.No] }

// sound reports whether a reading is not void, was taken with a mastering, is not in doubt after a
// failed check, and has no open question.
func (f *Fold) sound(r *event.Reading) bool {
	_, void := f.Voids[r.No]
	return !void && r.Mastered > 0 && !f.Doubtful[r.No] && !f.Asked[r.No]
}

// NotCounted says why a reading of the part in hand does not count, zero if it counts. The code of a
// reading that another one at its place has replaced is [MeasuredAgain].
func (f *Fold) NotCounted(r *event.Reading) analysis.Phrase {
	why, void := f.Voids[r.No]
	switch {
	case void:
		return analysis.Say("uncounted.void", why)
	case r.Mastered == 0:
		return analysis.Say("uncounted.no_zero")
	case f.Doubtful[r.No]:
		return analysis.Say("uncounted.doubtful")
	case f.TakenWarm[r.No]:
		return analysis.Say("uncounted.warm")
	case f.Asked[r.No]:
		return analysis.Say("uncounted.asked")
	}
	if now := f.Current(r.Round)[r.Place]; now == nil || now.No != r.No {
		return analysis.Say(MeasuredAgain)
	}
	return analysis.Phrase{}
}

// MeasuredAgain is the code for a reading in whose place another one counts.
const MeasuredAgain = "uncounted.again"

// Current returns the reading that counts at each place in a round: the newest there.
func (f *Fold) Current(round int) map[analysis.Place]*event.Reading {
	now := map[analysis.Place]*event.Reading{}
	f.CurrentInto(round, now)
	return now
}

// CurrentInto fills an existing map with what [Fold.Current] returns.
func (f *Fold) CurrentInto(round int, now map[analysis.Place]*event.Reading) {
	for _, r := range f.During(round) {
		if f.Counts(r) {
			now[r.Place] = r
		}
	}
}

// During returns the readings of a round, including void ones. They lie together, since a part is
// gauged round by round.
func (f *Fold) During(round int) []*event.Reading {
	first := func(round int) int {
		return sort.Search(len(f.Readings), func(i int) bool { return f.Readings[i].Round >= round })
	}
	return f.Readings[first(round):first(round+1)]
}

// Due returns the place to gauge next: the chosen one, or else the first place of the plan that is
// not skipped and has no reading that counts. The place where the cooling of the part was watched
// comes last. It returns nil if the plan is complete or there is no job.
func (f *Fold) Due() *analysis.Place {
	if f.Job == nil {
		return nil
	}
	if f.Chosen != nil {
		return f.Chosen
	}
	var last *analysis.Place
	for _, d := range f.Job.Sections {
		for _, a := range f.Job.Orientations {
			p := analysis.Place{Depth: d, Angle: a}
			switch {
			case f.Done[p] || f.Skipped[p]:
			case f.Cool != nil && f.Cool.Place == p:
				last = &p
			default:
				return &p
			}
		}
	}
	return last
}

// markDone notes that the place of a reading that counts has one in the round in hand.
func (f *Fold) markDone(r *event.Reading) {
	if !f.Counts(r) {
		return
	}
	if f.Done == nil {
		f.Done = map[analysis.Place]bool{}
	}
	f.Done[r.Place] = true
}

// markAllDone works out again which places have a reading in the round in hand.
func (f *Fold) markAllDone() {
	f.Done = nil
	for _, r := range f.Readings[f.roundStart:] {
		f.markDone(r)
	}
}

// ReadingNo returns the reading of the part in hand with a number, nil if there is none or it was
// forgotten.
func (f *Fold) ReadingNo(no int) *event.Reading {
	i, found := slices.BinarySearchFunc(f.Readings, no, func(r *event.Reading, no int) int { return r.No - no })
	if !found {
		return nil
	}
	return f.Readings[i]
}

// Question returns the newest reading of the round in hand with an open question, at a place or,
// for nil, anywhere. It returns nil if there is none.
func (f *Fold) Question(p *analysis.Place) *event.Reading {
	if len(f.Asked) == 0 {
		return nil
	}
	for _, r := range slices.Backward(f.Readings[f.roundStart:]) {
		if f.Asked[r.No] && (p == nil || r.Place == *p) {
			return r
		}
	}
	return nil
}

// Newest returns the newest reading of the part that is not void, nil if there is none.
func (f *Fold) Newest() *event.Reading {
	for _, r := range slices.Backward(f.Readings) {
		if _, void := f.Voids[r.No]; !void {
			return r
		}
	}
	return nil
}

// LatestRound returns the round in hand.
func (f *Fold) LatestRound() event.Round {
	if n := len(f.Rounds); n > 0 {
		return f.Rounds[n-1]
	}
	return event.Round{}
}

// Gauging reports whether an appraiser is gauging for a study. Nothing may then lead one trial by
// the values of another.
func (f *Fold) Gauging() bool {
	return f.Study != nil && !f.Study.Over && f.Study.Appraiser != ""
}

// Shown returns what the gauge shows for a size, by zero and gain.
func (f *Fold) Shown(size analysis.Length) analysis.Length {
	c := f.Correction()
	if c == nil {
		return size
	}
	raw := size - c.Zero
	if got, err := c.Size(raw); err == nil {
		raw -= got - size
	}
	return raw
}
