package session

import (
	"bytes"
	"encoding/json"
	"slices"
	"testing"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/verdict"
	"fairbore/daemon/event"
	"fairbore/daemon/people"
	"fairbore/daemon/state"
)

// staff are the people of the tests: a and b measure, q decides, s sets up, v looks. b and q have a
// PIN, a has a badge too.
func staff() people.Staff {
	return people.Staff{
		"a": {Rights: []event.Right{event.MayGauge, event.MayAccept}},
		"b": {Rights: []event.Right{event.MayGauge}, PIN: "hash", Badge: "FB-0002"},
		"q": {Rights: []event.Right{event.MayAccept}, PIN: "hash"},
		"s": {Rights: []event.Right{event.MaySetUp}},
		"v": {Rights: []event.Right{event.MayLook}},
	}
}

func staffed(t testing.TB) *bench {
	set := guarded(verdict.Simple)
	set.Master.Lapse.Fresh, set.Master.Lapse.FreshReadings = 0, 0
	set.People, set.Shift = staff(), 8*time.Hour
	set.Names = map[string]string{"a": "first shift", "b": "second shift", "q": "quality", "s": "setter", "v": "visitor"}
	return newBench(t, set)
}

// works makes somebody the person of the station.
func (b *bench) works(id string) {
	b.t.Helper()
	b.must(event.Action{Do: "person", Person: id, Proof: event.ByPIN})
}

// Who may do what, for every action of the table.
func TestRightsOfActions(t *testing.T) {
	may := map[string][]string{"job": {"s"}, "accept": {"a", "q"}, "disposition": {"a", "q"}, "person": {"", "a", "b", "q", "s", "v"}, "record": {"", "a", "b"}}
	for _, do := range Actions() {
		want, stated := may[do]
		if !stated {
			want = []string{"a", "b"}
		}
		for _, id := range []string{"", "a", "b", "q", "s", "v"} {
			b := staffed(t)
			b.must(event.Action{Do: "job", Job: "J-4112", Source: "daemon"})
			if id != "" {
				b.works(id)
			}
			r := b.do(event.Action{Do: do, Source: "page"})
			refused := r.Why.Code == "action.person.needed" || r.Why.Code == "action.person.may_not"
			if refused == slices.Contains(want, id) {
				t.Errorf("%s by %q: %+v", do, id, r)
			}
			if id == "" && refused && r.Why.Code != "action.person.needed" || id != "" && refused && r.Why.Code != "action.person.may_not" {
				t.Errorf("%s by %q: refused by %s", do, id, r.Why.Code)
			}
		}
	}
	b := staffed(t)
	b.works("v")
	if r := b.do(event.Action{Do: "job", Job: "J-4112"}); r.Why.Text != "visitor may not choose jobs and set up. Who may: setter." {
		t.Errorf("%q", r.Why.Text)
	}
}

// Without people nothing is asked, and no action can bring a name in.
func TestNobodyIsAskedWithoutPeople(t *testing.T) {
	set := guarded(verdict.Simple)
	set.Master.Lapse.Fresh, set.Master.Lapse.FreshReadings = 0, 0
	b := gauged(t, set, "31.7513", "31.7513", "31.7513", "31.7513", "31.7513", "31.7513")
	for _, a := range []event.Action{{Do: "person", Person: "mallory"}, {Do: "person"}, {Do: "accept", Person: "mallory", Proof: event.ByPIN}} {
		if r := b.do(a); r.Done || r.Why.Code != "action.person.none" {
			t.Errorf("%+v: %+v", a, r)
		}
	}
	b.must(event.Action{Do: "accept"})
	for _, e := range b.all {
		if e.Person != "" || e.Working != nil || e.Verdict != nil && e.Verdict.SignedBy != "" {
			t.Errorf("a person on %+v", e)
		}
	}
	if b.bore().Working != nil {
		t.Error("the state asks for a person")
	}
}

