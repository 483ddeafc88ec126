package session

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"time"
	"unicode/utf8"

	"fairbore/analysis"
	"fairbore/analysis/capture"
	"fairbore/analysis/notation"
	"fairbore/daemon/event"
	"fairbore/daemon/state"
	"fairbore/drivers"
)

// Session is the live job of one station. Only one goroutine may use it.
type Session struct {
	// Recall completes an action of a scanner with what the journal knows; nil: with nothing. Other
	// actions come complete.
	Recall func(event.Action) event.Action

	set        state.Settings
	fold       state.Fold
	capture    capturer
	trace      func(*CaptureStep)
	replies    replies
	superseded []uint64 // numbers of the results that were superseded last
	flood      flood
	scratch    struct {
		before, now map[analysis.Place]*event.Reading
	} // kept between calls of expected and placeQuestion, to save memory
	expect expectation

	now     drivers.Moment
	last    drivers.Moment
	by      string // who asked for the action in progress
	source  string
	command string
	out     []event.Event

	depth   *measured // newest value of the depth channel
	angle   *measured
	air     freeAir
	samples sampleStats
	spindle spindle
	live    event.Live
	hinted  analysis.Phrase // newest hint, with its text
	liveAt  time.Duration
	hasLive bool

	declined   analysis.Phrase // why the newest action without a reply was refused, zero if it was done
	declinedAt time.Duration
}

// measured is the newest value of a channel other than the size.
type measured struct {
	value analysis.Length
	at    time.Duration
}

// New returns the session of a station. Its state is folded from the records that the journal has
// of the station.
func New(set state.Settings, past []event.Record) *Session {
	s := &Session{set: set}
	s.scratch.before, s.scratch.now = map[analysis.Place]*event.Reading{}, map[analysis.Place]*event.Reading{}
	s.fold.Station, s.fold.MaxReadings = set.Station, state.MaxHeld
	for i := range past {
		e := &past[i].Event
		s.fold.Apply(e)
		if e.Command != "" {
			s.replies.put(e.Command, event.Reply{ID: e.Command, Done: true})
		}
	}
	s.retune()
	return s
}

// Configure replaces the settings, as after a reload, and records them if they differ. The job in
// progress keeps its limits, since they are in the journal.
func (s *Session) Configure(at drivers.Moment, set state.Settings) []event.Event {
	set.Station = s.set.Station
	if set.Gauge.Name != s.set.Gauge.Name {
		s.capture.forget()
		s.samples.forget()
	}
	s.set = set
	s.retune()
	s.begin(at)
	s.tellSettings()
	return s.end()
}

// tellSettings records the settings if they differ from those that the journal has.
func (s *Session) tellSettings() {
	set, before := s.set.Settings, s.fold.Settings
	if set.Seal(before); before != nil && before.Hash == set.Hash {
		return
	}
	s.emit(event.Event{Kind: event.Configured, Settings: &set, Source: "daemon"})
}

// Fold returns the state. It may only be read, and only until the next call.
func (s *Session) Fold() *state.Fold { return &s.fold }

// Live returns what the gauge shows now. It returns false if the gauge has shown nothing yet or is
// lost.
func (s *Session) Live() (event.Live, bool) { return s.live, s.hasLive }

// Begin records that the daemon has started serving the station, and the settings if they differ from
// those that the journal has.
func (s *Session) Begin(at drivers.Moment) []event.Event {
	s.last = at // the time while the program was down is no jump of the clock
	s.begin(at)
	s.source = "daemon"
	s.emit(event.Event{Kind: event.Started})
	s.source = ""
	s.tellSettings()
	return s.end()
}

// GaugeState records that an instrument of the station, given by name, was found or lost. The
// instrument is the gauge itself or one beside it.
func (s *Session) GaugeState(at drivers.Moment, name string, lost bool, why analysis.Phrase) []event.Event {
	g := event.InstrumentState{Name: name, Lost: lost, Why: why, Beside: name != s.set.Gauge.Name}
	if before, known := s.fold.Instrument(name); known && before.Lost == lost {
		return nil
	}
	s.begin(at)
	s.emit(event.Event{Kind: event.GaugeSeen, Gauge: &g})
	if name == s.set.Gauge.Name {
		s.capture.reset()
		s.capture.forget()
		s.samples.forget()
		s.retune()
		s.hasLive = false
	}
	return s.end()
}

// clockJump is by how much the two clocks may differ between two inputs. A larger difference means
// that the wall clock was set.
const clockJump = 2 * time.Second

