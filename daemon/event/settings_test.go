package event

import (
	"encoding/json"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"fairbore/analysis"
)

// anySettings draws settings with every member, each empty or not.
func anySettings(t *rapid.T) Settings {
	word := rapid.StringMatching(`[a-zé µ"\\<&-]{0,12}`)
	span := rapid.Custom(func(t *rapid.T) time.Duration { return time.Duration(rapid.Int64().Draw(t, "ns")) })
	gauge := rapid.Custom(func(t *rapid.T) GaugeSettings {
		return GaugeSettings{
			Name: word.Draw(t, "name"), Driver: word.Draw(t, "driver"), Options: filled(rapid.MapOf(word, word).Draw(t, "options")),
			Unit: rapid.SampledFrom([]analysis.Unit{analysis.NoUnit, analysis.MM, analysis.IN, analysis.UM, analysis.UIN}).Draw(t, "unit"), Deviation: rapid.Bool().Draw(t, "deviation"),
			Roles:         filled(rapid.MapOf(word, rapid.SampledFrom([]Role{SizeChannel, DepthChannel, PartTemp, Ignored})).Draw(t, "roles")),
			Repeatability: analysis.Deviation(rapid.Int64Range(-1e15, 1e15).Draw(t, "repeatability")), Due: time.Unix(rapid.Int64Range(0, 1e6).Draw(t, "due")*86400, 0).UTC(), Certified: word.Draw(t, "certificate"),
			Assumed: rapid.Bool().Draw(t, "assumed"), Smoothing: Smoothing{span.Draw(t, "averages"), span.Draw(t, "lag"), rapid.Bool().Draw(t, "stated")},
			FreeAir: analysis.Length(rapid.Int64Range(-1e15, 1e15).Draw(t, "free air")), Step: analysis.Deviation(rapid.Int64Range(-1e15, 1e15).Draw(t, "step")), Tip: analysis.Length(rapid.Int64Range(-1e15, 1e15).Draw(t, "tip")),
			Force: rapid.Float64Range(0, 20).Draw(t, "force"), CorrectIndentation: rapid.Bool().Draw(t, "correct"), ThreePoint: rapid.Bool().Draw(t, "three-point"),
		}
	})
	kelvin := rapid.Custom(func(t *rapid.T) analysis.Temperature {
		return analysis.Temperature(rapid.Int32Range(-300_000, 300_000).Draw(t, "temperature"))
	})
	micro := rapid.Custom(func(t *rapid.T) analysis.Deviation {
		return analysis.Deviation(rapid.Int64Range(-1e15, 1e15).Draw(t, "deviation"))
	})
	return Settings{
		Program: word.Draw(t, "program"), Zone: word.Draw(t, "zone"), Letterhead: letterhead(word.Draw(t, "letterhead")), Gauge: gauge.Draw(t, "gauge"), Beside: filled(rapid.MapOfN(word, gauge, 0, 3).Draw(t, "beside")),
		Capture: CaptureSettings{word.Draw(t, "mode"), span.Draw(t, "bounce"), span.Draw(t, "settle"), span.Draw(t, "twice"), span.Draw(t, "rest"), rapid.Int().Draw(t, "rate")},
		Master: MasterSettings{rapid.Int().Draw(t, "readings"), micro.Draw(t, "spread"), Lapse{
			span.Draw(t, "age"), rapid.Int().Draw(t, "most"), kelvin.Draw(t, "change"), span.Draw(t, "fresh"), rapid.Int().Draw(t, "fresh readings"), span.Draw(t, "due soon"),
		}},
		Doubt: Doubt{micro.Draw(t, "drift"), micro.Draw(t, "contact"), kelvin.Draw(t, "part"), kelvin.Draw(t, "from 20"), kelvin.Draw(t, "ring")},
		Bases: filled(rapid.MapOf(word, rapid.SampledFrom([]analysis.Basis{analysis.ByStatement, analysis.ByMeasurement, analysis.ByAssumption})).Draw(t, "bases")),
		Rule:  word.Draw(t, "guard"), DepthReach: analysis.Length(rapid.Int64Range(-1e15, 1e15).Draw(t, "reach")),
	}
}

// letterhead is one with a text as its line and its logo, none for no text.
func letterhead(text string) Letterhead {
	if text == "" {
		return Letterhead{}
	}
	return Letterhead{[]string{text, ""}, []byte(text)}
}

// filled returns nil for an empty map, as the settings have it.
func filled[V any](m map[string]V) map[string]V {
	if len(m) == 0 {
		return nil
	}
	return m
}

// Settings come back from the journal as they went in, and a second event for the same ones has the
// same hash.
func TestSettingsComeBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		set := anySettings(t)
		set.Seal(nil)
		e := Event{Station: "bay", At: time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC), Kind: Configured, Settings: &set}
		text, err := e.AppendJSON(nil)
		if err != nil {
			t.Fatal(err)
		}
		back, err := Decode(text)
		if err != nil || !reflect.DeepEqual(back, e) {
			t.Fatalf("%v\nwent in %+v\ncame    %+v", err, e.Settings, back.Settings)
		}
		again := *back.Settings
		if again.Seal(&set); again.Hash != set.Hash || again.Changed != nil {
			t.Errorf("the same settings have the hash %s, then %s; changed: %q", set.Hash, again.Hash, again.Changed)
		}
	})
}

// A change is named by the members that it is in, also where a member comes or goes.
func TestChangedSettingsAreNamed(t *testing.T) {
	before := Settings{Gauge: GaugeSettings{Name: "G-11"}, Rule: "simple", Zone: "Europe/London"}
	before.Seal(nil)
	now := before
	now.Gauge.Step, now.Rule, now.Zone, now.DepthReach = 1000, "U", "", analysis.Millimetre
	now.Seal(&before)
	if want := []string{"depth_reach_mm", "gauge", "guard", "time_zone"}; !slices.Equal(now.Changed, want) {
		t.Errorf("changed: %q, want %q", now.Changed, want)
	}
	text, err := json.Marshal(&now)
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range now.Changed {
		if name != "time_zone" && !strings.Contains(string(text), `"`+name+`":`) {
			t.Errorf("%s is no member of %s", name, text)
		}
	}
}

// Settings that are too large for the journal are refused.
func TestSettingsAreBounded(t *testing.T) {
	set := Settings{Gauge: GaugeSettings{Certified: strings.Repeat("x", SettingsMost)}}
	if set.Check() == nil {
		t.Error("settings of more than 256 KiB are accepted")
	}
	set.Gauge.Certified = "K-3001"
	if err := set.Check(); err != nil {
		t.Error(err)
	}
}