// A person of the list is named as such; who has a PIN or a badge must prove it; nobody is named from
// outside the station.
func TestNamingThePerson(t *testing.T) {
	for _, c := range []struct {
		a    event.Action
		code string
	}{
		{event.Action{Person: "a", Source: "page"}, ""},
		{event.Action{Person: "b", Source: "page"}, "action.person.prove"},
		{event.Action{Person: "b", Source: "page", Proof: event.ByList}, "action.person.prove"},
		{event.Action{Person: "b", Source: "page", Proof: event.ByPIN}, ""},
		{event.Action{Person: "b", Source: "scanner", Proof: event.ByBadge}, ""},
		{event.Action{Person: "mallory", Source: "page", Proof: event.ByPIN}, "action.person.unknown"},
		{event.Action{Person: "B", Source: "page", Proof: event.ByPIN}, "action.person.unknown"},
		{event.Action{Person: "a", Source: "broker"}, "action.person.at_station"},
		{event.Action{Source: "broker"}, "action.person.at_station"},
		{event.Action{Source: "page"}, "action.person.nobody"},
	} {
		b := staffed(t)
		c.a.Do = "person"
		r := b.do(c.a)
		if r.Why.Code != c.code || r.Done != (c.code == "") {
			t.Errorf("%+v: %+v", c.a, r)
		}
		if !r.Done {
			if len(b.all) > 0 {
				t.Errorf("%+v: %+v", c.a, b.all)
			}
			continue
		}
		e, proof := b.all[0], c.a.Proof
		if proof == "" {
			proof = event.ByList
		}
		if e.Person != c.a.Person || e.Working.By != proof || !e.Working.Until.Equal(b.now.Wall.Add(8*time.Hour)) {
			t.Errorf("%+v: %+v %+v", c.a, e, e.Working)
		}
	}
	// A message can't state what was proved.
	a, err := event.ParseAction([]byte(`{"id":"1","do":"person","person":"b","proof":"pin"}`))
	if err == nil {
		t.Errorf("taken: %+v", a)
	}
	if a, err = event.ParseAction([]byte(`{"id":"1","do":"person","person":"b","Proof":"pin"}`)); err == nil {
		t.Errorf("taken: %+v", a)
	}
}

// Commands and foot switches act for the person of the station, and can't name another.
func TestOthersActForThePersonOfTheStation(t *testing.T) {
	b := staffed(t)
	b.must(event.Action{Do: "job", Job: "J-4112", Source: "daemon"})
	b.works("b")
	for _, source := range []string{"broker", "pedal", "page"} {
		r := b.do(event.Action{Do: "note", Reason: "x", Source: source})
		if e := b.last[0]; !r.Done || e.Person != "b" || e.Source != source {
			t.Errorf("%s: %+v", source, e)
		}
	}
	for _, do := range []string{"note", "accept", "void", "person"} {
		if r := b.do(event.Action{Do: do, Person: "q", Reason: "x", Source: "broker", Proof: event.ByPIN}); r.Why.Code != "action.person.at_station" {
			t.Errorf("%s in another's name: %+v", do, r)
		}
	}
}

// A badge says who works here, and is no serial number.
func TestBadgeByScanner(t *testing.T) {
	b := staffed(t)
	b.must(event.Action{Do: "job", Job: "J-4112", Source: "daemon"})
	ev, r := b.Scanned(b.now, "FB-0002")
	if !r.Done || len(ev) != 1 || ev[0].Kind != event.PersonNamed || ev[0].Person != "b" || ev[0].Working.By != event.ByBadge || ev[0].Source != "scanner" {
		t.Fatalf("%+v %+v", ev, r)
	}
	if ev, _ := b.Scanned(b.now, " FB-0002 "); len(ev) != 1 || ev[0].Kind != event.PersonNamed {
		t.Errorf("with spaces: %+v", ev)
	}
	for _, text := range []string{"fb-0002", "FB-000"} { // not the badge, so a serial number
		if ev, _ := b.Scanned(b.now, text); len(ev) == 0 || ev[0].Kind != event.PartBegun {
			t.Errorf("%q: %+v", text, ev)
		}
	}
	if r := b.do(event.Action{Do: "part", Part: "FB-0002", Source: "page"}); r.Done || r.Why.Code != "action.part.badge" {
		t.Errorf("a badge as a serial number: %+v", r)
	}
	for _, e := range b.all {
		if text, _ := json.Marshal(e); bytes.Contains(text, []byte(`"FB-0002"`)) {
			t.Errorf("the badge is in %s", text)
		}
	}
}

