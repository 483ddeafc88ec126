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
)

// Fold is the state of a station as its events tell it. The zero value is a
// station of which nothing is known. It holds what has happened; what follows
// from that (sizes, state, advice) is worked out by [Fold.Bore].
type Fold struct {
	// Most is how many readings of a part are held before those of the oldest
	// rounds are forgotten; 0 holds all.
	Most int

	Station string
	Last    time.Time // of the newest event

	Job     *analysis.Job
	Lot     []*event.Verdict // the newest of the job, at most event.LotMost
	Part    *event.Part
	Parts   int                 // begun of this job
	Hand    *analysis.RatePrior // what was learnt of the hand in the job before
	Rounds  []event.Round
	Begun   time.Time // of the part
	RoundAt time.Time // when the round in hand began
	Verdict *event.Verdict

	// Readings are those of the part, in order, void ones included. They belong to
	// the events and are never changed, so that several folds share them.
	Readings []*event.Reading
	begin    int                     // index in Readings of the round in hand
	Done     map[analysis.Place]bool // where a reading of the round in hand stands
	Voids    map[int]analysis.Phrase // reason by reading number
	Doubtful map[int]bool            // by reading number: a check that failed has put it in doubt
	Doubted  bool                    // one that failed after the verdict has put what that rests on in doubt
	Asked    map[int]bool            // by reading number: surprising, and not kept
	Refused  *event.Refusal          // the newest, until a reading is taken
	Chosen   *analysis.Place
	Staying  bool                    // at Chosen, reading after reading
	Skipped  map[analysis.Place]bool // in the round in hand

	Master   *event.Master // the newest done, nil if the station was never mastered
	MasterAt time.Time
	GoodAt   time.Time        // of the last good look at a ring: that mastering or a check since
	Since    int              // readings since then
	Gauged   bool             // the part in hand has a reading since then
	Ended    []string         // serial numbers of the finished parts with a reading since then
	Failed   *event.ZeroCheck // the check that failed since the mastering
	FailedAt time.Time
	Again    *event.Rereading       // the newest re-reading of the ring since the mastering
	Knocked  analysis.Phrase        // what happened to the gauge since the mastering
	Running  *event.Master          // a mastering or check in progress: Raw holds the ring readings so far
	Rocked   []master.RockedReading // what Raw of Running was taken from, in step with it
	Moved    float64                // seconds the wall clock jumped since mastering, summed without sign
	Warm     event.Warmth           // temperatures as last measured; the part's only of the round in hand
	WarmFrom event.Source           // of Warm.Part
	RingThen *analysis.Temperature  // of the ring, at the mastering
	Cool     *event.CoolDown        // what the part's warmth is taken from while that is not measured
	Warmer   map[int]bool           // by reading number: taken off a part warm by what was not known
	steady   int                    // index in Readings since when the clock was not set

	// Averaging is what the readings of AveragingOf, the gauge that hung here last, tell
	// of how it averages.
	Averaging   analysis.Averaging
	AveragingOf string

	Study   *event.Study // the newest of the station, over or not
	StudyAt time.Time    // of its newest event

	Gauge   event.Gauge
	Known   bool                   // a gauge event has been seen
	Beside  map[string]event.Gauge // other instruments of the station, by name
	Spindle bool                   // it turns, as far as is known
	Dressed bool                   // the stones were dressed or changed, and nothing was honed since
}

// Held is the usual [Fold.Most] of a station that runs. A part by hand has some
// hundreds of readings; a gauge left streaming into one part must not grow the
// memory, and there may be many stations. The journal keeps them all.
const Held = 512

// prune forgets the oldest quarter.
func (f *Fold) prune() {
	if f.Most <= 0 || len(f.Readings) <= f.Most {
		return
	}
	f.Readings = slices.Clone(f.Readings[len(f.Readings)-f.Most*3/4:])
	f.Rounds = slices.Clone(f.Rounds[max(0, len(f.Rounds)-f.Most*3/4):])
	oldest := f.Readings[0].No
	maps.DeleteFunc(f.Voids, func(no int, _ analysis.Phrase) bool { return no < oldest })
	maps.DeleteFunc(f.Doubtful, func(no int, _ bool) bool { return no < oldest })
	maps.DeleteFunc(f.Warmer, func(no int, _ bool) bool { return no < oldest })
	maps.DeleteFunc(f.Asked, func(no int, _ bool) bool { return no < oldest })
}

