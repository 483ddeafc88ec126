package report

import (
	"bytes"
	"strings"
	"testing"

	"fairbore/analysis/notation"
	"fairbore/daemon/event"
)

// A record says who measured, who decided and who signed, by the names that the journal has, and that
// nobody was named where that is so.
func TestRecordSaysWho(t *testing.T) {
	p := sleeve(t)
	said := func() string { return strings.Join(strings.Fields(PartRecord(p, notation.Format{}).Text()), " ") }
	if text := said(); !strings.Contains(text, "measured by not named") || !strings.Contains(text, "page (not named)") {
		t.Errorf("of nobody:\n%s", text)
	}
	set := event.Settings{}
	for i := range p.Records {
		if e := &p.Records[i]; e.Settings != nil {
			set = *e.Settings
		}
	}
	set.Names = map[string]string{"a": "first shift", "q": "quality"}
	named := event.Record{Event: event.Event{Station: p.Records[0].Station, At: p.Records[0].At, Kind: event.PersonNamed, Person: "a", Working: &event.Working{By: event.ByPIN, Until: p.Records[0].At}}}
	for i := range p.Records {
		e := &p.Records[i]
		if e.Person = "a"; e.Verdict != nil {
			v := *e.Verdict
			v.SignedBy = "q"
			e.Verdict = &v
		}
	}
	p.Records = append([]event.Record{{Event: event.Event{Station: named.Station, At: named.At, Kind: event.Configured, Settings: &set}}, named}, p.Records...)
	text := said()
	for _, want := range []string{"measured by first shift ", "quality; at the station: first shift (page)", "person first shift"} {
		if !strings.Contains(text, want) {
			t.Errorf("the record lacks %q:\n%s", want, text)
		}
	}
	var out bytes.Buffer
	if err := p.Table().CSV(&out); err != nil || !strings.Contains(out.String(), ",person,named_afterwards,") || !strings.Contains(out.String(), ",a,,fairbore head") {
		t.Errorf("%v\n%s", err, out.String())
	}
}
