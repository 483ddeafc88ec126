package session

import (
	"slices"
	"strconv"
	"strings"

	"fairbore/analysis"
	"fairbore/analysis/master"
	"fairbore/daemon/event"
	"fairbore/daemon/state"
)

// decide decides what is to become of the part in hand, or of a part whose result is superseded.
func (s *Session) decide(a event.Action) error {
	if a.Do == "accept" {
		a.Outcome = event.IsAccepted
	}
	if err := checkDecision(&a); err != nil {
		return err
	}
	if a.Supersedes != 0 {
		return s.supersede(&a)
	}
	f := &s.fold
	if f.Part == nil {
		return analysis.Say("action.no_part")
	}
	if f.Verdict != nil {
		return analysis.Say("action.part_judged", f.Part.Serial)
	}
	if a.Part != "" && a.Part != f.Part.Serial || a.Job != "" && a.Job != f.Job.ID {
		return analysis.Say("action.result.other_part", f.Job.ID, f.Part.Serial)
	}
	b := f.Bore(&s.set, s.now.Wall)
	switch a.Outcome {
	case event.IsAccepted:
		if err := s.acceptable(b, a.Confirm); err != nil {
			return err
		}
	case event.Conceded:
		if !outside(b.State) {
			return analysis.Say("action.concession.state", f.Part.Serial, analysis.Say("state."+string(b.State)))
		}
	}
	v := s.verdict(&a, b)
	var err error
	if v.SignedBy, err = s.signer(&a, f.Measured()); err != nil {
		return err
	}
	s.emit(event.Event{Kind: event.Judged, Verdict: v})
	return nil
}

// checkDecision refuses an outcome that is none, and one that lacks what its record needs.
func checkDecision(a *event.Action) error {
	names := make([]string, 0, len(event.Outcomes()))
	for _, o := range event.Outcomes() {
		names = append(names, string(o))
	}
	concession := a.Outcome == event.Conceded
	switch {
	case !slices.Contains(event.Outcomes(), a.Outcome):
		return analysis.Say("action.result.outcome", string(a.Outcome), strings.Join(names, ", "))
	case a.Why().IsZero() && (a.Outcome != event.IsAccepted || a.Supersedes != 0):
		return analysis.Say("action.result.reason")
	case concession && (a.Number == "" || a.GrantedBy == ""):
		return analysis.Say("action.concession.number")
	case !concession && (a.Number != "" || a.GrantedBy != ""):
		return analysis.Say("action.concession.only")
	}
	return nil
}

// acceptable refuses to accept the part in hand unless it is in size by a zero that holds.
func (s *Session) acceptable(b *state.Bore, sure bool) error {
	f := &s.fold
	if b.State != event.InSize {
		return analysis.Say("action.accept.state", f.Part.Serial, analysis.Say("state."+string(b.State)), b.Why)
	}
	if missing := s.missing(); !missing.IsZero() {
		return analysis.Say("action.accept.not_yet", f.Part.Serial, missing)
	}
	if b.Shrinking() && !sure {
		return ask("ask.warm", f.Part.Serial, b.Cooling.Sentence)
	}
	return nil
}

// missing says what must be done before a part in size can be accepted, zero if nothing is missing.
func (s *Session) missing() analysis.Phrase {
	f := &s.fold
	if due := master.Lapse(s.set.Master.Lapse).BeforeAccept(f.Standing(), s.now.Wall); due != nil {
		return due.Phrase
	}
	if open := f.Unclosed(); !open.IsZero() {
		return open
	}
	if r := f.Question(nil); r != nil {
		return analysis.Say("action.accept.asked", r.No, r.Ask)
	}
	return analysis.Phrase{}
}

// outside reports whether a bore was measured, and is not within all its limits without doubt.
func outside(s event.State) bool {
	return s == event.Over || s == event.StockToGo || s == event.OutOfForm || s == event.TooClose
}

// verdict returns the result of the part in hand.
func (s *Session) verdict(a *event.Action, b *state.Bore) *event.Verdict {
	f := &s.fold
	v := &event.Verdict{
		Outcome: a.Outcome, Number: a.Number, GrantedBy: a.GrantedBy, Begun: f.Part.Begun,
		Reason: or(a.Why(), b.Why), Part: f.Part.Serial, Job: f.Job.ID, Round: f.Round(), State: b.State,
	}
	if z := b.Sizes; z != nil {
		v.Smallest, v.Largest, v.Readings = z.Smallest.Size, z.Largest.Size, z.Readings
	}
	if b.Form != nil && b.Form.Taper.Usable {
		v.Taper = b.Form.Taper.Value
	}
	if b.Judged != nil {
		v.Rule, v.U, v.Assumes = string(b.Judged.Rule), b.U.Expanded, b.Assumes
	}
	if v.State == event.InSize && !v.Accepted() {
		if v.Missing = s.missing(); v.Missing.IsZero() && b.Shrinking() {
			v.Missing = b.Cooling.Sentence
		}
	}
	return v
}

// supersededKept is how many superseded results a session remembers: far more than can be on their
// way to the disk at once. What is on disk the journal knows.
const supersededKept = 256

// supersede gives a finished part another result. What stands was read from the journal by the
// daemon; a result that has come since is remembered here, so that of two who look at the same
// result only the first one changes it.
func (s *Session) supersede(a *event.Action) error {
	now := a.Standing
	switch {
	case now == nil || a.Part == "" || a.Job == "":
		return analysis.Say("action.supersede.none", strconv.FormatUint(a.Supersedes, 10), a.Part)
	case slices.Contains(s.superseded, now.Seq):
		return analysis.Say("action.supersede.again", a.Part)
	case now.Seq != a.Supersedes:
		return analysis.Say("action.supersede.stale", a.Part, analysis.Say("outcome."+string(now.Verdict.Outcome)), now.Verdict.Reason, strconv.FormatUint(now.Seq, 10))
	}
	v := *now.Verdict
	f := &s.fold
	doubted := now.Doubted || f.Doubted && f.Part != nil && f.Part.Begun == v.Begun
	switch {
	case a.Outcome == event.IsAccepted && doubted:
		return analysis.Say("action.supersede.doubted", v.Part)
	case a.Outcome == event.IsAccepted && !v.Missing.IsZero():
		return analysis.Say("action.supersede.missing", v.Part, v.Missing)
	case a.Outcome == event.IsAccepted && v.State != event.InSize:
		return analysis.Say("action.accept.state", v.Part, analysis.Say("state."+string(v.State)), v.Reason)
	case a.Outcome == event.Conceded && !outside(v.State) && v.Outcome != event.OnHold && v.Outcome != event.Conceded:
		return analysis.Say("action.concession.state", v.Part, analysis.Say("state."+string(v.State)))
	}
	signed, err := s.signer(a, &now.Measured)
	if err != nil {
		return err
	}
	v.Outcome, v.Number, v.GrantedBy, v.Reason, v.Supersedes, v.SignedBy = a.Outcome, a.Number, a.GrantedBy, a.Why(), now.Seq, signed
	s.superseded = append(s.superseded[max(0, len(s.superseded)+1-supersededKept):], now.Seq)
	s.emit(event.Event{Kind: event.Superseded, Verdict: &v})
	return nil
}