func (s *Session) begin(at drivers.Moment) {
	s.out = nil
	s.now = at
	if s.last != (drivers.Moment{}) {
		if jump := at.Wall.Sub(s.last.Wall) - (at.Mono - s.last.Mono); jump.Abs() > clockJump {
			s.emit(event.Event{Kind: event.ClockSet, Clock: &event.Clock{Jump: math.Round(jump.Seconds()*1000) / 1000}})
		}
	}
	s.last = at
}

func (s *Session) end() []event.Event {
	s.tellDroppedInTime()
	s.tellExpected()
	out := s.out
	s.out = nil
	return out
}

func (s *Session) emit(e event.Event) {
	e.Station, e.At, e.Simulated = s.set.Station, s.now.Wall, s.set.Simulated
	if e.Source == "" {
		e.Source = s.source
	}
	if e.Command == "" {
		e.Command = s.command
	}
	if e.Kind != event.PersonNamed {
		e.Person = s.person()
	}
	s.write(&e)
	s.out = append(s.out, e)
	s.fold.Apply(&s.out[len(s.out)-1])
	s.expect.stale = true
	switch e.Kind {
	case event.Taken, event.RingRead:
		s.flood.readings.left--
	case event.JobChosen:
		s.retune()
	case event.Mastering, event.Mastered, event.Checked, event.Reread, event.SpeedsChecked:
		s.retune()
		if s.fold.Running == nil { // the gauge may still be in the ring
			s.capture.leave = s.capture.mode != capture.Button
		}
	case event.Disturbed: // with new tips free air may show another value
		s.capture.forget()
		s.retune()
	}
}

// written returns a phrase with its English text, in the unit of the job.
func (s *Session) written(p analysis.Phrase) analysis.Phrase {
	if p.IsZero() || p.Text != "" {
		return p
	}
	said := p // a copy, since Fill makes it escape to the heap
	notation.ForJob(s.fold.Job).Fill(&said)
	return said
}

// hint sets the hint of the live value. The same hint may come with each sample, so its text is kept.
func (s *Session) hint(p analysis.Phrase) {
	if p.Code != s.hinted.Code || len(p.Args) > 0 || p.Text != "" {
		s.hinted = s.written(p)
	}
	s.live.Hint = s.hinted
}

// write adds the English texts to the phrases of an event. A reading has at most one phrase; it is
// handled separately since there may be thousands of readings a second.
func (s *Session) write(e *event.Event) {
	if e.Kind == event.Taken {
		e.Reading.Ask = s.written(e.Reading.Ask)
		return
	}
	notation.ForJob(s.fold.Job).Fill(e)
}

// Sample takes in the samples that an instrument of the station sent in one frame.
func (s *Session) Sample(at drivers.Moment, name string, samples []drivers.Sample) []event.Event {
	s.begin(at)
	set, ok := &s.set.Gauge, true
	if name != set.Name {
		beside, found := s.set.Beside[name]
		set, ok = &beside, found
	}
	for i := 0; ok && i < len(samples); i++ {
		smp := &samples[i]
		switch role := set.RoleOf(smp.Channel); role {
		case event.SizeChannel:
			if name == s.set.Gauge.Name {
				s.size(smp)
			}
		case event.DepthChannel:
			if l, _, err := length(smp, set.Unit); err == nil {
				s.depth = &measured{l, at.Mono}
				s.noteMove()
			}
		case event.AngleChannel:
			if d, err := thousandths(smp, drivers.Degree); err == nil {
				s.angle = &measured{analysis.Length(d), at.Mono}
				s.noteMove()
			}
		case event.PartTemp, event.RingTemp:
			if v, err := thousandths(smp, drivers.Celsius); err == nil {
				s.sensed(role, analysis.Temperature(v))
			}
		}
	}
	return s.end()
}

// frame returns the bytes of a frame as text. Bytes that are no UTF-8 would not come back from the
// journal, so a frame with such bytes is quoted, as in "+12.7 \xb5m".
func frame(raw []byte) string {
	if utf8.Valid(raw) {
		return string(raw)
	}
	return strconv.Quote(string(raw))
}

