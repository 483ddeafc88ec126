package session

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"fairbore/analysis"
	"fairbore/daemon/event"
	"fairbore/daemon/state"
)

// errAsk marks a refusal that confirm overrides.
type errAsk struct{ error }

func ask(format string, args ...any) error { return errAsk{fmt.Errorf(format, args...)} }

// Act carries an action out. It returns the events, none if it was refused,
// and the reply.
func (s *Session) Act(at Stamp, a event.Action) ([]event.Event, event.Reply) {
	if a.ID != "" {
		if old, ok := s.replies.get(a.ID); ok {
			old.Again = true
			return nil, old
		}
	}
	s.begin(at)
	s.by, s.source, s.command = a.Source, a.Source, a.ID
	err := s.do(a)
	s.by, s.source, s.command = "", "", ""
	r := event.Reply{ID: a.ID, Do: a.Do, Done: err == nil}
	if err != nil {
		r.Why = err.Error()
		r.Ask = errors.As(err, &errAsk{})
	}
	if a.ID != "" && !r.Ask {
		s.replies.put(a.ID, r)
	}
	return s.end(), r
}

func (s *Session) do(a event.Action) error {
	if err := a.Check(); err != nil {
		return err
	}
	f := &s.fold
	switch a.Do {
	case "job":
		return s.chooseJob(a)
	case "part":
		return s.beginPart(a)
	case "master", "check":
		return s.beginMastering(a)
	case "reread":
		return s.beginRereading(a)
	case "speeds":
		return s.beginSpeeds(a)
	case "knock":
		s.emit(event.Event{Kind: event.Disturbed, Note: orElse(a.Reason, "the gauge had a knock")})
		return nil
	case "dressed":
		s.emit(event.Event{Kind: event.Dressing, Note: orElse(a.Reason, "the stones were dressed")})
		return nil
	case "warm":
		return s.warm(a.Warmth)
	case "leave":
		if f.Running == nil {
			return errors.New("no ring is being read")
		}
		broken := *f.Running
		broken.Broken, broken.Why = true, orElse(a.Reason, "left by the operator")
		s.emit(event.Event{Kind: event.Mastering, Master: &broken})
		return nil
	case "note":
		if strings.TrimSpace(a.Reason) == "" {
			return errors.New("write what is to be noted")
		}
		s.emit(event.Event{Kind: event.Told, Note: a.Reason})
		return nil
	}
	if f.Job == nil {
		return errors.New("choose a job first")
	}
	switch a.Do {
	case "take":
		return s.takeLive()
	case "place", "skip", "stay":
		return s.choosePlace(a)
	case "round":
		return s.newRound(a)
	case "void", "restore":
		return s.void(a)
	case "keep":
		return s.keepAsked(a)
	case "cooldown":
		return s.coolDown(a)
	case "study":
		return s.study(a)
	case "accept", "reject":
		return s.judge(a)
	}
	return fmt.Errorf("%q is not something to do here; there are job, part, round, place, stay, skip, take, void, restore, keep, master, check, reread, speeds, leave, knock, dressed, warm, cooldown, study, accept, reject, note", a.Do)
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
			return errors.Join(faults...)
		}
		job = a.Spec
	case !ok:
		return fmt.Errorf("job %q is not in the configuration; there are %s", a.Job, strings.Join(slices.Sorted(maps.Keys(s.set.Jobs)), ", "))
	}
	if open := s.open(); open != "" && !a.Confirm {
		return ask("%s; choose another job all the same?", open)
	}
	s.restStudy()
	e := event.Event{Kind: event.JobChosen, Job: job}
	if a.Spec != nil {
		e.Note = event.Entered
	}
	s.emit(e)
	return nil
}

// open says why the part in hand isn't finished, "" if it is, there is none, or it is
// only gauged for a study.
func (s *Session) open() string {
	f := &s.fold
	if f.Part == nil || f.Verdict != nil || len(f.Readings) == 0 {
		return ""
	}
	if f.Round() == 0 && slices.ContainsFunc(f.Readings, func(r *event.Reading) bool { return r.Study != nil }) {
		return ""
	}
	return "part " + f.Part.Serial + " is neither accepted nor laid aside"
}

