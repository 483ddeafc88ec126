package session

import (
	"encoding/json"
	"os"
	"reflect"
	"slices"
	"strings"
	"testing"

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

// An action that is asked for without a job, or that nobody knows, says what to do.
func TestActionsThatAreNotDone(t *testing.T) {
	b := newBench(t, testSettings())
	for _, a := range actions() {
		if r := b.do(event.Action{Do: a.name, Reason: "x"}); a.job && (r.Done || r.Why.Code != "action.no_job") {
			t.Errorf("%s without a job: %+v", a.name, r)
		}
	}
	if r := b.do(event.Action{Do: "polish"}); r.Done || r.Why.Code != "action.unknown" || !strings.Contains(english(r.Why), "cooldown") {
		t.Errorf("polish: %+v", r)
	}
}