// length converts the value of a sample exactly. The unit in the frame overrides the usual one.
func length(smp *drivers.Sample, usual analysis.Unit) (analysis.Length, event.Sent, error) {
	sent := event.Sent{Digits: smp.Digits, Places: smp.Places, Frame: frame(smp.Raw)}
	u, err := analysis.ParseUnit(string(smp.Unit))
	if err != nil {
		return 0, sent, analysis.Say("reading.no_unit", smp.Unit)
	}
	if u == analysis.NoUnit {
		u, sent.Assumed = usual, true
	}
	sent.Unit = u
	l, err := analysis.FromDecimal(smp.Digits, smp.Places, u)
	return l, sent, err
}

// thousandths returns an angle or a temperature in thousandths of a degree, rounded to the nearest.
func thousandths(smp *drivers.Sample, want drivers.Unit) (int32, error) {
	v, places := smp.Digits, smp.Places
	for ; places < 3; places++ {
		v *= 10
	}
	for ; places > 3; places-- {
		v /= 10
	}
	if smp.Unit != want && smp.Unit != drivers.NoUnit || v != int64(int32(v)) {
		return 0, fmt.Errorf("not in %s", want)
	}
	return int32(v), nil
}

// sensedStep is by how much a temperature must change to be recorded.
const sensedStep = analysis.Celsius / 20

// sensed takes in the value of a temperature sensor.
func (s *Session) sensed(role event.Role, t analysis.Temperature) {
	w, known := &event.Warmth{Part: &t}, s.fold.Warm.Part
	if role == event.RingTemp {
		w, known = &event.Warmth{Ring: &t}, s.fold.Warm.Ring
	}
	if known != nil && max(t-*known, *known-t) < sensedStep || !s.mayTell() {
		return
	}
	s.emit(event.Event{Kind: event.Warmed, Warm: w, Source: "gauge"})
}

func (s *Session) size(smp *drivers.Sample) {
	raw, sent, err := length(smp, s.set.Gauge.Unit)
	if err != nil {
		s.refuse(smp, sent, 0, analysis.Say("reading.no_value", number(sent), analysis.Reason(err)))
		return
	}
	s.show(raw)
	l := &s.capture.last
	l.smp, l.sent, l.raw, l.some = *smp, sent, raw, true
	l.smp.Raw = nil // sent has its text; the bytes belong to the driver
	took, hint := s.capture.feed(s.now.Mono, raw)
	fed, follows := s.captureStep(raw), len(s.out)
	s.samples.addTime(s.now.Mono)
	s.measureNoise(raw)
	if hint.IsZero() && !s.capture.inBore() {
		hint = s.samples.timingHint()
	}
	s.hint(hint)
	if !s.declined.IsZero() && s.now.Mono-s.declinedAt < declinedFor {
		s.hint(s.declined)
	}
	if s.spindle.on {
		s.hint(analysis.Phrase{Code: spindleTurns})
		if s.capture.mode != capture.Button {
			took = nil // a stable value means nothing while the spindle turns
		}
	}
	s.roundByGesture()
	for _, c := range took {
		s.takeValue(smp, sent, c)
	}
	s.live.InBore = s.capture.inBore()
	if !s.spindle.on {
		s.live.Passes, s.live.Wanted = s.capture.passes()
	}
	if fed != nil {
		fed.Events, fed.Hint = s.out[follows:], s.live.Hint
		s.trace(fed)
	}
}

// show sets the live value.
func (s *Session) show(raw analysis.Length) {
	f := &s.fold
	s.live = event.Live{Station: s.set.Station, At: s.now.Wall, Raw: raw, Simulated: s.set.Simulated}
	s.hasLive, s.liveAt = true, s.now.Mono
	size, ok := s.correct(raw)
	if !ok {
		return
	}
	s.live.Mastered = f.Master != nil && s.set.Lapsed(f, s.now.Wall).IsZero()
	if f.Job == nil || f.Job.Plausible(size) {
		s.live.Size = size
		if f.Job != nil {
			s.live.Deviation = analysis.Deviation(size - f.Job.Target)
		}
	}
}

// correct returns the size for what the gauge shows, corrected with the zero and gain of the newest
// mastering. Before any mastering it is the value as shown; ok is then false for a gauge that shows
// deviations.
func (s *Session) correct(raw analysis.Length) (size analysis.Length, ok bool) {
	if c := s.fold.Correction(); c != nil {
		size, err := c.Size(raw)
		return size, err == nil
	}
	return raw, !s.set.Gauge.Deviation
}

