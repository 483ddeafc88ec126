package state

import (
	"math"
	"slices"

	"fairbore/analysis"
	"fairbore/analysis/advise"
	"fairbore/daemon/event"
)

// Now is the one decision about what goes on at a station and what to do next. Page, button, sound,
// wall and message all follow from it. What can't be trusted comes first, then what runs, then what
// is not known, then questions, then the result, and last the size.
type Now struct {
	Is Situation `json:"is"`
	// Do is the action that the first step of the advice asks a person for. It is empty where the
	// gauge goes on by itself, where a person only waits, and where no action helps.
	Do string `json:"do,omitempty"`
	// Also are at most two more actions that make sense now, the likelier first.
	Also     []string        `json:"also,omitempty"`
	Sentence analysis.Phrase `json:"sentence"` // one sentence, to be read from three metres
	Reason   analysis.Phrase `json:"reason,omitzero"`
}

// Situation is what matters most at a station.
type Situation string

// The situations.
const (
	NoSignal      Situation = "no_signal" // a wall doesn't hear the station
	NotRecording  Situation = "not_recording"
	GaugeLost     Situation = "gauge_lost"
	RockSlowly    Situation = "rock_slowly"
	RockFast      Situation = "rock_fast"
	CheckRing     Situation = "check_ring"
	ReadRing      Situation = "read_ring"
	NoJob         Situation = "no_job"
	StudyTrial    Situation = "study_trial" // a trial of a gauge study is to be measured
	StudyNext     Situation = "study_next"  // its next part is to be taken
	InDoubt       Situation = "in_doubt"    // a zero check after the result failed
	CheckAfter    Situation = "check_after" // the result is final once the ring still reads true
	Accepted      Situation = "accepted"
	Rejected      Situation = "rejected"
	NotMastered   Situation = "not_mastered"
	RightPosition Situation = "right_position" // a reading may be of another position
	TooWarm       Situation = "too_warm"       // a warm bore reads large, so a bore in size now will not be in size
	Measure       Situation = "measure"        // nothing is measured yet
	MeasureAgain  Situation = "measure_again"  // honed since it was measured
	MeasureRest   Situation = "measure_rest"   // positions are missing
	OverSize      Situation = "over"
	InSize        Situation = "in_size"
	OutOfForm     Situation = "out_of_form"
	StockToGo     Situation = "stock_to_go"
	TooClose      Situation = "too_close"
	CannotJudge   Situation = "cannot_judge"
)

// Studying reports whether somebody gauges for a study.
func (s Situation) Studying() bool { return s == StudyTrial || s == StudyNext }

// AtRing reports whether a ring is being read.
func (s Situation) AtRing() bool {
	return s == ReadRing || s == CheckRing || s == RockSlowly || s == RockFast
}

// Measuring reports whether the next thing to do is to measure the bore.
func (s Situation) Measuring() bool {
	switch s {
	case Measure, MeasureAgain, MeasureRest, OverSize, TooWarm, RightPosition, StudyTrial:
		return true
	}
	return false
}

// now decides what goes on. It sets the advice where the decision rests on it.
func (f *Fold) now(b *Bore, set *Settings) Now {
	switch studying := f.Gauging(); {
	case f.GaugeKnown && f.Gauge.Lost:
		return Now{Is: GaugeLost, Sentence: analysis.Say("now.gauge_lost"), Reason: because(f.Gauge.Why, analysis.Say("now.why.gauge_lost"))}
	case f.Running != nil:
		return f.atRing(b, set)
	case f.Job == nil:
		return Now{Is: NoJob, Do: "job", Also: []string{"master"}, Sentence: analysis.Say("now.no_job")}
	case studying && b.Master.OK:
		return f.study(b, set)
	case f.Verdict != nil:
		return f.finished(b)
	case !b.Master.OK:
		n := Now{Is: NotMastered, Do: "master", Also: []string{"job"}, Sentence: analysis.Say("now.not_mastered", f.Job.Ring), Reason: b.Master.Why}
		if r := f.Newest(); r != nil && r.Mastered == 0 {
			n.Reason = analysis.Say("now.why.no_zero")
		}
		return n
	}
	return f.measured(b, set)
}

// byHand returns the action that records what the gauge shows, empty where the gauge itself sends
// each reading when its button is pressed.
func (f *Fold) byHand(set *Settings) string {
	if set.Capture.Mode != "button" && !f.Spindle {
		return "record"
	}
	return ""
}

// actions returns actions without the empty ones, the first among them as the one to do.
func (n Now) actions(do string, also ...string) Now {
	n.Do, n.Also = do, slices.DeleteFunc(also, func(a string) bool { return a == "" || a == do })
	return n
}

