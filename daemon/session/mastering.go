package session

import (
	"maps"
	"math"
	"slices"
	"strings"

	"fairbore/analysis"
	"fairbore/analysis/master"
	"fairbore/daemon/event"
)

// ringReach is how far a ring may be from the job's target before the program asks whether it is
// the right ring (common practice: near the size, the error of the gauge's own scale does not
// matter).
const ringReach = analysis.Length(100 * analysis.Micrometre)

// gaugeTravel is how far a gauge that shows sizes may be from the size of a ring before its first
// mastering. A larger difference means another ring or a wrong unit.
const gaugeTravel = analysis.Length(500 * analysis.Micrometre)

// beginMastering begins reading a ring, to set the zero or, for a check, only to see whether the
// zero still holds.
func (s *Session) beginMastering(a event.Action) error {
	ring, err := s.ringToRead(a)
	if err != nil {
		return err
	}
	if !a.Confirm {
		if err := s.oddRing(a, ring); err != nil {
			return err
		}
	}
	of, err := s.ringReadings(a.Of)
	if err != nil {
		return err
	}
	if a.Gain {
		if err := s.canGain(ring, of); err != nil {
			return err
		}
	}
	s.capture.reset()
	s.emit(event.Event{Kind: event.Mastering, Master: &event.Master{Ring: *ring, Gauge: s.set.Gauge.Name, Of: of, Check: a.Do == "check", Second: a.Gain}})
	return nil
}

// ringToRead returns the ring that an action names, or else the job's ring.
func (s *Session) ringToRead(a event.Action) (*analysis.Ring, error) {
	f, id := &s.fold, a.Ring
	if id == "" && f.Job != nil {
		id = f.Job.Ring
	}
	ring, ok := s.set.Rings[id]
	rings := strings.Join(slices.Sorted(maps.Keys(s.set.Rings)), ", ")
	switch check := a.Do == "check"; {
	case a.Gain && a.Ring == "":
		return nil, analysis.Say("action.gain.name_ring")
	case id == "":
		return nil, analysis.Say("action.name_ring", rings)
	case !ok:
		return nil, analysis.Say("action.no_ring", id, rings)
	case check && f.Master == nil:
		return nil, analysis.Say("action.check.no_zero")
	case check && a.Gain:
		return nil, analysis.Say("action.gain.check")
	}
	return ring, nil
}

// oddRing asks whether the ring is meant, if it may be the wrong one. It returns nil for an
// ordinary ring.
func (s *Session) oddRing(a event.Action, ring *analysis.Ring) error {
	job := s.fold.Job
	switch {
	case analysis.Overdue(ring.Due, s.now.Wall):
		return ask("ask.ring_overdue", ring.ID, analysis.Day(ring.Due))
	case job == nil || a.Gain:
		return nil
	case a.Do == "master" && job.Ring != ring.ID:
		return ask("ask.other_ring", job.ID, job.Ring, ring.ID)
	case (ring.Size - job.Target).Abs() > ringReach:
		return ask("ask.ring_far", ring.ID, (ring.Size - job.Target).Abs())
	}
	return nil
}

// ringReadings returns how many readings of a ring to take. of is the number that a person asked
// for, 0 for the usual one.
func (s *Session) ringReadings(of int) (int, error) {
	switch usual := max(1, s.set.Master.Readings); {
	case of < 0 || of > 50:
		return 0, analysis.Say("action.ring_readings", of, usual)
	case of == 0:
		return usual, nil
	}
	return of, nil
}

// beginRereading begins reading the ring that set the zero as if it were a part.
func (s *Session) beginRereading(a event.Action) error {
	f := &s.fold
	if f.Master == nil {
		return analysis.Say("action.reread.no_ring")
	}
	ring := f.Master.Ring // with the certificate that it had when it set the zero
	if a.Ring != "" && a.Ring != ring.ID {
		return analysis.Say("action.reread.other_ring", a.Ring, ring.ID)
	}
	of, err := s.ringReadings(a.Of)
	if err != nil {
		return err
	}
	s.capture.reset()
	s.emit(event.Event{Kind: event.Mastering, Master: &event.Master{Ring: ring, Gauge: s.set.Gauge.Name, Of: of, Check: true, Reread: true}})
	return nil
}

// ringReading records a captured value as a reading of the ring. After the last one it sets the
// zero, or says whether the zero holds, provided that the readings agree.
func (s *Session) ringReading(sent event.Sent, c capturedValue) {
	f, raw := &s.fold, c.raw
	run := f.Running
	if !s.set.Gauge.Deviation && (raw-run.Ring.Size).Abs() > gaugeTravel {
		s.refuse(&s.capture.last.smp, sent, 0, analysis.Say("reading.far_from_ring", number(sent), run.Ring.ID, analysis.Size(run.Ring.Size)))
		return
	}
	s.emit(event.Event{Kind: event.RingRead, Ring: &event.RingReading{
		Ring: run.Ring.ID, No: len(run.Raw) + 1, Of: run.Of, Raw: raw, Sent: sent, Gauge: s.set.Gauge.Name,
		U: c.u, Rocking: c.Rocking,
	}})
	if len(f.Running.Raw) < f.Running.Of {
		return
	}
	if run.Speeds {
		s.finishSpeeds()
		return
	}
	set := analysis.RingSet{Ring: f.Running.Ring, Raw: f.Running.Raw, At: s.now.Wall, Temperature: f.Warm.Ring}
	scatter, err := master.ScatterOf(set.Raw)
	switch {
	case err != nil:
		s.restartRing(analysis.Reason(err))
	case scatter.Spread > s.set.Master.Spread && s.set.Master.Spread > 0:
		s.restartRing(analysis.Say("reading.ring_spread", scatter.N, analysis.Fine(scatter.Spread), analysis.Fine(s.set.Master.Spread)))
	case run.Reread:
		s.finishRereading(set)
	case run.Check:
		s.finishCheck(set)
	case run.Second:
		s.finishGain(set)
	default:
		s.finishMastering(set)
	}
}

