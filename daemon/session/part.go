package session

import (
	"maps"
	"slices"
	"strings"

	"fairbore/analysis"
	"fairbore/daemon/event"
)

// allFaults returns the faults of a job as one phrase.
func allFaults(faults []error) analysis.Phrase {
	first := analysis.Reason(faults[0])
	if len(faults) == 1 {
		return first
	}
	return analysis.Say("job.faults", first, allFaults(faults[1:]))
}

// Bounds of one round of honing by hand: a day, and far more strokes than one has.
const (
	mostStrokes = 100_000
	mostSeconds = 24 * 60 * 60
)

func (s *Session) chooseJob(a event.Action) error {
	job, ok := s.set.Jobs[a.Job]
	switch {
	case a.Spec != nil:
		if faults := s.set.CheckJob(a.Spec); len(faults) > 0 {
			return allFaults(faults)
		}
		job = a.Spec
	case !ok:
		return analysis.Say("action.unknown_job", a.Job, strings.Join(slices.Sorted(maps.Keys(s.set.Jobs)), ", "))
	}
	if open := s.unfinished(); !open.IsZero() && !a.Confirm {
		return ask("ask.other_job", open)
	}
	s.pauseStudy()
	s.emit(event.Event{Kind: event.JobChosen, Job: job, Entered: a.Spec != nil})
	return nil
}

// unfinished says why the part in hand isn't finished. It is zero if the part is finished, if there
// is no part, or if the part is only gauged for a study.
func (s *Session) unfinished() analysis.Phrase {
	f := &s.fold
	if f.Part == nil || f.Verdict != nil || len(f.Readings) == 0 {
		return analysis.Phrase{}
	}
	if f.Round() == 0 && slices.ContainsFunc(f.Readings, func(r *event.Reading) bool { return r.Study != nil }) {
		return analysis.Phrase{}
	}
	return analysis.Say("action.open", f.Part.Serial)
}

func (s *Session) beginPart(a event.Action) error {
	f := &s.fold
	if f.Job == nil {
		return analysis.Say("action.no_job")
	}
	if done, err := s.nextStudyPart(a); done {
		return err
	}
	if open := s.unfinished(); !open.IsZero() && !a.Confirm {
		return ask("ask.next_part", open)
	}
	if a.Part != "" && f.Part != nil && a.Part == f.Part.Serial && !a.Confirm {
		return ask("ask.part_again", a.Part)
	}
	if s.set.People.ByBadge(a.Part) != "" {
		return analysis.Say("action.part.badge")
	}
	if a.Job != f.Job.ID { // another job was chosen since the journal was asked
		a.Earlier = nil
	}
	s.pauseStudy()
	s.beginSerial(strings.TrimSpace(a.Part), a.Earlier, a.PartPapers)
	return nil
}

// nextPart begins a part of which nothing is known, outside any study.
func (s *Session) nextPart() {
	s.pauseStudy()
	s.beginSerial("", nil, analysis.PartPapers{})
}

// beginSerial begins a part. A part without a serial number gets the next count as its name. One
// that was sent to rework continues its earlier record.
func (s *Session) beginSerial(serial string, earlier *event.Beginning, papers analysis.PartPapers) {
	n := s.fold.Parts + 1
	if serial == "" {
		serial = event.Serial(n)
	}
	s.emit(event.Event{Kind: event.PartBegun, Part: &event.Part{
		Serial: serial, Count: n, Rate: s.fold.RatePrior(s.fold.Repeat(&s.set.Gauge)), Begun: s.fold.PartsBegun + 1, Continues: earlier, PartPapers: papers,
	}})
}

func (s *Session) newRound(a event.Action) error {
	f := &s.fold
	switch {
	case f.Part == nil:
		return analysis.Say("action.round.no_part")
	case f.Verdict != nil:
		return analysis.Say("action.part_finished", f.Part.Serial)
	case len(f.Current(f.Round())) == 0 && !a.Confirm:
		return ask("ask.round_empty", f.Round())
	case a.Strokes < 0 || a.Strokes > mostStrokes || !(a.Seconds >= 0 && a.Seconds <= mostSeconds): // nor NaN
		return analysis.Say("action.round.bounds", mostStrokes, mostSeconds)
	}
	s.pauseStudy()
	r := f.AdvisedRound(&s.set, s.now.Wall)
	r.Strokes, r.Seconds, r.Dressed = a.Strokes, a.Seconds, a.Dressed || f.Dressed
	if r.Strokes == 0 && r.Seconds == 0 { // a foot switch names neither
		r.Seconds = s.spindle.seconds()
	}
	s.emit(event.Event{Kind: event.RoundOver, Round: &r})
	return nil
}

