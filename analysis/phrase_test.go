package analysis_test

import (
	"encoding/json"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"fairbore/analysis"
)

// One sentence in the units of two drawings: 25.4 mm are an inch, and 2.54 µm a
// tenth of a thou, by definition.
func TestPhraseInUnits(t *testing.T) {
	at := analysis.Place{Depth: 127 * analysis.Millimetre / 10, Angle: 90 * analysis.Degree}
	p := analysis.Sayf("Tight %s by %s over %s; %s a %s, %d times, %s.", "at the {}", analysis.Deviation(50_800),
		at, analysis.FineLength(2_794), "stroke", 3, analysis.Sayf("%s left", analysis.Deviation(7_620)))
	b, err := json.Marshal(p)
	if err != nil {
		t.Fatal(err)
	}
	var got analysis.OldPhrase // as a display that is fed by messages has it
	if err := json.Unmarshal(b, &got); err != nil {
		t.Fatal(err)
	}
	for u, want := range map[analysis.Unit]string{
		analysis.MM:  "Tight at the () by 5.1 µm over 12.7 mm / 90°; 0.28 µm a stroke, 3 times, 0.8 µm left.",
		analysis.IN:  "Tight at the () by 2.0 tenths over 0.50 in / 90°; 0.11 tenths a stroke, 3 times, 0.3 tenths left.",
		analysis.UIN: "Tight at the () by 200 millionths over 0.50 in / 90°; 11 millionths a stroke, 3 times, 30 millionths left.",
	} {
		if s := got.In(u); s != want {
			t.Errorf("in %s: %q, want %q", u, s, want)
		}
	}
}

// Where no error comes to a tenth, a drawing with tenths speaks of millionths too.
func TestPhraseBelowATenth(t *testing.T) {
	p := analysis.Sayf("Straight within %s at %s a stroke.", analysis.Deviation(3_048), analysis.FineLength(2_794))
	if s, want := p.In(analysis.IN), "Straight within 12 millionths at 11 millionths a stroke."; s != want {
		t.Errorf("%q, want %q", s, want)
	}
}

// What is over or to go by less than the last digit shown is not said to be nothing;
// nothing itself is.
func TestPhraseOfLittle(t *testing.T) {
	for _, c := range []struct {
		um   analysis.Deviation // in 0.1 nm
		unit analysis.Unit
		want string
	}{
		{400, analysis.MM, "Over by 0.04 µm."}, {-400, analysis.MM, "Over by -0.04 µm."}, {1, analysis.MM, "Over by 0.0001 µm."},
		{600, analysis.MM, "Over by 0.1 µm."}, {0, analysis.MM, "Over by 0.0 µm."},
		{100, analysis.UIN, "Over by 0.4 millionths."}, {1, analysis.UIN, "Over by 0.004 millionths."}, {254, analysis.UIN, "Over by 1 millionths."},
		{100, analysis.IN, "Over by 0.4 millionths."}, {0, analysis.UIN, "Over by 0 millionths."},
	} {
		if got := analysis.Sayf("Over by %s.", c.um).In(c.unit); got != c.want {
			t.Errorf("%d in %s: %q, want %q", c.um, c.unit, got, c.want)
		}
	}
}

// A phrase from elsewhere may hold anything: too few or too many values are no
// reason to fail, and what has no hole is said as it is.
func TestPhraseFromElsewhere(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := analysis.OldPhrase{Text: rapid.SampledFrom([]string{"", "{}", "a {} b {}", "no hole", "{}{}{}"}).Draw(t, "text")}
		for range rapid.IntRange(0, 4).Draw(t, "n") {
			p.Values = append(p.Values, analysis.Said{As: analysis.Manner(rapid.StringN(0, 6, -1).Draw(t, "as")), Value: analysis.Deviation(rapid.Int64().Draw(t, "v"))})
		}
		s := p.In(analysis.Unit(rapid.IntRange(0, 4).Draw(t, "unit")))
		if left := strings.Count(s, "{}"); left != max(0, strings.Count(p.Text, "{}")-len(p.Values)) {
			t.Fatalf("%+v: %q", p, s)
		}
	})
}
