package session

import (
	"slices"
	"strings"

	"fairbore/analysis"
	"fairbore/daemon/event"
)

// rightFor returns the right that the person of the station must have for an action, "" for none.
func rightFor(do string) event.Right {
	switch do {
	case "job":
		return event.MaySetUp
	case "accept", "disposition":
		return event.MayAccept
	case "person":
		return ""
	}
	return event.MayGauge
}

// permit refuses an action that the person of the station has no right to. Without people in the
// configuration everybody may do everything, and nobody is named. What the program itself asks for
// needs nobody.
func (s *Session) permit(a event.Action) error {
	right := rightFor(a.Do)
	if a.Person != "" && a.Source == "broker" {
		return analysis.Say("action.person.at_station")
	}
	if right == "" || len(s.set.People) == 0 || a.Source == "daemon" {
		return nil
	}
	id := s.person()
	if id == "" {
		switch {
		case a.Do == "record": // a reading is never lost for want of a name
			return nil
		case a.Supersedes == 0 || a.Person == "": // else who decides says so, wherever that is
			return analysis.Say("action.person.needed")
		}
	}
	if right == event.MayAccept && a.Person != "" {
		if err := s.proved(a); err != nil {
			return err
		}
		id = a.Person
	}
	if p := s.set.People[id]; !p.May(right) {
		return analysis.Say("action.person.may_not", s.set.NameOf(id), analysis.Say("right."+string(right)), s.named(s.set.People.With(right, nil)))
	}
	return nil
}

// person returns the id of who works at the station now, "" if nobody is named.
func (s *Session) person() string { return s.fold.Work.Now(s.set.People, s.now.Wall) }

// named returns the names of people.
func (s *Session) named(ids []string) string {
	names := make([]string, len(ids))
	for i, id := range ids {
		names[i] = s.set.NameOf(id)
	}
	return strings.Join(names, ", ")
}

// proved refuses a person of an action who is not known, or who did not prove to be that person.
func (s *Session) proved(a event.Action) error {
	p, ok := s.set.People[a.Person]
	switch {
	case !ok:
		return analysis.Say("action.person.unknown")
	case p.Proves() && a.Proof != event.ByPIN && a.Proof != event.ByBadge:
		return analysis.Say("action.person.prove", s.set.NameOf(a.Person))
	}
	return nil
}

// namePerson notes who works at the station from now on, or that nobody does.
func (s *Session) namePerson(a event.Action) error {
	switch {
	case a.Source == "broker":
		return analysis.Say("action.person.at_station")
	case len(s.set.People) == 0:
		return analysis.Say("action.person.none")
	case a.Person == "" && s.person() == "":
		return analysis.Say("action.person.nobody")
	case a.Person == "":
		s.emit(event.Event{Kind: event.PersonNamed, Working: &event.Working{}})
		return nil
	}
	if err := s.proved(a); err != nil {
		return err
	}
	w := &event.Working{By: a.Proof, Until: s.now.Wall.Add(s.set.Shift)}
	if w.By == "" {
		w.By = event.ByList
	}
	if p := s.set.People[a.Person]; a.Mine && p.May(event.MayGauge) {
		w.Readings = s.fold.Work.Unnamed
	}
	s.emit(event.Event{Kind: event.PersonNamed, Person: a.Person, Working: w})
	return nil
}

// signer returns the id of another than the person of the station who signs for a result, "" if
// there is none. Where the job asks for it, it refuses somebody who took readings of the part.
func (s *Session) signer(a *event.Action, by *event.Measured) (string, error) {
	if len(s.set.People) == 0 {
		switch {
		case a.Person != "":
			return "", analysis.Say("action.person.none")
		case by.SignOff:
			return "", analysis.Say("action.sign.no_people", by.Job)
		}
		return "", nil
	}
	who := s.person()
	signs := a.Person
	if signs == "" {
		signs = who
	}
	if by.SignOff {
		p := s.set.People[signs]
		switch {
		case a.Source == "broker": // whoever may send it has not shown to be that person
			return "", analysis.Say("action.person.at_station")
		case by.Unnamed > 0:
			return "", analysis.Say("action.sign.unnamed", by.Unnamed)
		case slices.Contains(by.Took, signs):
			return "", analysis.Say("action.sign.other", s.set.NameOf(signs), s.named(s.set.People.With(event.MayAccept, by.Took)))
		case !p.Proves(): // a job entered at the page asks for it whatever the configuration says of the people
			return "", analysis.Say("action.person.prove", s.set.NameOf(signs))
		}
	}
	if signs == who {
		return "", nil
	}
	return signs, nil
}
