package advise_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"fairbore/analysis"
	"fairbore/analysis/advise"
)

// The prior follows the parts' fastest rounds: for rates that vary by 30 % from part
// to part it comes to their mean, and to no less than their spread; where nothing
// was noted it stays as it was; a lone odd part widens it.
func TestPriorFollowsTheLot(t *testing.T) {
	j := job(t, "J-4107")
	rounds := func(rate float64, n int) []advise.Round {
		return sized(j, strokes(n, 0), []float64{-66}, []float64{-66 + rate*12}, []float64{-66 + rate*12}).Rounds
	}
	var p *analysis.RatePrior
	if p = advise.Learn(p, j.Job, rounds(1.9, 0)[:2], dev(0.15)); p != nil {
		t.Fatalf("from a round without strokes: %+v", p)
	}
	if p = advise.Learn(p, j.Job, rounds(1.9, 12), dev(0.15)); p == nil || p.Parts != 1 || p.Spread < 0.3 {
		t.Fatalf("after one part: %+v", p)
	}
	near(t, "log of the first", p.Log, math.Log(1.9), 0.05) // and a little of the material's
	rng := rand.New(rand.NewPCG(1, 2))
	for range 60 {
		p = advise.Learn(p, j.Job, rounds(1.5*math.Exp(0.3*rng.NormFloat64()), 12), dev(0.15))
	}
	near(t, "log of the mean", p.Log, math.Log(1.5), 0.3)
	near(t, "spread", p.Spread, 0.3, 0.1)
	before := *p
	if p = advise.Learn(p, j.Job, nil, dev(0.15)); *p != before {
		t.Errorf("a part without rounds changed %+v to %+v", before, *p)
	}
	if p = advise.Learn(p, j.Job, rounds(4.5, 12), dev(0.15)); p.Spread <= before.Spread {
		t.Errorf("a part three times as fast: %+v, before %+v", p, before)
	}
}