// The shift ends by the clock: readings go on without a name, actions ask for one.
func TestShiftEnds(t *testing.T) {
	b := staffed(t)
	b.must(event.Action{Do: "job", Job: "J-4112", Source: "daemon"})
	b.works("a")
	b.master()
	b.must(event.Action{Do: "part", Part: "1"})
	b.send("31.7320")
	if e := b.last[0]; e.Person != "a" || b.bore().Person() != "a" {
		t.Errorf("within the shift: %+v, %q", e, b.bore().Person())
	}
	b.now.Wall, b.now.Mono = b.now.Wall.Add(8*time.Hour), b.now.Mono+8*time.Hour
	b.send("31.7320")
	if e := b.last[0]; e.Kind != event.Taken || e.Person != "" {
		t.Errorf("after the shift: %+v", e)
	}
	if w := b.bore().Working; w.Person != "" || w.Unnamed != 1 {
		t.Errorf("after the shift: %+v", w)
	}
	if r := b.do(event.Action{Do: "void", Reason: "x"}); r.Why.Code != "action.person.needed" {
		t.Errorf("after the shift: %+v", r)
	}
	b.must(event.Action{Do: "record", Source: "pedal"}) // a reading is not lost
	if e := b.last[0]; e.Kind != event.Taken || e.Person != "" {
		t.Errorf("by foot: %+v", e)
	}
	b.must(event.Action{Do: "person", Person: "a", Mine: true})
	if e := b.last[0]; e.Working.Readings != 2 || b.Fold().Work.Unnamed != 0 || b.Fold().Work.Takers[2] != "a" {
		t.Errorf("named afterwards: %+v, %+v", e.Working, b.Fold().Work.Takers)
	}
	b.must(event.Action{Do: "person"})
	if b.last[0].Person != "" || b.bore().Person() != "" {
		t.Errorf("signed off: %+v", b.last[0])
	}
	// A clock that is set back to before the naming doesn't make the shift longer.
	b.must(event.Action{Do: "person", Person: "a"})
	b.now.Wall = b.now.Wall.Add(-24 * time.Hour)
	if r := b.do(event.Action{Do: "void", Reason: "x"}); r.Why.Code != "action.person.needed" {
		t.Errorf("with the clock set back: %+v", r)
	}
}

// Who is no longer in the configuration works there no longer.
func TestPersonWhoLeft(t *testing.T) {
	b := staffed(t)
	b.works("a")
	set := b.set
	set.People = staff()
	delete(set.People, "a")
	b.keep(b.Configure(b.now, set))
	if r := b.do(event.Action{Do: "note", Reason: "x"}); r.Why.Code != "action.person.needed" {
		t.Errorf("%+v", r)
	}
}

// signedFor is a part in size of a job that another must sign for, measured by b, and in the end by
// somebody else or, for "", by nobody who was named.
func signedFor(t *testing.T, last string) *bench {
	b := staffed(t)
	job := sleeve()
	job.SignOff = true
	b.set.Jobs = map[string]*analysis.Job{job.ID: job}
	b.must(event.Action{Do: "job", Job: "J-4112", Source: "daemon"})
	b.works("b")
	b.master()
	b.must(event.Action{Do: "part", Part: "1"})
	for i := range 6 {
		switch {
		case i == 5 && last == "":
			b.must(event.Action{Do: "person"})
		case i == 5:
			b.works(last)
		}
		b.send("31.7513")
	}
	return b
}

