// Package people says who may work at the stations and what they may do there, who works at one, and
// who took which reading of the part in hand. It knows people by their ids; their names are in
// [event.Settings].
package people

import (
	"maps"
	"slices"
	"time"

	"fairbore/daemon/event"
)

// Staff are those who may work at the stations, by id. If it is empty nobody is asked for.
type Staff map[string]Person

// Person is somebody who may work at a station, as the configuration says.
type Person struct {
	Rights []event.Right
	Badge  string // what a scanner sends for the badge, "" for none
	PIN    string // hash of the PIN, "" for none
}

// May reports whether the person has a right.
func (p *Person) May(r event.Right) bool { return slices.Contains(p.Rights, r) }

// Proves reports whether the person is known by a PIN or a badge, and not by the list alone.
func (p *Person) Proves() bool { return p.Badge != "" || p.PIN != "" }

// With returns the ids of those who have a right, in order, but not those in a list.
func (s Staff) With(r event.Right, but []string) (ids []string) {
	for _, id := range slices.Sorted(maps.Keys(s)) {
		if p := s[id]; p.May(r) && !slices.Contains(but, id) {
			ids = append(ids, id)
		}
	}
	return ids
}

// ByBadge returns the id of the person whose badge sends a text, "" if there is none.
func (s Staff) ByBadge(text string) string {
	for id, p := range s {
		if p.Badge != "" && p.Badge == text {
			return id
		}
	}
	return ""
}

// Work is who works at a station, and who took the readings of the part in hand, as the events say
// it. The zero value is a station where nobody was named.
type Work struct {
	ID          string // who was named last, "" for nobody; see [Work.Now]
	From, Until time.Time

	Takers  map[int]string // ids by the number of the reading, of those who were named
	Took    []string       // ids of those who took readings of the part, in order
	Unnamed int            // readings of the part that nobody was named for
}

// Copied returns a copy that takes in events without changing w.
func (w *Work) Copied() Work {
	c := *w
	c.Takers, c.Took = maps.Clone(w.Takers), slices.Clip(w.Took)
	return c
}

// Now returns the id of who works at the station at a moment, "" if nobody is named, if the shift is
// over, or if the person is no longer one of the staff. A wall clock that was set back to before the
// person was named counts as the end of the shift.
func (w *Work) Now(s Staff, now time.Time) string {
	if _, known := s[w.ID]; !known || now.Before(w.From) || !now.Before(w.Until) {
		return ""
	}
	return w.ID
}

// Named takes in a [event.PersonNamed]. The readings are those of the part in hand.
func (w *Work) Named(e *event.Event, readings []*event.Reading) {
	w.ID, w.From, w.Until = e.Person, e.At, e.Working.Until
	if e.Working.Readings == 0 {
		return
	}
	for _, r := range readings {
		if w.Takers[r.No] == "" {
			w.Taken(r.No, e.Person)
		}
	}
	w.Unnamed = 0
}

// Taken notes who took a reading of the part in hand, "" if nobody was named.
func (w *Work) Taken(no int, person string) {
	if person == "" {
		w.Unnamed++
		return
	}
	if w.Takers == nil {
		w.Takers = map[int]string{}
	}
	w.Takers[no] = person
	if i, found := slices.BinarySearch(w.Took, person); !found {
		w.Took = slices.Insert(slices.Clone(w.Took), i, person)
	}
}

// Forget forgets who took the readings before a number. That they took readings stays known.
func (w *Work) Forget(before int) {
	maps.DeleteFunc(w.Takers, func(no int, _ string) bool { return no < before })
}

// NextPart forgets who took the readings of the part before.
func (w *Work) NextPart() { w.Takers, w.Took, w.Unnamed = nil, nil, 0 }

// Working is what a display needs to know of who works at a station.
type Working struct {
	Person  string    `json:"person"`         // id, "" for nobody
	Until   time.Time `json:"until,omitzero"` // who works here is asked again then
	Unnamed int       `json:"unnamed"`        // readings of the part in hand that nobody was named for
}

// Working returns who works at the station at a moment, nil if nobody is asked for.
func (w *Work) Working(s Staff, now time.Time) *Working {
	if len(s) == 0 {
		return nil
	}
	out := &Working{Person: w.Now(s, now), Unnamed: w.Unnamed}
	if out.Person != "" {
		out.Until = w.Until
	}
	return out
}