// restartRing starts reading the ring again from the first reading, and says why.
func (s *Session) restartRing(why analysis.Phrase) {
	again := *s.fold.Running
	again.Raw, again.Why = nil, why
	s.emit(event.Event{Kind: event.Mastering, Master: &again})
}

func (s *Session) finishMastering(set analysis.RingSet) {
	f := &s.fold
	// The spread, the ring and the travel were checked as the readings came in, and the operator
	// has answered any question about them.
	got := master.Master(set, master.Rules{Least: 1}, f.Correction(), true)
	if !got.Accepted {
		s.restartRing(got.Refused[0])
		return
	}
	m := *f.Running
	m.Why, m.Number, m.RingAt = analysis.Phrase{}, 1, set.Temperature
	m.GaugeDue, m.GaugeCertified = s.set.Gauge.Due, s.set.Gauge.Certified
	f.PutMotions(&m, &s.set.Gauge)
	m.Noise = s.samples.noise(&s.set.Gauge)
	m.Spread, m.SD, m.Zero = got.Spread, got.Repeat, analysis.Deviation(got.Zero)
	if f.Master != nil {
		m.Number = f.Master.Number + 1
		m.Moved = m.Zero - f.Master.Zero
		m.Gain = f.KeptGain(m.Gauge, got.Mean)
	}
	rework := s.rework()
	s.emit(event.Event{Kind: event.Mastered, Master: &m})
	if rework != nil {
		s.emit(event.Event{Kind: event.Reworked, Rework: rework})
	}
}

// finishCheck records whether the zero holds.
func (s *Session) finishCheck(set analysis.RingSet) {
	f := &s.fold
	rep, n := f.Repeat(&s.set.Gauge), len(set.Raw)
	c := &event.ZeroCheck{Gauge: s.set.Gauge.Name}
	if set.Ring.ID == f.Master.Ring.ID {
		c.RingCheck = master.CheckZero(set, *f.Correction(), s.driftLimit(n), 1, s.set.Master.Spread)
	} else {
		second := master.SecondRing(f.Mastering(), set, rep, s.set.Master.Spread, f.Master.Ring.Nominal, set.Ring.Nominal)
		c.RingCheck, c.Suspect = second.RingCheck, second.Suspect
	}
	if c.Valid && !c.Good {
		c.Doubt = f.InDoubt()
	}
	s.emit(event.Event{Kind: event.Checked, Check: c})
}

// driftLimit returns how far the mean of n readings of the ring may be off: as far as the zero may
// have drifted, plus the effect of another rocking speed.
func (s *Session) driftLimit(n int) analysis.Deviation {
	f := &s.fold
	tolerance := analysis.Deviation(0)
	if f.Job != nil {
		tolerance = analysis.Deviation(f.Job.High - f.Job.Low)
	}
	limit := master.DriftLimit(tolerance, f.Repeat(&s.set.Gauge), f.Master.Of, n)
	return analysis.Deviation(math.Ceil(math.Hypot(float64(limit), f.BySpeed(&s.set.Gauge))))
}

// finishRereading records what size the ring that set the zero has when it is read as a part.
func (s *Session) finishRereading(set analysis.RingSet) {
	f := &s.fold
	r := &event.Rereading{Gauge: s.set.Gauge.Name}
	r.Rereading = master.Reread(f.Mastering(), set, s.readingU(), s.driftLimit(len(set.Raw)), f.AdjustRing())
	if r.Failed() != nil {
		r.Doubt = f.InDoubt()
	}
	s.emit(event.Event{Kind: event.Reread, Reread: r})
	s.hint(r.Sentence)
}

// readingU returns the standard deviation of one captured value, including the step of the display:
// a value lies anywhere within half a step (JCGM 100:2008, 4.3.7).
func (s *Session) readingU() analysis.Deviation {
	g := &s.set.Gauge
	return analysis.Deviation(math.Ceil(math.Hypot(float64(s.fold.Repeat(g)), float64(g.Step)/math.Sqrt(12))))
}

// rework calculates new values for the readings of the part that a failed check puts in doubt. It
// returns nil if there are none, or if the drift can't be known.
func (s *Session) rework() *event.Rework {
	f := &s.fold
	if f.Failed == nil {
		return nil
	}
	from := master.KnownError{Mark: master.Mark{Seq: 0, At: f.GoodAt}}
	to := master.KnownError{Mark: master.Mark{Seq: math.MaxUint64, At: f.FailedAt}, Error: f.Failed.Error}
	var taken []master.PastReading
	for _, r := range f.Readings {
		if f.Doubtful[r.No] {
			taken = append(taken, master.PastReading{Mark: master.Mark{Seq: uint64(r.No), At: r.At}, Size: r.Size})
		}
	}
	values, err := master.Recorrect(taken, from, to)
	if err != nil || len(values) == 0 {
		return nil
	}
	w := &event.Rework{}
	for _, v := range values {
		w.Values = append(w.Values, event.Reworking{No: int(v.Seq), Was: v.Was, Now: v.Now, Within: v.Within})
	}
	return w
}
