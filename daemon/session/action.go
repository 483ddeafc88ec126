package session

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"fairbore/analysis"
	"fairbore/analysis/master"
)

// Action is what an operator asks for, from the page, the broker, a foot
// switch or a scanner alike.
type Action struct {
	// ID names the action; one that comes twice with the same ID is done once.
	ID string `json:"id"`
	// Do is one of: job, part, round, place, stay (gauge one place again and
	// again), skip, take, void, restore, keep (a reading that is asked about), master, check (the zero, leaving it
	// alone), reread (the ring that set it, as if it were a part), speeds (of rocking in a
	// ring, slowly and then fast: does the size depend on it), leave (a ring that is
	// being read), knock (the gauge had
	// one), dressed (the stones were), warm (temperatures were measured), cooldown (take
	// off what the part is still warm by, as its cooling tells), study (of the
	// gauge: it starts, somebody's turn comes, or it is over), accept, reject, note.
	Do  string `json:"do"`
	Job string `json:"job,omitempty"`
	// Spec is a job that is not in the configuration, entered at the machine: it
	// is worked to from here on, and the journal has it whole.
	Spec    *analysis.Job   `json:"spec,omitempty"`
	Part    string          `json:"part,omitempty"` // serial number, empty to count on
	Ring    string          `json:"ring,omitempty"` // empty: the job's
	Place   *analysis.Place `json:"place,omitempty"`
	Reading int             `json:"reading,omitempty"`  // number of the reading, 0 for the last; for keep, the last asked about
	Of      int             `json:"readings,omitempty"` // ring readings to take, for speeds of each, 0 for the usual number
	// Gain, for master, says that the ring is a second one, of another size, read to
	// set the gain; the zero stays as the first ring has set it.
	Gain    bool    `json:"gain,omitempty"`
	Reason  string  `json:"reason,omitempty"`
	Strokes int     `json:"strokes,omitempty"`
	Seconds float64 `json:"seconds,omitempty"`
	Dressed bool    `json:"dressed,omitempty"`
	Off     bool    `json:"off,omitempty"`     // for cooldown: no longer
	Confirm bool    `json:"confirm,omitempty"` // go on although the tool asked whether it is meant
	Source  string  `json:"source,omitempty"`
	Warmth
	StudyAsk
}

// Reply answers an action: done, or the reason why not.
type Reply struct {
	ID   string `json:"id"`
	Do   string `json:"do"`
	Done bool   `json:"done"`
	Why  string `json:"why,omitempty"`
	// Ask says that the same action with confirm set would be done.
	Ask bool `json:"ask,omitempty"`
	// Again says that an action of this id came before, and nothing was done now.
	Again bool `json:"-"`
}

// errAsk marks a refusal that confirm overrides.
type errAsk struct{ error }

func ask(format string, args ...any) error { return errAsk{fmt.Errorf(format, args...)} }

// Act carries an action out. It returns the events, none if it was refused,
// and the reply.
func (s *Session) Act(at Stamp, a Action) ([]Event, Reply) {
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
	r := Reply{ID: a.ID, Do: a.Do, Done: err == nil}
	if err != nil {
		r.Why = err.Error()
		r.Ask = errors.As(err, &errAsk{})
	}
	if a.ID != "" && !r.Ask {
		s.replies.put(a.ID, r)
	}
	return s.end(), r
}