func (s *Session) beginPart(a event.Action) error {
	f := &s.fold
	if f.Job == nil {
		return errors.New("choose a job first")
	}
	if done, err := s.partOfStudy(a); done {
		return err
	}
	if open := s.open(); open != "" && !a.Confirm {
		return ask("%s; take the next part all the same?", open)
	}
	if a.Part != "" && f.Part != nil && a.Part == f.Part.Serial && !a.Confirm {
		return ask("part %s is in hand already; begin it anew?", a.Part)
	}
	s.nextPart(strings.TrimSpace(a.Part))
	return nil
}

// nextPart begins a part that is of no study; without a serial number it is counted.
func (s *Session) nextPart(serial string) {
	s.restStudy()
	s.beginSerial(serial)
}

func (s *Session) beginSerial(serial string) {
	n := s.fold.Parts + 1
	if serial == "" {
		serial = fmt.Sprintf("%04d", n)
	}
	s.emit(event.Event{Kind: event.PartBegun, Part: &event.Part{Serial: serial, Count: n, Rate: s.fold.RatePrior(s.fold.Repeat(&s.set.Gauge))}})
}

func (s *Session) newRound(a event.Action) error {
	f := &s.fold
	switch {
	case f.Part == nil:
		return errors.New("begin a part first")
	case f.Verdict != nil:
		return fmt.Errorf("part %s is finished; take the next part", f.Part.Serial)
	case len(f.Current(f.Round())) == 0 && !a.Confirm:
		return ask("nothing was gauged in round %d; begin the next all the same?", f.Round())
	case a.Strokes < 0 || a.Strokes > mostStrokes || !(a.Seconds >= 0 && a.Seconds <= mostSeconds): // nor NaN
		return fmt.Errorf("a round has 0 to %d strokes and lasts 0 to %d s", mostStrokes, mostSeconds)
	}
	s.restStudy()
	r := f.AdvisedRound(&s.set, s.now.Wall)
	r.Strokes, r.Seconds, r.Dressed = a.Strokes, a.Seconds, a.Dressed || f.Dressed
	s.emit(event.Event{Kind: event.RoundOver, Round: &r})
	return nil
}

func (s *Session) choosePlace(a event.Action) error {
	f := &s.fold
	p := a.Place
	if p == nil {
		if p = f.Due(); p == nil {
			return errors.New("no place is due; name one")
		}
	}
	if err := s.gaugeable(*p); err != nil {
		return err
	}
	if f.Part == nil {
		s.nextPart("")
	}
	s.emit(event.Event{Kind: event.Placed, Place: &event.Choice{Place: *p, Skip: a.Do == "skip", Stay: a.Do == "stay"}})
	return nil
}

// gaugeable refuses a place that is not to be gauged.
func (s *Session) gaugeable(p analysis.Place) error {
	job := s.fold.Job
	if in := job.Interrupted(p.Depth); in != nil {
		return fmt.Errorf("%s falls in the %s at %s to %s: there is no wall to gauge", p, in.What, in.From, in.To)
	}
	if !slices.Contains(job.Plan(), p) {
		return fmt.Errorf("%s is not in the plan of job %s", p, job.ID)
	}
	return nil
}