// Round returns the number of the round in hand, 0 before the first honing.
func (f *Fold) Round() int {
	if len(f.Rounds) == 0 {
		return 0
	}
	return f.Rounds[len(f.Rounds)-1].Number
}

// Apply takes the next event of the station in. Events of other stations and of
// kinds it need not know change nothing.
func (f *Fold) Apply(e *event.Event) {
	f.Station, f.Last = e.Station, e.At
	switch e.Kind {
	case event.JobChosen, event.PartBegun, event.RoundOver, event.Placed, event.Judged:
		f.applyPart(e)
	case event.Taken:
		f.take(e.Reading)
	case event.Refused:
		f.Refused = e.Refused
	case event.Voided, event.Restored, event.Kept:
		f.applyVoid(e.Kind, e.Void)
	case event.Mastering, event.RingRead, event.Mastered:
		f.applyMastering(e)
	case event.Checked, event.Sped, event.Reread:
		f.applyCheck(e)
	case event.Dressing:
		f.Dressed = true
	case event.Disturbed:
		f.Knocked = e.Noted()
	case event.Warmed:
		f.warm(e.Warm, e.Source)
	case event.Cooled:
		f.cool(e.Cool)
	case event.Studied:
		if f.Study, f.StudyAt = e.Study, e.At; e.Study.Appraiser == "" {
			f.Chosen, f.Staying = nil, false // the plan goes on
		}
	case event.GaugeSeen:
		f.seen(e.Gauge)
	case event.Turning:
		f.Spindle = e.Spindle.On
	case event.ClockSet:
		f.Moved += max(e.Clock.Jump, -e.Clock.Jump)
		f.Cool, f.steady = nil, len(f.Readings)
	}
}

// applyPart takes in what is on the machine: the job, the part, its rounds and places, its end.
func (f *Fold) applyPart(e *event.Event) {
	switch e.Kind {
	case event.JobChosen:
		if f.Part != nil {
			f.Hand = advise.Elsewhere(f.Part.Rate)
		}
		f.Job, f.Parts, f.Lot = e.Job, 0, nil
		f.newPart(nil, e.At)
	case event.PartBegun:
		f.Parts = e.Part.Count
		f.newPart(e.Part, e.At)
	case event.RoundOver:
		f.Rounds = append(f.Rounds, *e.Round)
		f.RoundAt = e.At
		f.Chosen, f.Staying, f.Skipped = nil, false, nil
		f.prune()
		f.begin, f.steady, f.Done = len(f.Readings), 0, nil
		f.forgetWarmth()
		f.Dressed = false
	case event.Placed:
		f.place(e.Place)
	case event.Judged:
		f.Verdict = e.Verdict
		f.Lot = append(slices.Clone(f.Lot[max(0, len(f.Lot)+1-event.LotMost):]), e.Verdict)
		if f.Gauged { // what was gauged before the last good look at a ring is not in doubt
			f.Ended = append(slices.Clone(f.Ended), e.Verdict.Part)
		}
	}
}

// take takes a reading in.
func (f *Fold) take(r *event.Reading) {
	f.Readings = append(f.Readings, r)
	f.Since++
	if r.Mastered > 0 {
		f.NoteRocking(r.Gauge, r.MotionSpread, r.MotionSlope)
	}
	f.Gauged = true
	if f.Failed != nil {
		f.mistrust(r.No)
	}
	f.Refused = nil
	delete(f.Skipped, r.Place)
	if r.Surprising { // the place stays due
		if f.Asked == nil {
			f.Asked = map[int]bool{}
		}
		f.Asked[r.No] = true
		return
	}
	f.stand(r)
	f.chosen(r)
}