// undoRound undoes the round in hand if nothing was gauged in it. Both events stay in the journal.
func (s *Session) undoRound(event.Action) error {
	if !s.fold.Undoable() {
		return analysis.Say("action.undo_round.none")
	}
	s.air.undone = true
	r := s.fold.LatestRound()
	s.emit(event.Event{Kind: event.RoundUndone, Round: &r})
	return nil
}

func (s *Session) choosePlace(a event.Action) error {
	f := &s.fold
	p := a.Place
	if p == nil {
		if p = f.Due(); p == nil {
			return analysis.Say("action.position.none")
		}
	}
	if err := s.gaugeable(*p); err != nil {
		return err
	}
	if f.Part == nil {
		s.nextPart()
	}
	s.emit(event.Event{Kind: event.Placed, Place: &event.Choice{Place: *p, Skip: a.Do == "skip", Stay: a.Do == "repeat"}})
	return nil
}

// gaugeable refuses a place that the job does not gauge.
func (s *Session) gaugeable(p analysis.Place) error {
	job := s.fold.Job
	if in := job.Interrupted(p.Depth); in != nil {
		return analysis.Say("action.no_wall", p, in.What, in.From, in.To)
	}
	if !slices.Contains(job.Plan(), p) {
		return analysis.Say("action.not_planned", p, job.ID)
	}
	return nil
}

// warm records measured temperatures. It refuses temperatures at which nobody gauges a part.
func (s *Session) warm(a event.Action) error {
	w := a.Warmth
	if w.Part == nil && w.Ring == nil {
		return analysis.Say("action.temperature.none")
	}
	for _, t := range []*analysis.Temperature{w.Part, w.Ring} {
		if t != nil && (*t < -10*analysis.Celsius || *t > 80*analysis.Celsius) {
			return analysis.Say("action.temperature.bounds", *t)
		}
	}
	if f := &s.fold; w.Part != nil && f.Job != nil && f.Part == nil {
		s.nextPart() // the temperature is that of the next part
	}
	s.emit(event.Event{Kind: event.Warmed, Warm: &w})
	return nil
}

func (s *Session) void(a event.Action) error {
	f := &s.fold
	no := a.Reading
	if no == 0 {
		no = s.lastFor(a.Do)
	}
	i := slices.IndexFunc(f.Readings, func(r *event.Reading) bool { return r.No == no })
	_, void := f.Voids[no]
	switch {
	case i < 0 && a.Do == "void":
		return analysis.Say("action.void.none")
	case i < 0:
		return analysis.Say("action.restore.none")
	case f.Verdict != nil:
		return analysis.Say("action.part_finished_record", f.Part.Serial)
	case a.Do == "void" && void:
		return analysis.Say("action.void.already", no)
	case a.Do == "restore" && !void:
		return analysis.Say("action.restore.not_void", no)
	case a.Do == "void" && a.Why().IsZero():
		return analysis.Say("action.void.reason")
	case a.Do == "void":
		s.emit(event.Event{Kind: event.Voided, Void: &event.Void{No: no, Reason: a.Why()}})
	default:
		s.emit(event.Event{Kind: event.Restored, Void: &event.Void{No: no, Reason: a.Why()}})
	}
	return nil
}

// lastFor returns the number of the newest reading that the action can apply to: one that is not
// void for "void", one that is void for "restore". It returns 0 if there is none.
func (s *Session) lastFor(do string) int {
	f := &s.fold
	for i := len(f.Readings) - 1; i >= 0; i-- {
		if _, void := f.Voids[f.Readings[i].No]; void == (do == "restore") {
			return f.Readings[i].No
		}
	}
	return 0
}

// or returns the reason that a person gave, or the other phrase if there is none.
func or(why, other analysis.Phrase) analysis.Phrase {
	if why.IsZero() {
		return other
	}
	return why
}