func (f *Fold) atRing(b *Bore, set *Settings) Now {
	m := f.Running
	is := ReadRing
	switch speed, _, _ := m.AtSpeed(); {
	case m.Speeds && speed == "fast":
		is = RockFast
	case m.Speeds:
		is = RockSlowly
	case m.Check:
		is = CheckRing
	}
	return Now{Is: is, Sentence: analysis.Say("now."+string(is), m.Ring.ID), Reason: b.Why}.actions("", "leave", f.byHand(set))
}

// study says whose turn it is.
func (f *Fold) study(b *Bore, set *Settings) Now {
	st := b.Study
	n := Now{Is: StudyNext, Do: "study", Reason: st.Progress()}
	switch {
	case st.Taking:
		n.Is, n.Sentence = StudyTrial, analysis.Say("now.study.trial", st.Appraiser, st.Part, st.Trial, st.Trials)
		return n.actions("", "void", "study")
	case st.Next == nil:
		n.Sentence = analysis.Say("now.study.all")
	case st.Next.Appraiser != st.Appraiser:
		n.Sentence = analysis.Say("now.study.other", st.Appraiser, st.Next.Appraiser, st.Next.Part)
	default:
		n.Sentence = analysis.Say("now.study.take", st.Next.Part, st.Next.Trial, st.Trials)
	}
	return n
}

// finished says what is left to do about a part that has its result.
func (f *Fold) finished(b *Bore) Now {
	v := f.Verdict
	switch {
	case b.Master.Doubted && !b.Master.OK:
		return Now{Is: InDoubt, Do: "master", Also: []string{"part"}, Sentence: analysis.Say("now.in_doubt", v.Part), Reason: analysis.Say("now.why.in_doubt")}
	case b.Master.Doubted:
		return Now{Is: InDoubt, Do: "part", Sentence: analysis.Say("now.in_doubt_again", v.Part), Reason: analysis.Say("now.why.in_doubt")}
	case !b.Master.CheckAfter.IsZero():
		return Now{Is: CheckAfter, Do: "check", Also: []string{"part"}, Sentence: analysis.Say("now.check_after", b.Master.Ring, v.Part), Reason: b.Master.CheckAfter}
	case v.Accepted():
		return Now{Is: Accepted, Do: "part", Also: []string{"check"}, Sentence: analysis.Say("now.accepted"), Reason: v.Reason}
	case v.Outcome == event.OnHold:
		return Now{Is: Rejected, Do: "part", Also: []string{"disposition"}, Sentence: analysis.Say("now.on_hold"), Reason: v.Reason}
	}
	return Now{Is: Rejected, Do: "part", Sentence: analysis.Say("now.decided", analysis.Say("outcome."+string(v.Outcome))), Reason: v.Reason}
}

// measured says what to do about a part that is being measured with a zero that holds.
func (f *Fold) measured(b *Bore, set *Settings) (n Now) {
	if b.Sizes != nil && b.Basis == b.Round && b.Shrinking() {
		minutes := max(1, int(math.Ceil(b.Cooling.Wait.Minutes())))
		n = Now{Is: TooWarm, Also: []string{"temperature", "void"}, Sentence: analysis.Say("now.too_warm", minutes)}
		if b.Cooling.Excess != nil {
			n.Sentence = analysis.Say("now.too_warm_or_correct", minutes)
		}
	} else {
		n = f.sized(b, set)
	}
	q := f.question()
	for _, p := range b.Places {
		if q == nil || q.No != p.No {
			n.Reason = both(p.Ask, n.Reason)
		}
	}
	switch c := b.Cooling; {
	case b.Cool != nil:
		n.Reason = both(b.Cool.Sentence, n.Reason)
	case c != nil && !c.Ready:
		n.Reason = both(c.Sentence, c.Basis, n.Reason)
	}
	switch {
	case q == nil || n.Is == TooWarm:
		return n
	case f.Asked[q.No]:
		b.Advice = nil
		return Now{Is: RightPosition, Sentence: q.Ask, Reason: analysis.Say("now.why.does_not_count")}.actions("keep", "void")
	}
	return Now{Is: RightPosition, Sentence: q.Ask, Reason: analysis.Say("now.why.right_position", n.Sentence)}.actions("void", n.Do)
}

// question returns a reading about which the program asks something that nobody has answered, nil
// if there is none. A person who goes on measuring has answered, unless the reading waits for an
// answer.
func (f *Fold) question() *event.Reading {
	if r := f.Question(nil); r != nil {
		return r
	}
	if r := f.Newest(); r != nil && r.Round == f.Round() && !r.Ask.IsZero() && !r.Unexpected && f.Counts(r) {
		return r
	}
	return nil
}