// applyVoid takes in that a reading is struck out, or counts again, or counts although it
// is surprising.
func (f *Fold) applyVoid(kind event.Kind, v *event.Void) {
	if kind == event.Restored {
		delete(f.Voids, v.No)
		f.stands()
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
	f.stands()
	if r := f.ReadingNo(v.No); r != nil && kind == event.Kept {
		f.chosen(r)
	}
}

// applyMastering takes in how a ring is read, and the zero that comes of it.
func (f *Fold) applyMastering(e *event.Event) {
	switch e.Kind {
	case event.Mastering:
		f.Running, f.Rocked = nil, nil
		if !e.Master.Broken {
			running := *e.Master // its readings are gathered here; the event stays as it is
			f.Running = &running
		}
	case event.RingRead:
		r := e.Ring
		if f.Running != nil {
			if r.Restart {
				f.Running.Raw, f.Rocked = nil, nil
			}
			f.Rocked = append(slices.Clone(f.Rocked), master.RockedReading{
				Size: r.Raw, U: r.U, Motion: r.Motion, Averaging: analysis.Averaging{Spread: r.MotionSpread, Slope: r.MotionSlope},
			})
			f.Running.Raw = append(slices.Clone(f.Running.Raw), r.Raw)
		}
		f.NoteRocking(r.Gauge, r.MotionSpread, r.MotionSlope)
	case event.Mastered:
		f.Master, f.MasterAt, f.Running, f.Rocked = e.Master, e.At, nil, nil
		f.Failed, f.Again, f.Knocked, f.Moved, f.RingThen = nil, nil, analysis.Phrase{}, 0, f.Warm.Ring
		f.Cool = nil
		f.Averaging, f.AveragingOf = analysis.Averaging{}, e.Master.Gauge
		if a := e.Master.Averaging; a != nil {
			f.Averaging = *a
		}
		f.look(e.At)
		if g := e.Master.BySecond(); g != nil { // only the first ring tells of the zero
			f.GoodAt, f.RingThen = g.ZeroAt, e.Master.RingAt
		}
		f.stands()
	}
}

// applyCheck takes in what a look at a ring came to that leaves the zero as it is.
func (f *Fold) applyCheck(e *event.Event) {
	f.Running, f.Rocked = nil, nil
	switch c := e.ZeroCheck(); {
	case e.Kind == event.Sped:
		f.NoteRocking(e.Speeds.Gauge, e.Speeds.Between.Spread, e.Speeds.Between.Slope)
		return
	case e.Kind == event.Reread:
		f.Again = e.Reread
		if c != nil {
			f.failed(c, e.At)
		}
	case c.Valid && c.Good:
		f.look(e.At)
	case c.Valid:
		f.failed(c, e.At)
	}
}

// look notes a good look at a ring.
func (f *Fold) look(at time.Time) {
	f.GoodAt, f.Since, f.Ended, f.Gauged = at, 0, nil, false
}

// seen notes that an instrument was found or lost.
func (f *Fold) seen(g *event.Gauge) {
	if !g.Beside {
		f.Gauge, f.Known = *g, true
		return
	}
	if f.Beside == nil {
		f.Beside = map[string]event.Gauge{}
	}
	f.Beside[g.Name] = *g
}

// Instrument returns what was told last of an instrument.
func (f *Fold) Instrument(name string) (event.Gauge, bool) {
	if f.Known && f.Gauge.Name == name {
		return f.Gauge, true
	}
	g, ok := f.Beside[name]
	return g, ok
}

func (f *Fold) warm(w *event.Warmth, source string) {
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

// forgetWarmth forgets how warm the part is, and where that came from.
func (f *Fold) forgetWarmth() { f.Warm.Part, f.WarmFrom, f.Cool = nil, "", nil }

// Standing is what is known of the zero in use.
func (f *Fold) Standing() master.Standing {
	s := master.Standing{Mastered: f.Master != nil, Readings: f.Since, Disturbed: f.Knocked, Then: f.RingThen, Now: f.Warm.Ring}
	s.LastGood.At = f.GoodAt
	if f.Master != nil {
		s.Ring = f.Master.Ring
	}
	if f.Failed != nil {
		s.Failed = &f.Failed.RingCheck
	}
	return s
}

// failed takes in that a check did not find the zero as it must be: the readings of the
// part since the last good look are in doubt.
func (f *Fold) failed(c *event.ZeroCheck, at time.Time) {
	f.Failed, f.FailedAt, f.Cool = c, at, nil
	f.Doubted = f.Doubted || f.Verdict != nil && f.Gauged
	for _, r := range f.Readings {
		if r.At.After(f.GoodAt) {
			f.mistrust(r.No)
		}
	}
	f.stands()
}

func (f *Fold) mistrust(no int) {
	if f.Doubtful == nil {
		f.Doubtful = map[int]bool{}
	}
	f.Doubtful[no] = true
}

func (f *Fold) newPart(p *event.Part, at time.Time) {
	f.Part, f.Begun, f.RoundAt = p, at, at
	f.Rounds, f.Readings, f.Voids, f.Doubtful, f.Warmer, f.Asked, f.begin, f.steady, f.Done = nil, nil, nil, nil, nil, nil, 0, 0, nil
	f.Refused, f.Chosen, f.Skipped, f.Verdict = nil, nil, nil, nil
	f.Staying, f.Gauged, f.Doubted = false, false, false
	f.forgetWarmth()
}

// chosen goes on to the next place where the one chosen was gauged.
func (f *Fold) chosen(r *event.Reading) {
	if f.Chosen != nil && *f.Chosen == r.Place && !f.Staying {
		f.Chosen = nil
	}
}

func (f *Fold) place(c *event.Choice) {
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

// Counts reports whether a reading counts: it is sound, and was not taken off a part
// that was warm by what was not known.
func (f *Fold) Counts(r *event.Reading) bool { return f.sound(r) && !f.Warmer[r.No] }

// sound reports whether a reading is not void, rests on a mastering, no failed check
// has put it in doubt, and nothing is asked about it.
func (f *Fold) sound(r *event.Reading) bool {
	_, void := f.Voids[r.No]
	return !void && r.Mastered > 0 && !f.Doubtful[r.No] && !f.Asked[r.No]
}

// Current returns the reading that counts at each place in a round, the newest
// there.
func (f *Fold) Current(round int) map[analysis.Place]*event.Reading {
	now := map[analysis.Place]*event.Reading{}
	f.CurrentInto(round, now)
	return now
}

// CurrentInto is Current into a map that is there.
func (f *Fold) CurrentInto(round int, now map[analysis.Place]*event.Reading) {
	for _, r := range f.During(round) {
		if f.Counts(r) {
			now[r.Place] = r
		}
	}
}

// During returns the readings of a round, void ones included. A part is gauged
// round by round, so they lie together.
func (f *Fold) During(round int) []*event.Reading {
	first := func(round int) int {
		return sort.Search(len(f.Readings), func(i int) bool { return f.Readings[i].Round >= round })
	}
	return f.Readings[first(round):first(round+1)]
}

// Due returns the place to gauge next: the one chosen, else the first of the
// plan that has no reading that counts and is not skipped, the place where the part was
// watched as it cooled last; nil if the plan is complete or there is no job.
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

// stand notes where a reading of the round in hand stands. Without a mastering one
// that was taken without it stands too, so that the plan goes on.
func (f *Fold) stand(r *event.Reading) {
	if _, void := f.Voids[r.No]; !f.Counts(r) && (void || f.Master != nil) {
		return
	}
	if f.Done == nil {
		f.Done = map[analysis.Place]bool{}
	}
	f.Done[r.Place] = true
}

// stands works out anew where the readings of the round in hand stand.
func (f *Fold) stands() {
	f.Done = nil
	for _, r := range f.Readings[f.begin:] {
		f.stand(r)
	}
}

// ReadingNo returns that of a number of the part in hand, nil if it is none or forgotten.
func (f *Fold) ReadingNo(no int) *event.Reading {
	i, found := slices.BinarySearchFunc(f.Readings, no, func(r *event.Reading, no int) int { return r.No - no })
	if !found {
		return nil
	}
	return f.Readings[i]
}

// Question returns the newest reading of the round in hand that is asked about, at a
// place or (nil) anywhere; nil if none is.
func (f *Fold) Question(p *analysis.Place) *event.Reading {
	if len(f.Asked) == 0 {
		return nil
	}
	for _, r := range slices.Backward(f.Readings[f.begin:]) {
		if f.Asked[r.No] && (p == nil || r.Place == *p) {
			return r
		}
	}
	return nil
}

// Newest returns the newest reading of the part that is not void, nil if none.
func (f *Fold) Newest() *event.Reading {
	for i := len(f.Readings) - 1; i >= 0; i-- {
		if _, void := f.Voids[f.Readings[i].No]; !void {
			return f.Readings[i]
		}
	}
	return nil
}

// LatestRound is the round in hand.
func (f *Fold) LatestRound() event.Round {
	if n := len(f.Rounds); n > 0 {
		return f.Rounds[n-1]
	}
	return event.Round{}
}

// Gauging reports whether an appraiser gauges for a study: no trial is to be led by another.
func (f *Fold) Gauging() bool {
	return f.Study != nil && !f.Study.Over && f.Study.Appraiser != ""
}

// Shown is what the gauge shows of a size, by zero and gain.
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