func (s *Session) do(a Action) error {
	if err := a.check(); err != nil {
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
		s.emit(Event{Kind: Disturbed, Note: orElse(a.Reason, "the gauge had a knock")})
		return nil
	case "dressed":
		s.emit(Event{Kind: Dressing, Note: orElse(a.Reason, "the stones were dressed")})
		return nil
	case "warm":
		return s.warm(a.Warmth)
	case "leave":
		if f.Running == nil {
			return errors.New("no ring is being read")
		}
		broken := *f.Running
		broken.Broken, broken.Why = true, orElse(a.Reason, "left by the operator")
		s.emit(Event{Kind: Mastering, Master: &broken})
		return nil
	case "note":
		if strings.TrimSpace(a.Reason) == "" {
			return errors.New("write what is to be noted")
		}
		s.emit(Event{Kind: Told, Note: a.Reason})
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

// check refuses text that is too long, or that would do something where it is
// shown: characters that control a terminal or turn the direction of writing. A
// reason may have been typed in lines, and becomes one.
func (a *Action) check() error {
	if len(a.Part) > 64 || len(a.Reason) > 500 || len(a.ID) > 100 {
		return errors.New("too long: at most 64 characters for a serial number, 500 for a reason, 100 for an id")
	}
	if err := a.StudyAsk.check(); err != nil {
		return err
	}
	a.Reason = strings.NewReplacer("\r\n", " ", "\n", " ", "\t", " ").Replace(a.Reason)
	for _, t := range [...]struct{ what, text string }{{"serial number", a.Part}, {"reason", a.Reason}, {"id", a.ID}} {
		if i := strings.IndexFunc(t.text, acts); i >= 0 {
			r, _ := utf8.DecodeRuneInString(t.text[i:])
			return fmt.Errorf("the %s has a character that can't be shown, %U; leave it out", t.what, r)
		}
	}
	return nil
}

// acts reports whether a character does something in place of being shown.
func acts(r rune) bool {
	return unicode.IsControl(r) || unicode.In(r, unicode.Bidi_Control, unicode.Zl, unicode.Zp)
}

func (s *Session) chooseJob(a Action) error {
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
	e := Event{Kind: JobChosen, Job: job}
	if a.Spec != nil {
		e.Note = Entered
	}
	s.emit(e)
	return nil
}

// jobWord is how many characters a name may have.
const jobWord = 64

// Entered is the note of a [JobChosen] whose job is not of the configuration: the
// journal is where it is kept.
const Entered = "entered at the machine"

// Bounds of a job entered at the machine: as much as anybody gauges by hand, and
// little enough to be worked out and drawn after each reading.
const (
	jobTitle  = 120 // of its title
	jobPlaces = 240 // to gauge
	jobGaps   = 40  // without a wall
)

// bounds reports what is too much of a job entered at the machine.
func bounds(j *analysis.Job) (faults []error) {
	for _, w := range []struct {
		what, text string
		most       int
	}{{"id", j.ID, jobWord}, {"title", j.Title, jobTitle}, {"revision", j.Revision, jobWord}, {"material", j.Material, jobWord}, {"face", j.Face, jobWord}, {"ring", j.Ring, jobWord}} {
		if utf8.RuneCountInString(w.text) > w.most || strings.ContainsFunc(w.text, acts) {
			faults = append(faults, fmt.Errorf("%s: want one line of at most %d characters", w.what, w.most))
		}
	}
	if len(j.Sections) > jobPlaces || len(j.Orientations) > jobPlaces || len(j.Sections)*len(j.Orientations) > jobPlaces {
		faults = append(faults, fmt.Errorf("sections: %d at %d angles is too much to gauge by hand; at most %d places", len(j.Sections), len(j.Orientations), jobPlaces))
	}
	if len(j.Interrupts) > jobGaps {
		faults = append(faults, fmt.Errorf("interrupts: at most %d", jobGaps))
	}
	for _, in := range j.Interrupts {
		if utf8.RuneCountInString(in.What) > jobWord || strings.ContainsFunc(in.What, acts) {
			faults = append(faults, fmt.Errorf("interrupts: what is there wants one line of at most %d characters", jobWord))
		}
	}
	return faults
}

// CheckJob reports all that is wrong with a job entered at the machine: what
// [analysis.Job.Check] finds, a material or ring that is not known, an id that a
// job of the configuration has, and what is too much to be worked to.
func (set *Settings) CheckJob(j *analysis.Job) []error {
	if faults := bounds(j); len(faults) > 0 {
		return faults
	}
	faults := j.Check()
	if _, err := master.FindMaterial(j.Material); err != nil {
		faults = append(faults, err)
	}
	if _, ok := set.Rings[j.Ring]; j.Ring != "" && !ok {
		faults = append(faults, fmt.Errorf("ring: there is no ring %q; there are %s", j.Ring, strings.Join(slices.Sorted(maps.Keys(set.Rings)), ", ")))
	}
	if _, ok := set.Jobs[j.ID]; ok {
		faults = append(faults, fmt.Errorf("id: the configuration has a job %s; give this one another name", j.ID))
	}
	return faults
}

// open says why the part in hand isn't finished, "" if it is, there is none, or it is
// only gauged for a study.
func (s *Session) open() string {
	f := &s.fold
	if f.Part == nil || f.Verdict != nil || len(f.Readings) == 0 {
		return ""
	}
	if f.Round() == 0 && slices.ContainsFunc(f.Readings, func(r *Reading) bool { return r.Study != nil }) {
		return ""
	}
	return "part " + f.Part.Serial + " is neither accepted nor laid aside"
}

func (s *Session) beginPart(a Action) error {
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
	s.emit(Event{Kind: PartBegun, Part: &Part{Serial: serial, Count: n, Rate: s.fold.learnt(s.fold.repeat(&s.set.Gauge))}})
}

func (s *Session) newRound(a Action) error {
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
	r := f.advised(&s.set, s.now.Wall)
	r.Strokes, r.Seconds, r.Dressed = a.Strokes, a.Seconds, a.Dressed || f.Dressed
	s.emit(Event{Kind: RoundOver, Round: &r})
	return nil
}

func (s *Session) choosePlace(a Action) error {
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
	s.emit(Event{Kind: Placed, Place: &Choice{Place: *p, Skip: a.Do == "skip", Stay: a.Do == "stay"}})
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
func (s *Session) warm(w Warmth) error {
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
	s.emit(Event{Kind: Warmed, Warm: &w})
	return nil
}

func (s *Session) void(a Action) error {
	f := &s.fold
	no := a.Reading
	if no == 0 {
		no = s.lastFor(a.Do)
	}
	i := slices.IndexFunc(f.Readings, func(r *Reading) bool { return r.No == no })
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
		s.emit(Event{Kind: Voided, Void: &Void{No: no, Reason: a.Reason}})
	default:
		s.emit(Event{Kind: Restored, Void: &Void{No: no, Reason: a.Reason}})
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

func (s *Session) judge(a Action) error {
	f := &s.fold
	if f.Part == nil {
		return errors.New("no part is in hand")
	}
	if f.Verdict != nil {
		return fmt.Errorf("part %s is finished already", f.Part.Serial)
	}
	b := f.Bore(&s.set, s.now.Wall)
	if a.Do == "accept" {
		if b.State != InSize {
			return fmt.Errorf("can't accept part %s: %s%s", f.Part.Serial, b.State, because(b.Why))
		}
		if due := s.set.Master.Lapse.BeforeAccept(f.standing(), s.now.Wall); due != nil {
			return fmt.Errorf("can't accept part %s yet: %s", f.Part.Serial, due.Sentence)
		}
		if open := f.unclosed(); open != "" {
			return fmt.Errorf("can't accept part %s yet: %s", f.Part.Serial, open)
		}
		if r := f.question(nil); r != nil {
			return fmt.Errorf("can't accept part %s yet: reading %d is asked about. %s", f.Part.Serial, r.No, r.Ask)
		}
		if b.Shrinking() && !a.Confirm {
			return ask("part %s is in size only as long as it is warm: %s", f.Part.Serial, b.Cooling.Sentence)
		}
	} else if strings.TrimSpace(a.Reason) == "" {
		return errors.New("give the reason for laying the part aside")
	}
	v := &Verdict{Accepted: a.Do == "accept", Reason: orElse(a.Reason, b.Why), Part: f.Part.Serial, Job: f.Job.ID, Round: f.Round(), State: b.State}
	if z := b.Sizes; z != nil {
		v.Smallest, v.Largest, v.Readings = z.Smallest.Size, z.Largest.Size, z.Readings
	}
	if b.Form != nil && b.Form.Taper.Usable {
		v.Taper = b.Form.Taper.Value
	}
	if b.Judged != nil {
		v.Rule, v.U = string(b.Judged.Rule), b.U.Expanded
	}
	s.emit(Event{Kind: Judged, Verdict: v})
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
	by    map[string]Reply
	order []string
}

const repliesKept = 256

func (r *replies) get(id string) (Reply, bool) { v, ok := r.by[id]; return v, ok }

func (r *replies) put(id string, v Reply) {
	if r.by == nil {
		r.by = map[string]Reply{}
	}
	if len(r.order) == repliesKept {
		delete(r.by, r.order[0])
		r.order = r.order[1:]
	}
	r.by[id] = v
	r.order = append(r.order, id)
}
