package session

import (
	"errors"
	"strings"
	"time"

	"fairbore/analysis"
	"fairbore/daemon/event"
	"fairbore/drivers"
)

// action is one thing that can be asked for. To add one, add a row to [actions], a function that
// carries it out, and the texts of its refusals.
type action struct {
	name string
	// args are the members of [event.Action] that the action uses, besides id, source and confirm.
	args string
	job  bool // the action needs a chosen job
	do   func(*Session, event.Action) error
}

// actions is the table of all actions, whether they come from the page, the broker, a foot switch
// or a scanner.
func actions() []action {
	return []action{
		{"job", "job spec", false, (*Session).chooseJob},
		{"part", "part order heat fields", false, (*Session).beginPart},
		{"round", "strokes seconds dressed", true, (*Session).newRound},
		{"undo_round", "", true, (*Session).undoRound}, // the round in hand was begun by mistake
		{"position", "position", true, (*Session).choosePlace},
		{"repeat", "position", true, (*Session).choosePlace}, // gauge one place again and again
		{"skip", "position", true, (*Session).choosePlace},
		{"record", "", true, (*Session).takeLive}, // record what the gauge shows
		{"void", "reading reason reason_code", true, (*Session).void},
		{"restore", "reading reason reason_code", true, (*Session).void},
		{"keep", "reading reason reason_code", true, (*Session).keepAsked},                              // keep a reading that the program asked about
		{"master", "ring readings gain", false, (*Session).beginMastering},                              // set the zero
		{"check", "ring readings", false, (*Session).beginMastering},                                    // check that the zero holds
		{"reread", "ring readings", false, (*Session).beginRereading},                                   // read the ring that set the zero as if it were a part
		{"speeds", "ring readings", false, (*Session).beginSpeeds},                                      // find out whether the size depends on the rocking speed
		{"leave", "reason reason_code", false, (*Session).leaveRing},                                    // stop reading the ring
		{"bumped", "reason reason_code", false, (*Session).noteKnock},                                   // the gauge was knocked
		{"dressed", "reason reason_code", false, (*Session).noteDressing},                               // the stones were dressed
		{"temperature", "part_cel ring_cel", false, (*Session).warm},                                    // record measured temperatures
		{"cooldown", "off reason reason_code", true, (*Session).coolDown},                               // correct for how warm the part still is
		{"study", "parts appraisers trials appraiser trial over part position", true, (*Session).study}, // start, continue or end a gauge study
		{"accept", "reason reason_code job part supersedes person", false, (*Session).decide},
		{"disposition", "outcome reason reason_code number granted_by job part supersedes person", false, (*Session).decide}, // what is to become of the part
		{"note", "reason", false, (*Session).note},
		{"person", "person mine", false, (*Session).namePerson}, // who works here from now on
	}
}

// Actions returns the names of all actions in the order of their table.
func Actions() (names []string) {
	for _, a := range actions() {
		names = append(names, a.name)
	}
	return names
}

// do looks the action up in the table and carries it out.
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
			if err := s.permit(a); err != nil {
				return err
			}
			return known.do(s, a)
		}
	}
	return analysis.Say("action.unknown", a.Do, strings.Join(Actions(), ", "))
}

// errAsk is a refusal that the action's Confirm member overrides.
type errAsk struct{ analysis.Phrase }

func ask(code string, args ...any) error { return errAsk{analysis.Say(code, args...)} }

// Act carries out an action. It returns the events that follow, none if the action was refused, and
// the reply.
func (s *Session) Act(at drivers.Moment, a event.Action) ([]event.Event, event.Reply) {
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
		var asked errAsk
		if r.Ask = errors.As(err, &asked); r.Ask {
			err = asked.Phrase
		}
		r.Why = s.written(analysis.Reason(err))
	}
	if a.ID != "" && !r.Ask {
		s.replies.put(a.ID, r)
	}
	return s.end(), r
}

// Scanned takes in what a scanner or a keypad typed. A badge says who works here, the name of a job chooses that job, the name
// of a ring begins a mastering, an action of the printed card is carried out, and any other text is the serial number of the
// next part.
func (s *Session) Scanned(at drivers.Moment, text string) ([]event.Event, event.Reply) {
	text = strings.TrimSpace(text)
	a := event.Action{Do: "part", Part: text, Source: "scanner"}
	if do, ok := event.Scanned(text); ok {
		a = event.Action{Do: do, Source: "scanner"}
	} else if id := s.set.People.ByBadge(text); id != "" {
		a = event.Action{Do: "person", Person: id, Proof: event.ByBadge, Source: "scanner"}
	} else if _, ok := s.set.Jobs[text]; ok {
		a = event.Action{Do: "job", Job: text, Source: "scanner"}
	} else if _, ok := s.set.Rings[text]; ok {
		a = event.Action{Do: "master", Ring: text, Source: "scanner"}
	}
	if s.now = at; !s.mayTell() { // a scanner that types without end
		s.begin(at)
		return s.end(), event.Reply{Do: a.Do, Why: analysis.Say("reading.flood", s.set.Capture.MaxRate)}
	}
	if s.Recall != nil {
		a = s.Recall(a)
	}
	return s.ActBlind(at, a)
}

// declinedFor is how long a person is told why a foot switch or a scanner did nothing.
const declinedFor = 4 * time.Second

// ActBlind carries out an action of a foot switch or a scanner, which show no reply. If the action
// is refused, the hint of the live value says why for a while.
func (s *Session) ActBlind(at drivers.Moment, a event.Action) ([]event.Event, event.Reply) {
	events, reply := s.Act(at, a)
	if s.declined = reply.Why; !reply.Done {
		s.declinedAt = at.Mono
		s.hint(reply.Why)
	}
	return events, reply
}

// replies keeps the newest replies by action id, so that an action that arrives twice is carried
// out once.
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

func (s *Session) noteKnock(a event.Action) error {
	s.emit(because(event.Event{Kind: event.Disturbed}, &a))
	return nil
}

func (s *Session) noteDressing(a event.Action) error {
	s.emit(because(event.Event{Kind: event.Dressing}, &a))
	return nil
}

// because returns an event with the reason of an action: picked, or in a person's own words.
func because(e event.Event, a *event.Action) event.Event {
	if e.Note = a.Reason; a.ReasonCode != "" {
		why := a.Why()
		e.Why = &why
	}
	return e
}

func (s *Session) note(a event.Action) error {
	if strings.TrimSpace(a.Reason) == "" {
		return analysis.Say("action.note.empty")
	}
	s.emit(event.Event{Kind: event.NoteAdded, Note: a.Reason})
	return nil
}

// leaveRing stops the reading of a ring.
func (s *Session) leaveRing(a event.Action) error {
	if s.fold.Running == nil {
		return analysis.Say("action.leave.none")
	}
	broken := *s.fold.Running
	broken.Broken, broken.Why = true, or(a.Why(), analysis.Say("action.left"))
	s.emit(event.Event{Kind: event.Mastering, Master: &broken})
	return nil
}
