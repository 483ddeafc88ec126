package session

import (
	"bytes"
	"encoding/json"
	"os"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/analysis/verdict"
	"fairbore/daemon/event"
)

// The table of actions, the contract and the members of an action say the same.
func TestActionsAreThoseOfTheContract(t *testing.T) {
	b, err := os.ReadFile("../../configs/schema/do.json")
	if err != nil {
		t.Fatal(err)
	}
	var schema struct {
		Properties map[string]struct {
			Enum []string `json:"enum"`
		} `json:"properties"`
	}
	if err := json.Unmarshal(b, &schema); err != nil {
		t.Fatal(err)
	}
	want := slices.Sorted(slices.Values(schema.Properties["do"].Enum))
	if got := slices.Sorted(slices.Values(Actions())); !slices.Equal(got, want) {
		t.Errorf("the table has %v, the contract %v", got, want)
	}
	members := members(reflect.TypeFor[event.Action]())
	gone := map[string]bool{}
	for _, a := range actions() {
		for arg := range strings.FieldsSeq(a.args) {
			if gone[arg] = true; !slices.Contains(members, arg) {
				t.Errorf("%s goes by %s, which is no member of an action", a.name, arg)
			}
			if schema.Properties[arg].Enum == nil && !hasProperty(b, arg) {
				t.Errorf("%s goes by %s, which the contract does not name", a.name, arg)
			}
		}
	}
	for _, m := range members {
		if !gone[m] && !slices.Contains([]string{"id", "do", "confirm", "source"}, m) {
			t.Errorf("no action goes by %s", m)
		}
	}
}

// members are the JSON names of the fields of a struct.
func members(t reflect.Type) (names []string) {
	for i := range t.NumField() {
		f := t.Field(i)
		if f.Tag.Get("json") == "-" { // no message can state it
			continue
		}
		if f.Anonymous {
			names = append(names, members(f.Type)...)
			continue
		}
		name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
		names = append(names, name)
	}
	return names
}

func hasProperty(schema []byte, name string) bool {
	var s struct {
		Properties map[string]any `json:"properties"`
	}
	return json.Unmarshal(schema, &s) == nil && s.Properties[name] != nil
}

// Whatever an action leaves out that it may leave out, its events keep the contract.
func TestEventsOfActionsKeepTheContract(t *testing.T) {
	c := jsonschema.NewCompiler()
	schema, err := c.Compile("../../configs/schema/event.json")
	if err != nil {
		t.Fatal(err)
	}
	kinds := map[event.Kind]bool{}
	keep := func(events []event.Event) {
		t.Helper()
		for i, e := range events {
			if e.Kind == event.Taken { // a message of its own
				continue
			}
			kinds[e.Kind] = true
			r := event.Record{Journal: "0f1e2d3c4b5a69788796a5b4c3d2e1f0", Seq: uint64(i + 1), Event: e}
			text, err := r.AppendJSON(nil)
			if err != nil {
				t.Fatal(err)
			}
			doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
			if err != nil {
				t.Fatal(err)
			}
			if err := schema.Validate(doc); err != nil {
				t.Errorf("%s: %v\n%s", e.Kind, err, text)
			}
		}
	}
	b := gauged(t, guarded(verdict.Simple), "31.7513", "31.7513", "31.7513", "31.7513", "31.7513", "31.7513")
	keep(b.all)
	for _, a := range []event.Action{
		{Do: "bumped"}, {Do: "dressed"}, {Do: "note", Reason: "n"}, {Do: "temperature", Warmth: event.Warmth{Part: new(analysis.Temperature)}}, {Do: "position"}, {Do: "repeat"}, {Do: "skip"}, {Do: "round"},
		{Do: "void", Reason: "dirt"}, {Do: "restore"}, {Do: "check"}, {Do: "leave"}, {Do: "reread"}, {Do: "leave"}, {Do: "master"}, {Do: "leave"},
		{Do: "study", StudyRequest: event.StudyRequest{Appraisers: []string{"a"}}}, {Do: "study", StudyRequest: event.StudyRequest{Over: true}}, {Do: "disposition", Outcome: event.OnHold, Reason: "r"}, {Do: "part"}, {Do: "job", Job: "J-4112"},
	} {
		a.Confirm = true
		b.do(a)
		keep(b.last)
	}
	if len(kinds) < 15 {
		t.Errorf("only %d kinds of event came: %v", len(kinds), kinds)
	}
}

// An action that is asked for without a job, or that nobody knows, says what to do.
func TestActionsThatAreNotDone(t *testing.T) {
	b := newBench(t, testSettings())
	for _, a := range actions() {
		if r := b.do(event.Action{Do: a.name, Reason: "x"}); a.job && (r.Done || r.Why.Code != "action.no_job") {
			t.Errorf("%s without a job: %+v", a.name, r)
		}
	}
	if r := b.do(event.Action{Do: "polish"}); r.Done || r.Why.Code != "action.unknown" || !strings.Contains(coded(r.Why), "cooldown") {
		t.Errorf("polish: %+v", r)
	}
}

// A reason that a person picks is recorded as its code, which every reader has in his language,
// and its English text; an unknown one is refused.
func TestPickedReasonsAreCodes(t *testing.T) {
	for _, code := range event.Reasons() {
		if !notation.English().Has("page.reason." + code) {
			t.Errorf("%s has no text", code)
		}
	}
	b := gauged(t, guarded(verdict.Simple), "31.7513", "31.7513", "31.7513")
	de := notation.Format{Language: notation.Spoken("de")}
	tell := func(a event.Action) []event.Event {
		t.Helper()
		b.must(a)
		return b.last
	}
	told := map[event.Kind]analysis.Phrase{}
	for _, a := range []event.Action{{Do: "void", ReasonCode: "dirt"}, {Do: "bumped", ReasonCode: "dropped"}, {Do: "dressed", ReasonCode: "trued"}} {
		for _, e := range tell(a) {
			if e.Void != nil {
				told[e.Kind] = e.Void.Reason
			} else {
				told[e.Kind] = e.Noted()
			}
		}
	}
	for kind, code := range map[event.Kind]string{event.Voided: "page.reason.dirt", event.Disturbed: "page.reason.dropped", event.Dressing: "page.reason.trued"} {
		if p := told[kind]; p.Code != code || p.Text != (notation.Format{}).Text(code) || de.Say(p) != de.Text(code) {
			t.Errorf("%s: %+v, want %s", kind, p, code)
		}
	}
	for _, a := range []event.Action{{Do: "void", ReasonCode: "boredom"}, {Do: "void", ReasonCode: "dirt", Reason: "mud"}} {
		if err := a.Check(); err == nil {
			t.Errorf("%+v is taken", a)
		}
	}
}
