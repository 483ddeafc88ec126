package advise_test

import (
	"math"
	"strings"
	"testing"

	"fairbore/analysis"
	"fairbore/analysis/advise"
	"fairbore/analysis/notation"
)

// What the reason of a round says adds up: the strokes times the rate are what it
// takes, of which short strokes reach a part of the bore only in part; light
// strokes go at half the rate; and what is read together is in one unit.
func TestReasonAddsUp(t *testing.T) {
	said := 0
	for _, id := range []string{"J-4107", "J-4112", "J-4120", "J-4131"} {
		j := job(t, id)
		for round := range j.sim.Rounds {
			a := advise.Next(told(t, j, round))
			if !a.Kind.Honing() {
				continue
			}
			said++
			v := a.Reason.Args // left, take, rate, within
			if len(v) != 4 || a.Strokes == 0 {
				t.Fatalf("%s round %d: %d strokes, %q", id, round, a.Strokes, a.Reason)
			}
			take, rate := *v[1].UM, *v[2].Phrase.Args[0].UM
			if take != a.Take || a.Light != (v[2].Phrase.Code == "advise.rate.stroke_light") {
				t.Errorf("%s round %d: takes %.2f µm, light %v: %q", id, round, µmOf(a.Take), a.Light, a.Reason)
			}
			if share := float64(take) / (float64(a.Strokes) * float64(rate)); share < 0.7 || share > 1.01 {
				t.Errorf("%s round %d: %d strokes at %.2f µm are not %.2f: %q", id, round, a.Strokes, µmOf(rate), µmOf(take), a.Reason)
			}
			for _, u := range []analysis.Unit{analysis.MM, analysis.IN, analysis.UIN} {
				if r := notation.In(u).Say(a.Reason); strings.Contains(r, "tenths") && strings.Contains(r, "millionths") {
					t.Errorf("two units at once: %q", r)
				}
			}
		}
	}
	if said < 15 {
		t.Errorf("only %d rounds", said)
	}
}

// A light stroke is reckoned with half the rate of a full one.
func TestLightStrokesAreReckonedAsSuch(t *testing.T) {
	j := job(t, "J-4107")
	a := advise.Next(sized(j, strokes(10, 10, 3), []float64{-40}, []float64{-23}, []float64{-8}, []float64{-2.9}))
	if !a.Light || !strings.Contains(coded(a.Sentence), "⟦advise.much.strokes_light ") {
		t.Fatalf("no light strokes: %q %q", a.Sentence, a.Reason)
	}
	if rate := *a.Reason.Args[2].Phrase.Args[0].UM; math.Abs(float64(rate)-float64(a.Rate.Per)/2) > 1 {
		t.Errorf("%.3f µm a light stroke, %.3f a full one", µmOf(rate), µmOf(a.Rate.Per))
	}
}

// The reason counts to one limit: to the low one until every place has reached it, then to the high
// one, and never a negative way to go.
func TestReasonCountsToOneLimit(t *testing.T) {
	j := job(t, "J-4120")
	for _, want := range []struct {
		rest, bottom float64
		reason       string
	}{{0.8, -2.6, "⟦advise.reason_there ⟦advise.left.high 2.2 µm⟧ "}, {-2.6, -5.6, "⟦advise.reason_there ⟦advise.left.low 2.6 µm⟧ "}} {
		a := advise.Next(sized(j, strokes(10, 5), []float64{-20, -20, -20, -20, -24}, []float64{-7, -7, -7, -7, -12}, []float64{want.rest, want.rest, want.rest, want.rest, want.bottom}))
		if !a.Kind.Honing() || strings.ContainsAny(coded(a.Reason), "-−") || !strings.HasPrefix(coded(a.Reason), want.reason) {
			t.Errorf("%s: %q %q", a.Kind, a.Sentence, a.Reason)
		}
	}
}

// Strokes that took off less than the gauge can tell were noted all the same: the
// rate is not known yet, which is not to say that nobody counted.
func TestRoundThatToldNothing(t *testing.T) {
	j := job(t, "J-4112")
	a := advise.Next(sized(j, strokes(1), []float64{-1.5}, []float64{-1.4}))
	if a.Kind != advise.Hone || a.Strokes == 0 || a.Rate == nil || a.Sentence.Code != "advise.hone.try" || a.Reason.Code != "advise.reason" {
		t.Errorf("%s, %d strokes: %q %q", a.Kind, a.Strokes, a.Sentence, a.Reason)
	}
}

func µmOf(d analysis.Deviation) float64 { return analysis.Length(d).Micrometres() }
