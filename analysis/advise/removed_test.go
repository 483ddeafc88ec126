package advise

import (
	"math"
	"math/rand/v2"
	"testing"

	"fairbore/analysis"
)

// A hand whose rate and scatter are known (seed 31) is foretold: after six rounds the mean
// is right within its spread of one round, and what comes lies within two spreads as
// often as a normal distribution has it, or oftener.
func TestRemovedFitsTheHand(t *testing.T) {
	rng := rand.New(rand.NewPCG(31, 0))
	within, n := 0, 0
	for range 300 {
		rate := 0.35 * math.Exp(0.5*rng.NormFloat64())
		var rounds []Round
		size := 31.7 * float64(analysis.Millimetre)
		add := func(strokes int, took float64) Round {
			size += took * float64(analysis.Micrometre)
			s := analysis.Length(math.Round(size))
			return Round{Number: len(rounds), Strokes: strokes, Smallest: s, Largest: s, Complete: true, Sections: []SectionMean{{0, s, 2}, {30 * analysis.Millimetre, s, 2}}}
		}
		rounds = append(rounds, add(0, 0))
		for range 6 {
			rounds = append(rounds, add(10, 10*rate*math.Exp(0.15*rng.NormFloat64())))
		}
		job := &analysis.Job{Material: "hardened steel", Limits: analysis.Limits{Low: 0, High: 5 * analysis.Micrometre}}
		got, ok := Removed(job, rounds, Round{Strokes: 10}, nil, analysis.Deviation(analysis.Micrometre/10))
		if !ok {
			t.Fatal("strokes are noted, and nothing is foretold")
		}
		took := 10 * rate * math.Exp(0.15*rng.NormFloat64())
		if u := µm(got.U); u > took {
			t.Fatalf("after six rounds of 15 %% scatter the spread is %.2f µm of %.2f", u, took)
		}
		n++
		if math.Abs(took-µm(got.Mean)) < 2*µm(got.U) {
			within++
		}
	}
	if part := float64(within) / float64(n); part < 0.93 {
		t.Errorf("%.3f within two spreads, want 0.95 or nearly", part)
	}
}

// Twice the strokes take off about twice as much; lighter or none are known as such.
func TestRemovedFollowsWhatIsNoted(t *testing.T) {
	job := &analysis.Job{Material: "bronze", Limits: analysis.Limits{High: 5 * analysis.Micrometre}}
	ask := func(r Round) Removal {
		got, ok := Removed(job, nil, r, nil, 1000)
		if !ok {
			t.Fatalf("%+v: nothing foretold", r)
		}
		return got
	}
	one, two, soft := ask(Round{Strokes: 5}), ask(Round{Strokes: 10}), ask(Round{Strokes: 5, Light: true})
	if ratio := float64(two.Mean) / float64(one.Mean); ratio < 1.8 || ratio > 2.1 {
		t.Errorf("10 strokes take off %.2f times what 5 do", ratio)
	}
	if ratio := float64(soft.Mean) / float64(one.Mean); ratio < 0.4 || ratio > 0.7 {
		t.Errorf("light strokes take off %.2f of what full ones do", ratio)
	}
	if local := ask(Round{Strokes: 5, Short: 5}); local.Apart < 2*one.Apart {
		t.Errorf("short strokes: places differ by %.2f, of full ones %.2f", local.Apart, one.Apart)
	}
	if _, ok := Removed(job, nil, Round{}, nil, 1000); ok {
		t.Error("no strokes are noted, and a removal is foretold")
	}
}