// sized says what to do by the sizes that are known.
func (f *Fold) sized(b *Bore, set *Settings) Now {
	watched := f.Staying && b.Cooling != nil && b.Cooling.Ready // the position was measured often enough
	switch {
	case b.Complete && (b.Next == nil || watched):
		return f.advised(b, set)
	case b.State == event.Over && b.Next != nil:
		return Now{Is: OverSize, Sentence: analysis.Say("now.over_measure"), Reason: b.Why}.actions("", "void", "check")
	case b.Next == nil: // all that are missing are skipped
		return Now{Is: MeasureRest, Sentence: analysis.Say("now.skipped"), Reason: b.progress()}.actions("position", "void")
	case b.Sizes == nil:
		return Now{Is: Measure, Sentence: analysis.Say("now.measure", *b.Next), Reason: b.progress()}.actions("", "position", f.byHand(set))
	case b.Basis != b.Round:
		return Now{Is: MeasureAgain, Sentence: analysis.Say("now.measure", *b.Next), Reason: analysis.Say("bore.honed_since")}.actions("", "position", f.byHand(set))
	}
	return Now{Is: MeasureRest, Sentence: analysis.Say("now.measure", *b.Next), Reason: b.progress()}.actions("", "void", "position")
}

// progress says how many positions of the plan are measured.
func (b *Bore) progress() analysis.Phrase {
	n := 0
	for _, p := range b.Places {
		if p.State == "taken" {
			n++
		}
	}
	return analysis.Say("now.why.measured", n, len(b.Places))
}

// situationBySize returns the situation for the state of a bore that is measured.
func situationBySize(s event.State) Situation {
	switch s {
	case event.Over:
		return OverSize
	case event.InSize:
		return InSize
	case event.OutOfForm:
		return OutOfForm
	case event.StockToGo:
		return StockToGo
	case event.TooClose:
		return TooClose
	}
	return CannotJudge
}

// advised says what to do about a bore that is measured everywhere.
func (f *Fold) advised(b *Bore, set *Settings) Now {
	a := f.advice(b, set)
	b.Advice = a
	n := Now{Is: situationBySize(b.State), Sentence: a.Sentence, Reason: both(a.Reason, a.NotSaved)}
	if n.Is == CannotJudge { // the check of the configuration has refused what leads to it
		b.Advice = nil
		n.Sentence, n.Reason = analysis.Say("now.cannot_judge"), b.Why
		return n
	}
	switch a.Kind {
	case advise.Hone, advise.Correct:
		n.Reason = both(a.Reason, risk(a.Risk), a.NotSaved)
		return n.actions("round", "void")
	case advise.Dress:
		return n.actions("dressed", "round")
	case advise.GaugeAgain, advise.Gauge:
		return n.actions("", "check", "void")
	case advise.Wait:
		n.Is = TooWarm
		return n.actions("", "temperature", "void")
	case advise.CheckZero:
		if b.State == event.InSize {
			return n.actions("check", "accept")
		}
		return n.actions("check", "void")
	case advise.LayAside:
		return n.actions("disposition", "check", "void")
	}
	if open := f.Unclosed(); b.State == event.InSize && !open.IsZero() {
		b.Advice = nil
		n.Sentence, n.Reason = open, analysis.Phrase{}
		return n.actions("position")
	}
	if b.State != event.InSize {
		return n.actions("disposition", "check")
	}
	return n.actions("accept", "check")
}

// risk says how likely the advised round is to go over the limit.
func risk(p float64) analysis.Phrase {
	if p < 0.001 {
		return analysis.Say("now.why.risk_below", analysis.Number{Value: 0.1, Places: 1})
	}
	return analysis.Say("now.why.risk", analysis.Number{Value: 100 * p, Places: 1})
}

// both returns phrases as one, the zero ones left out.
func both(all ...analysis.Phrase) (p analysis.Phrase) {
	for _, next := range slices.Backward(all) {
		switch {
		case next.IsZero():
		case p.IsZero():
			p = next
		default:
			p = analysis.Say("now.and", next, p)
		}
	}
	return p
}

// because returns what to do behind why, which is no whole sentence, or alone where why is not known.
func because(why, do analysis.Phrase) analysis.Phrase {
	if why.IsZero() {
		return do
	}
	return analysis.Say("now.because", why, do)
}

// Unrecorded makes the state that of a station whose readings don't get onto the disk, and says
// why.
func (b *Bore) Unrecorded(why analysis.Phrase) {
	b.Recording, b.Warning = false, why
	b.State, b.Why = event.CannotJudge, analysis.Say("bore.not_recording", why)
	b.Now = Now{Is: NotRecording, Sentence: analysis.Say("now.not_recording"), Reason: because(why, analysis.Say("now.why.not_recording"))}
	b.Next, b.Advice, b.Cautions = nil, nil, nil
}
