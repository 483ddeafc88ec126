package session

import (
	"strings"

	"fairbore/analysis"
	"fairbore/daemon/event"
)

// action is something that can be asked for. A new one is a row of [actions], a function
// that does it, and the texts of its refusals.
type action struct {
	name string
	// args are the members of an [event.Action] that it goes by, beside id, source and confirm.
	args string
	job  bool // it wants a job to be chosen
	do   func(*Session, event.Action) error
}

// actions is everything that can be asked for, from the page, the broker, a pedal or a
// scanner alike.
func actions() []action {
	return []action{
		{"job", "job spec", false, (*Session).chooseJob},
		{"part", "part", false, (*Session).beginPart},
		{"round", "strokes seconds dressed", true, (*Session).newRound},
		{"place", "place", true, (*Session).choosePlace},
		{"stay", "place", true, (*Session).choosePlace}, // gauge one place again and again
		{"skip", "place", true, (*Session).choosePlace},
		{"take", "", true, (*Session).takeLive}, // what the gauge shows
		{"void", "reading reason", true, (*Session).void},
		{"restore", "reading reason", true, (*Session).void},
		{"keep", "reading reason", true, (*Session).keepAsked},                                       // one that is asked about
		{"master", "ring readings gain", false, (*Session).beginMastering},                           // set the zero
		{"check", "ring readings", false, (*Session).beginMastering},                                 // whether it holds
		{"reread", "ring readings", false, (*Session).beginRereading},                                // the ring that set it, as if it were a part
		{"speeds", "ring readings", false, (*Session).beginSpeeds},                                   // does the size depend on the speed of rocking
		{"leave", "reason", false, (*Session).leaveRing},                                             // that is being read
		{"knock", "reason", false, (*Session).noteKnock},                                             // the gauge had one
		{"dressed", "reason", false, (*Session).noteDressing},                                        // the stones were
		{"warm", "part_cel ring_cel", false, (*Session).warm},                                        // temperatures were measured
		{"cooldown", "off reason", true, (*Session).coolDown},                                        // take off what the part is warm by
		{"study", "parts appraisers trials appraiser trial over part place", true, (*Session).study}, // of the gauge
		{"accept", "reason", true, (*Session).judge},
		{"reject", "reason", true, (*Session).judge}, // lay the part aside
		{"note", "reason", false, (*Session).note},
	}
}

// Actions lists the names of all actions, in the order of their table.
func Actions() (names []string) {
	for _, a := range actions() {
		names = append(names, a.name)
	}
	return names
}

// do carries an action out.
func (s *Session) do(a event.Action) error {
	if err := a.Check(); err != nil {
		return err
	}
	for _, known := range actions() {
		switch {
		case known.name != a.Do:
		case known.job && s.fold.Job == nil:
			return analysis.Say("action.no_job")
		default:
			return known.do(s, a)
		}
	}
	return analysis.Say("action.unknown", a.Do, strings.Join(Actions(), ", "))
}

func (s *Session) noteKnock(a event.Action) error {
	s.emit(event.Event{Kind: event.Disturbed, Note: a.Reason})
	return nil
}

func (s *Session) noteDressing(a event.Action) error {
	s.emit(event.Event{Kind: event.Dressing, Note: a.Reason})
	return nil
}

func (s *Session) note(a event.Action) error {
	if strings.TrimSpace(a.Reason) == "" {
		return analysis.Say("action.note.empty")
	}
	s.emit(event.Event{Kind: event.Told, Note: a.Reason})
	return nil
}

// leaveRing breaks off the reading of a ring.
func (s *Session) leaveRing(a event.Action) error {
	if s.fold.Running == nil {
		return analysis.Say("action.leave.none")
	}
	broken := *s.fold.Running
	broken.Broken, broken.Why = true, said(a.Reason, analysis.Say("action.left"))
	s.emit(event.Event{Kind: event.Mastering, Master: &broken})
	return nil
}