// warm takes in measured temperatures. A part is not gauged at those that are
// refused here.
func (s *Session) warm(w event.Warmth) error {
	if w.Part == nil && w.Ring == nil {
		return errors.New("give the temperature of the part, of the ring, or both, in °C")
	}
	for _, t := range []*analysis.Temperature{w.Part, w.Ring} {
		if t != nil && (*t < -10*analysis.Celsius || *t > 80*analysis.Celsius) {
			return fmt.Errorf("%s is no temperature to gauge at; want -10 to 80 °C", *t)
		}
	}
	if f := &s.fold; w.Part != nil && f.Job != nil && f.Part == nil {
		s.nextPart("") // it is that part's temperature
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
		return errors.New("this part has no such reading to strike out")
	case i < 0:
		return errors.New("no reading of this part is struck out")
	case f.Verdict != nil:
		return fmt.Errorf("part %s is finished; its record stays as it is", f.Part.Serial)
	case a.Do == "void" && void:
		return fmt.Errorf("reading %d is struck out already", no)
	case a.Do == "restore" && !void:
		return fmt.Errorf("reading %d is not struck out", no)
	case a.Do == "void" && strings.TrimSpace(a.Reason) == "":
		return errors.New("give the reason for striking it out, such as: dirt, slipped, wrong place")
	case a.Do == "void":
		s.emit(event.Event{Kind: event.Voided, Void: &event.Void{No: no, Reason: a.Reason}})
	default:
		s.emit(event.Event{Kind: event.Restored, Void: &event.Void{No: no, Reason: a.Reason}})
	}
	return nil
}

// lastFor returns the number of the newest reading that is not void (for void),
// or of the newest that is (for restore); 0 if there is none.
func (s *Session) lastFor(do string) int {
	f := &s.fold
	for i := len(f.Readings) - 1; i >= 0; i-- {
		if _, void := f.Voids[f.Readings[i].No]; void == (do == "restore") {
			return f.Readings[i].No
		}
	}
	return 0
}

func (s *Session) judge(a event.Action) error {
	f := &s.fold
	if f.Part == nil {
		return errors.New("no part is in hand")
	}
	if f.Verdict != nil {
		return fmt.Errorf("part %s is finished already", f.Part.Serial)
	}
	b := f.Bore(&s.set, s.now.Wall)
	if a.Do == "accept" {
		if b.State != event.InSize {
			return fmt.Errorf("can't accept part %s: %s%s", f.Part.Serial, b.State, state.Because(b.Why))
		}
		if due := s.set.Master.Lapse.BeforeAccept(f.Standing(), s.now.Wall); due != nil {
			return fmt.Errorf("can't accept part %s yet: %s", f.Part.Serial, due.Sentence)
		}
		if open := f.Unclosed(); open != "" {
			return fmt.Errorf("can't accept part %s yet: %s", f.Part.Serial, open)
		}
		if r := f.Question(nil); r != nil {
			return fmt.Errorf("can't accept part %s yet: reading %d is asked about. %s", f.Part.Serial, r.No, r.Ask)
		}
		if b.Shrinking() && !a.Confirm {
			return ask("part %s is in size only as long as it is warm: %s", f.Part.Serial, b.Cooling.Sentence)
		}
	} else if strings.TrimSpace(a.Reason) == "" {
		return errors.New("give the reason for laying the part aside")
	}
	v := &event.Verdict{Accepted: a.Do == "accept", Reason: orElse(a.Reason, b.Why), Part: f.Part.Serial, Job: f.Job.ID, Round: f.Round(), State: b.State}
	if z := b.Sizes; z != nil {
		v.Smallest, v.Largest, v.Readings = z.Smallest.Size, z.Largest.Size, z.Readings
	}
	if b.Form != nil && b.Form.Taper.Usable {
		v.Taper = b.Form.Taper.Value
	}
	if b.Judged != nil {
		v.Rule, v.U = string(b.Judged.Rule), b.U.Expanded
	}
	s.emit(event.Event{Kind: event.Judged, Verdict: v})
	return nil
}

func orElse(s, other string) string {
	if strings.TrimSpace(s) == "" {
		return other
	}
	return s
}

// replies remembers the newest answers, so that an action which comes twice is
// done once.
type replies struct {
	by    map[string]event.Reply
	order []string
}

const repliesKept = 256

func (r *replies) get(id string) (event.Reply, bool) { v, ok := r.by[id]; return v, ok }

func (r *replies) put(id string, v event.Reply) {
	if r.by == nil {
		r.by = map[string]event.Reply{}
	}
	if len(r.order) == repliesKept {
		delete(r.by, r.order[0])
		r.order = r.order[1:]
	}
	r.by[id] = v
	r.order = append(r.order, id)
}
