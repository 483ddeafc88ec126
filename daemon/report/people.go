package report

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"

	"fairbore/daemon/event"
)

// person returns the name of a person by the settings of the journal, the id of one who has no other
// name, or that nobody was named.
func (r *record) person(id string) string { return r.named(r.fold.Settings, id) }

// named does it by settings; nil: none are known.
func (w *writer) named(set *event.Settings, id string) string {
	switch {
	case id == "":
		return w.Text("record.person.none")
	case set != nil:
		return clean(set.NameOf(id))
	}
	return clean(id)
}

// did returns who caused an event, and from where.
func (r *record) did(e *event.Record) string {
	who, from := r.person(e.Person), r.source(e.Source)
	if v := e.Verdict; v != nil && v.SignedBy != "" {
		who = r.Text("record.person.signed", who, r.person(v.SignedBy))
	}
	switch {
	case e.Verdict != nil && e.Source == "broker": // nobody pressed it there
		return r.Text("record.person.broker", who)
	case from == "":
		return who
	case e.Person == "":
		return r.Text("record.person.from", from, who)
	}
	return r.Text("record.person.from", who, from)
}

// measurers returns the id of who took each reading.
func (r *record) measurers() (ids []string) {
	for i := range r.Records {
		if x := r.Records[i].Reading; x != nil {
			ids = append(ids, cmp.Or(r.Records[i].Person, r.fold.Work.Takers[x.No]))
		}
	}
	return ids
}

// measuredBy says who took how many readings. Those who said so afterwards are among them.
func (r *record) measuredBy() string {
	n := map[string]int{}
	for _, id := range r.measurers() {
		n[id]++
	}
	ids := slices.Sorted(maps.Keys(n))
	if len(ids) == 0 {
		return none
	}
	for i, id := range ids {
		ids[i] = fmt.Sprintf("%s %d", r.person(id), n[id])
	}
	return strings.Join(ids, ", ")
}

// working says that somebody works at the station from then on, or nobody.
func (r *record) working(e *event.Event) string {
	switch {
	case e.Person == "":
		return r.Text("record.told.person_off")
	case e.Working.Readings > 0:
		return r.Text("record.told.person_mine", r.person(e.Person), e.Working.Readings)
	}
	return r.person(e.Person)
}