// takeValue handles a captured value: as a reading of the ring during a mastering, else as a
// reading of the part.
func (s *Session) takeValue(smp *drivers.Sample, sent event.Sent, c capturedValue) {
	s.source = "gauge"
	if c.how == "manual" {
		s.source = s.by
	}
	defer func() { s.source = s.by }()
	if c.how != "manual" && !s.mayRead() {
		s.hint(analysis.Say("reading.flood", s.set.Capture.MaxRate))
		return
	}
	if s.fold.Running != nil {
		s.ringReading(sent, c)
		return
	}
	s.partReading(smp, sent, c)
}

// partReading records a captured value as a reading of the part, or refuses it.
func (s *Session) partReading(smp *drivers.Sample, sent event.Sent, c capturedValue) {
	size, known := s.correct(c.raw)
	if !known || s.fold.Job == nil {
		size = 0
	}
	place, why := s.countsAt(sent, size, known)
	if !why.IsZero() {
		told := s.refuse(smp, sent, size, why)
		if j := s.fold.Job; told && j != nil && known && !s.spindle.on && !j.Plausible(size) {
			s.voidByGesture()
		}
		return
	}
	r := s.reading(smp, sent, c, size, *place)
	r.Study = s.fold.TrialOf(r)
	s.answerQuestion(r)
	r.Ask = s.placeQuestion(r)
	s.askIfUnexpected(r)
	if s.hint(r.Ask); r.Ask.IsZero() {
		s.hint(s.fold.OutsideStudy(r))
	}
	s.spindle.since = 0
	s.emit(event.Event{Kind: event.Taken, Reading: r})
	if !r.Unexpected {
		s.checkCooling(r)
	}
}

// countsAt returns the place that a size counts at, or the reason why it does not count. If
// necessary it begins the part and the round that the size belongs to.
func (s *Session) countsAt(sent event.Sent, size analysis.Length, known bool) (place *analysis.Place, why analysis.Phrase) {
	f := &s.fold
	switch {
	case f.Job == nil:
		return nil, analysis.Say("action.no_job")
	case !known:
		return nil, analysis.Say("reading.no_zero")
	case s.spindle.on:
		return nil, analysis.Say(spindleTurns)
	case !f.Job.Plausible(size):
		return nil, s.implausible(sent, size)
	case f.Verdict != nil:
		return nil, analysis.Say("action.part_finished", f.Part.Serial)
	}
	place, err := s.place()
	if err != nil {
		return nil, analysis.Reason(err)
	}
	if f.Part == nil {
		s.nextPart()
	}
	honed := place != nil && s.spindle.since > 0 && len(f.Current(f.Round())) > 0
	if honed || place == nil { // the part was honed, or the plan is complete and it is gauged again
		s.autoRound()
		if place, err = s.place(); err != nil {
			return nil, analysis.Reason(err)
		}
	}
	if place == nil {
		return nil, analysis.Say("reading.all_skipped")
	}
	return place, why
}

// reading makes a reading from a captured value. It corrects for the indentation first, since that
// happened at the temperature of the part, and then to 20 °C.
func (s *Session) reading(smp *drivers.Sample, sent event.Sent, c capturedValue, size analysis.Length, place analysis.Place) *event.Reading {
	f := &s.fold
	r := &event.Reading{
		No: 1, Job: f.Job.ID, Part: f.Part.Serial,
		Reading:   analysis.Reading{Place: place, Round: f.Round(), Size: size, U: c.u, At: s.now.Wall},
		Deviation: analysis.Deviation(size - f.Job.Target),
		Gauge:     s.set.Gauge.Name, Channel: smp.Channel, How: c.how, Turns: c.turns,
		Rocking: c.Rocking, Sent: sent, Raw: c.raw, Zero: analysis.Deviation(size - c.raw),
	}
	r.Indentation = f.ContactCorrection(&s.set.Gauge)
	r.Thermal, r.ExcessU, r.PartFrom = f.ThermalAt(size+analysis.Length(r.Indentation), r.At)
	r.Size += analysis.Length(r.Thermal + r.Indentation)
	r.Deviation += r.Thermal + r.Indentation
	if n := len(f.Readings); n > 0 {
		r.No = f.Readings[n-1].No + 1
	}
	if f.Master != nil {
		r.Mastered = f.Master.Number
	}
	return r
}

// depthFresh is how old a depth may be to be used for a value captured now.
const depthFresh = 2 * time.Second

