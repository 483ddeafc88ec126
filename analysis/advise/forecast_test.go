package advise

import (
	"math"
	"math/rand/v2"
	"testing"

	"fairbore/analysis"
)

func closeTo(tb testing.TB, what string, got, want, within float64) {
	tb.Helper()
	if math.Abs(got-want) > within {
		tb.Errorf("%s is %.5g, want %.5g ± %.2g", what, got, want, within)
	}
}

// The worked example's risks, there by a normal removal: 10 strokes of 0.28 at
// 15 % with 4.44 µm of room 0.1 %, 12 strokes 3.5 %, 14 strokes 22 %. Ours, with
// a log-normal one, has a longer tail. Then cases of one doubt only, in closed form.
func TestRisk(t *testing.T) {
	f := byFeel(0.15)
	for n, want := range map[float64]float64{10: 0.001, 12: 0.035, 14: 0.22} {
		take, room := n*0.28, 1000*(31.75254-31.7481)
		normal := math.Erfc((room-take)/math.Hypot(take*0.15, 0.316)/math.Sqrt2) / 2
		closeTo(t, "normal risk", normal, want, want*0.35)
		if got := f.risk(room, n, 0.28, 0, 0.316); got < normal || got > 2*normal+0.005 {
			t.Errorf("%g strokes: risk %.4f, normal %.4f", n, got, normal)
		}
	}
	g := byFeel(0.3)
	closeTo(t, "risk of the hand alone", g.risk(2, 1, 1, 0, 0), math.Erfc(math.Ln2/0.3/math.Sqrt2)/2, 1e-9)
	closeTo(t, "with a doubt of the share", g.risk(2, 1, 1, 0.4, 0), math.Erfc(math.Ln2/0.5/math.Sqrt2)/2, 1e-9)
	e := byFeel(1e-3)
	closeTo(t, "risk of the gauge alone", e.risk(1.2, 0.2, 1, 0, 0.5), math.Erfc(2/math.Sqrt2)/2, 1e-3)
}

// The risk and the reach of a round, of what is known after rounds of great scatter,
// against draws of what the models say: a model, its state, the round's own scatter, and
// the error of the reading (seed 5, 400,000 draws).
func TestRiskAgainstDraws(t *testing.T) {
	f := ready(nil)
	for _, g := range []gain{{effort: 20, worked: 9, u: 0.3}, {effort: 12, worked: 3, u: 0.3}, {effort: 10, worked: 6, u: 0.3}, {effort: 6, worked: 2, u: 0.3}} {
		f.observe(&g)
	}
	ahead := f.round(state{level: 1})
	ahead.quantiles()
	rng := rand.New(rand.NewPCG(5, 1))
	draw := func() float64 {
		at := rng.Float64()
		for _, m := range f.models {
			if at -= m.weight; at < 0 {
				mean, v, _ := m.observation(state{level: 1})
				sd := m.scatter
				if rng.Float64() < m.strays {
					sd = m.stray()
				}
				return math.Exp(mean + math.Hypot(math.Sqrt(v), sd)*rng.NormFloat64())
			}
		}
		return 0
	}
	const draws = 400_000
	for _, c := range []struct{ room, n, share, doubt, u float64 }{{8, 7, 1, 0.05, 0.3}, {3, 3, 0.8, 0.2, 0.45}, {1.2, 1, 1, 0, 0.3}, {12, 20, 1, 0.1, 0.3}} {
		over := 0.0
		for range draws {
			if c.n*draw()*c.share*math.Exp(c.doubt*rng.NormFloat64()) > c.room+c.u*rng.NormFloat64() {
				over += 1.0 / draws
			}
		}
		closeTo(t, "risk", ahead.risk(c.room, c.n, c.share, c.doubt, c.u), over, 0.03*over+4*math.Sqrt(over/draws))
	}
	var past4 float64
	limit := math.Exp(ahead.log + ahead.above[pastMost])
	for range draws {
		if draw() > limit {
			past4 += 1.0 / draws
		}
	}
	closeTo(t, "draws past the quantile", past4, maxPast, 0.05*maxPast)
}

// ready is a filter before any round, of a material that isn't known.
func ready(p *analysis.RatePrior) *rates { return newRates(&analysis.Job{}, p, false) }

// One weak round, a third of what was expected: the scatter is thought wider, and the
// next round is not planned as if the rate had fallen to a third.
func TestOneWeakRound(t *testing.T) {
	known := &analysis.RatePrior{Log: math.Log(0.32), Spread: 0.25, Parts: 10}
	even, weak := ready(known), ready(known)
	for _, worked := range []float64{6.4, 6.2, 6.0} {
		g := gain{effort: 20, worked: worked, u: 0.2}
		even.observe(&g)
		weak.observe(&g)
	}
	was := weak.forecast(false, false)
	even.observe(&gain{effort: 20, worked: 5.9, u: 0.2})
	weak.observe(&gain{effort: 20, worked: 2.0, u: 0.2})
	a, b := even.forecast(false, false), weak.forecast(false, false)
	if b.Scatter < 1.2*was.Scatter || a.Scatter > was.Scatter {
		t.Errorf("scatter %.3f; %.3f after an even round, %.3f after a weak one", was.Scatter, a.Scatter, b.Scatter)
	}
	if fell := b.full.log - was.full.log; fell < -0.5 || fell > -0.02 {
		t.Errorf("the rate's logarithm moved by %.3f", fell)
	}
	// what may be taken with a risk, by the stroke
	if ratio := math.Exp((was.full.log + was.full.above[pastPlan]) - (b.full.log + b.full.above[pastPlan])); ratio > 1.1 {
		t.Errorf("after a weak round %.2f times as many strokes are allowed", ratio)
	}
}

// The scatter is learned: from a hundred rounds of 12 and of 35 %, log-normal, and in lots
// of five as parts are (seeds 7).
func TestScatterIsLearned(t *testing.T) {
	for _, scatter := range []float64{0.12, 0.2, 0.35} {
		rng := rand.New(rand.NewPCG(7, uint64(1000*scatter)))
		var p *analysis.RatePrior
		for range 20 {
			f := ready(p)
			for range 6 {
				f.observe(&gain{effort: 10, worked: 5 * math.Exp(scatter*rng.NormFloat64()), u: 0.2})
			}
			log, sd := f.scatter()
			p = &analysis.RatePrior{Log: math.Log(0.5), Spread: 0.2, Parts: 10, Scatter: math.Exp(log), ScatterSpread: math.Hypot(sd, handChanges), Strays: f.astray()}
		}
		closeTo(t, "scatter", p.Scatter, scatter, 0.2*scatter)
		if p.Strays > 0.04 {
			t.Errorf("%.3f of rounds that all obey one law are thought astray", p.Strays)
		}
	}
}