// Another must accept a part than those who measured it, and both stand on the verdict.
func TestSignOff(t *testing.T) {
	for _, c := range []struct {
		name, works string
		a           event.Action
		code, signs string
	}{
		{"one who measured", "a", event.Action{}, "action.sign.other", ""},
		{"one who measured, by name", "a", event.Action{Person: "a"}, "action.sign.other", ""},
		{"another, without the PIN", "a", event.Action{Person: "q"}, "action.person.prove", ""},
		{"another", "a", event.Action{Person: "q", Proof: event.ByPIN}, "", "q"},
		{"another, for one who may not accept", "b", event.Action{Person: "q", Proof: event.ByPIN}, "", "q"},
		{"one without the right", "a", event.Action{Person: "s", Proof: event.ByPIN}, "action.person.may_not", ""},
		{"a stranger", "a", event.Action{Person: "mallory", Proof: event.ByPIN}, "action.person.unknown", ""},
		{"another, who works here", "q", event.Action{}, "", ""},
		{"another, who works here, by command", "q", event.Action{Source: "broker"}, "action.person.at_station", ""},
		{"another, who works here, without PIN or badge", "c", event.Action{}, "action.person.prove", ""},
		{"another, without PIN or badge", "a", event.Action{Person: "c"}, "action.person.prove", ""},
		{"another, by command", "a", event.Action{Person: "q", Proof: event.ByPIN, Source: "broker"}, "action.person.at_station", ""},
	} {
		b := signedFor(t, "a")
		b.set.People["c"] = people.Person{Rights: []event.Right{event.MayAccept}} // the configuration does not see jobs entered at the page
		b.works(c.works)
		c.a.Do = "accept"
		r := b.do(c.a)
		if r.Done != (c.code == "") || r.Why.Code != c.code {
			t.Errorf("%s: %+v", c.name, r)
			continue
		}
		if e := b.last; r.Done && (e[0].Person != c.works || e[0].Verdict.SignedBy != c.signs) {
			t.Errorf("%s: %+v %+v", c.name, e[0], e[0].Verdict)
		}
	}
}

// A part with readings of nobody can't be signed for, until somebody says to have taken them.
func TestSignOffWantsEveryNameOfTheReadings(t *testing.T) {
	b := signedFor(t, "")
	b.works("q")
	if r := b.do(event.Action{Do: "accept"}); r.Why.Code != "action.sign.unnamed" {
		t.Errorf("%+v", r)
	}
	b.must(event.Action{Do: "person", Person: "q", Proof: event.ByPIN, Mine: true})
	if r := b.do(event.Action{Do: "accept"}); b.Fold().Work.Unnamed == 0 || r.Done {
		t.Errorf("claimed by somebody who may not measure: %+v", r)
	}
	b.must(event.Action{Do: "person", Person: "a", Mine: true})
	b.must(event.Action{Do: "accept", Person: "q", Proof: event.ByPIN})
}

// The state with its people is a fold of its events.
func TestPeopleAreAFold(t *testing.T) {
	b := signedFor(t, "")
	b.must(event.Action{Do: "person", Person: "a", Mine: true})
	var f state.Fold
	for _, e := range b.all {
		text, err := e.AppendJSON(nil)
		if err != nil {
			t.Fatal(err)
		}
		again, err := event.Decode(text)
		if err != nil {
			t.Fatal(err)
		}
		f.Apply(&again)
	}
	got, _ := json.Marshal(f.Work)
	want, _ := json.Marshal(b.Fold().Work)
	if !bytes.Equal(got, want) || len(f.Work.Took) != 2 {
		t.Errorf("got  %s\nwant %s", got, want)
	}
}
