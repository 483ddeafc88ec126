package session

import (
	"reflect"
	"strings"
	"testing"

	"fairbore/analysis/notation"
	"fairbore/daemon/event"
)

// What the numbers rest on is recorded when it comes into force: at the first start, and again only
// when something in it is another.
func TestSettingsAreRecordedWhenTheyComeIntoForce(t *testing.T) {
	b := newBench(t, testSettings())
	told := func(ev []event.Event) (all []*event.Settings) {
		for _, e := range b.keep(ev) {
			if e.Kind == event.Configured {
				all = append(all, e.Settings)
			}
		}
		return all
	}
	first := told(b.Begin(b.now))
	if len(first) != 1 || first[0].Changed != nil || !reflect.DeepEqual(first[0].Gauge, testSettings().Gauge) || b.Fold().Settings != first[0] {
		t.Fatalf("at the first start: %+v", first)
	}
	if again := told(b.Configure(b.now, testSettings())); again != nil {
		t.Errorf("a reload of the same settings was recorded: %+v", again)
	}
	past := make([]event.Record, len(b.all))
	for i := range b.all {
		past[i].Event = b.all[i]
	}
	b.Session = New(testSettings(), past)
	if again := told(b.Begin(b.now)); again != nil {
		t.Errorf("a restart with the same settings was recorded: %+v", again)
	}
	set := testSettings()
	set.Rule, set.Gauge.Step = "U", 2000
	next := told(b.Configure(b.now, set))
	if len(next) != 1 || strings.Join(next[0].Changed, " ") != "gauge guard" || next[0].Hash == first[0].Hash {
		t.Errorf("after a change: %+v", next)
	}
	if set.Jobs = nil; told(b.Configure(b.now, set)) != nil {
		t.Error("jobs and rings that nobody took up were recorded")
	}
}

// Each member of the settings has a word for a person who reads that it changed.
func TestEachMemberOfTheSettingsHasAWord(t *testing.T) {
	of := reflect.TypeFor[event.Settings]()
	for i := range of.NumField() {
		name, _, _ := strings.Cut(of.Field(i).Tag.Get("json"), ",")
		if name == "hash" || name == "changed" {
			continue
		}
		set := event.Settings{Changed: []string{name}}
		if text := (notation.Format{}).Say(set.Phrase()); strings.Contains(text, "settings.") {
			t.Errorf("%s has no text: %s", name, text)
		}
	}
}