// place returns the place for a value captured now: by the depth channel if the gauge has one, else
// the place due. It returns nil if the plan is complete.
func (s *Session) place() (*analysis.Place, error) {
	f := &s.fold
	if s.depth == nil {
		return f.Due(), nil
	}
	if s.now.Mono-s.depth.at > depthFresh {
		return nil, analysis.Say("reading.no_depth")
	}
	d := s.depth.value
	if in := f.Job.Interrupted(d); in != nil {
		return nil, analysis.Say("reading.no_wall", d, in.What)
	}
	if i := s.sectionNear(d); i >= 0 {
		return s.orient(f.Job.Sections[i]), nil
	}
	return nil, analysis.Say("reading.no_section", d)
}

// orient returns the place at a section for a value: at the orientation nearest to the angle
// channel; else at the first orientation due there; else at the first orientation, since the
// section is gauged again.
func (s *Session) orient(section analysis.Length) *analysis.Place {
	f := &s.fold
	if s.angle != nil && s.now.Mono-s.angle.at <= depthFresh {
		return &analysis.Place{Depth: section, Angle: f.Job.Orientations[s.orientationNear(analysis.Angle(s.angle.value))]}
	}
	if c := f.Chosen; c != nil && c.Depth == section {
		return c
	}
	for _, a := range f.Job.Orientations {
		if p := (analysis.Place{Depth: section, Angle: a}); !f.Done[p] {
			return &p
		}
	}
	if f.Due() == nil {
		return nil
	}
	return &analysis.Place{Depth: section, Angle: f.Job.Orientations[0]}
}

// sectionNear returns the index of the section within reach of a depth, -1 if there is none.
func (s *Session) sectionNear(depth analysis.Length) int {
	return slices.IndexFunc(s.fold.Job.Sections, func(d analysis.Length) bool { return (depth - d).Abs() <= s.set.DepthReach })
}

// orientationNear returns the index of the orientation nearest to an angle. A diameter repeats
// after half a turn.
func (s *Session) orientationNear(angle analysis.Angle) (nearest int) {
	const half = 180 * analysis.Degree
	gap := 2 * half
	for i, o := range s.fold.Job.Orientations {
		a := (((angle - o) % half) + half) % half
		if a = min(a, half-a); a < gap {
			nearest, gap = i, a
		}
	}
	return nearest
}

// implausible says why a size can't be one of this job, and what the likely cause is.
func (s *Session) implausible(sent event.Sent, size analysis.Length) analysis.Phrase {
	j := s.fold.Job
	why := analysis.Say("reading.implausible", number(sent), analysis.Size(j.Nominal-analysis.Length(j.Band)), analysis.Size(j.Nominal+analysis.Length(j.Band)))
	if s.fold.Master != nil && !s.set.Gauge.Deviation && j.Plausible(size-analysis.Length(s.fold.Master.Zero)) {
		return analysis.Say("reading.implausible_zero", why, s.fold.Master.Ring.ID)
	}
	for _, u := range []analysis.Unit{analysis.IN, analysis.MM} {
		if u == sent.Unit {
			continue
		}
		if l, err := analysis.FromDecimal(sent.Digits, sent.Places, u); err == nil && j.Plausible(l) {
			return analysis.Say("reading.implausible_unit", why, u.String())
		}
	}
	return why
}

// number formats a value as the gauge sent it.
func number(s event.Sent) string {
	neg := s.Digits < 0
	digits := strconv.FormatUint(uint64(max(s.Digits, -s.Digits)), 10)
	for len(digits) <= s.Places {
		digits = "0" + digits
	}
	if s.Places > 0 {
		digits = digits[:len(digits)-s.Places] + "." + digits[len(digits)-s.Places:]
	}
	if neg {
		digits = "-" + digits
	}
	if s.Unit != analysis.NoUnit {
		digits += " " + s.Unit.String()
	}
	return digits
}

// refuse records that a value does not count, and why. It returns false if there are too many.
func (s *Session) refuse(smp *drivers.Sample, sent event.Sent, size analysis.Length, why analysis.Phrase) bool {
	if !s.mayTell() {
		s.hint(why)
		return false
	}
	f := &s.fold
	r := &event.Refusal{Reason: why, Gauge: s.set.Gauge.Name, Channel: smp.Channel, Sent: sent, Size: size}
	if f.Job != nil {
		r.Job, r.Place = f.Job.ID, f.Due()
	}
	if f.Part != nil {
		r.Part = f.Part.Serial
	}
	s.hint(why)
	s.emit(event.Event{Kind: event.Refused, Refused: r, Source: "gauge"})
	return true
}
