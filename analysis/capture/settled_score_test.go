package capture_test

import (
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/capture"
)

// visitor is a gauge at rest that was made apart from the simulator: how far the value is from
// the size, µm, so many seconds after it came in, and how long it stays.
type visitor struct {
	noise, step, rate float64
	told              float64 // repeatability, µm; 0: the default
	hold              float64 // s
	settle            time.Duration
	way               func(t float64) float64
	part              bool // it is the part that changes: the size is what it is when it is read, else where the way leads to
}

// approach draws visitors of one kind.
type approach struct {
	name string
	draw func(v *visitor, rng *rand.Rand)
}

func uniform(rng *rand.Rand, lo, hi float64) float64 { return lo + (hi-lo)*rng.Float64() }

func either(rng *rand.Rand, x float64) float64 {
	if rng.IntN(2) == 0 {
		return -x
	}
	return x
}

// drift is a steady slope, µm/s.
func drift(lo, hi float64) func(*visitor, *rand.Rand) {
	return func(v *visitor, rng *rand.Rand) {
		b := either(rng, uniform(rng, lo, hi))
		v.way, v.hold, v.part = func(t float64) float64 { return b * t }, 5, true
	}
}

// tails come home by one exponential, or by two.
func tails(amplitude, T float64, more func(rng *rand.Rand) (amplitude, T float64)) func(*visitor, *rand.Rand) {
	return func(v *visitor, rng *rand.Rand) {
		a, t1 := either(rng, uniform(rng, 0, amplitude)), uniform(rng, T/5, T)
		a2, t2 := more(rng)
		v.way = func(t float64) float64 { return a*math.Exp(-t/t1) + a2*math.Exp(-t/t2) }
	}
}

var families = []approach{
	{"level", func(v *visitor, rng *rand.Rand) { v.way = func(t float64) float64 { return 0 } }},
	{"drift 0.02-0.1", drift(0.02, 0.1)},
	{"drift 0.1-0.2", drift(0.1, 0.2)},
	{"drift 0.3-0.7", drift(0.3, 0.7)},
	{"drift 0.7-2", drift(0.7, 2)},
	{"creep 2.5-6 s", func(v *visitor, rng *rand.Rand) {
		a, T := either(rng, uniform(rng, 3, 12)), uniform(rng, 2.5, 6)
		v.way = func(t float64) float64 { return a * math.Exp(-t/T) }
	}},
	{"one tail", tails(80, 0.5, func(rng *rand.Rand) (float64, float64) { return 0, 1 })},
	{"and 0.5-1.2 s", tails(80, 0.4, func(rng *rand.Rand) (float64, float64) {
		return either(rng, uniform(rng, 1, 10)), uniform(rng, 0.5, 1.2)
	})},
	{"and 2.5-6 s", tails(80, 0.4, func(rng *rand.Rand) (float64, float64) {
		return either(rng, uniform(rng, 0.3, 6)), uniform(rng, 2.5, 6)
	})},
	{"oil film", func(v *visitor, rng *rand.Rand) {
		a, t0 := either(rng, uniform(rng, 1, 4)), uniform(rng, 0.005, 0.03)
		v.way = func(t float64) float64 { return a / math.Sqrt(1+t/t0) }
	}},
	{"swing 0.1-0.5 Hz", func(v *visitor, rng *rand.Rand) {
		w, p := 2*math.Pi*uniform(rng, 0.1, 0.5), uniform(rng, 0, 2*math.Pi)
		v.way = func(t float64) float64 { return 3 * math.Sin(w*t+p) }
	}},
	{"sway", func(v *visitor, rng *rand.Rand) {
		a, b := uniform(rng, 0.02, 0.12), uniform(rng, 0.02, 0.12)
		w, x := 2*math.Pi*uniform(rng, 0.3, 2), 2*math.Pi*uniform(rng, 0.3, 2)
		p, q := uniform(rng, 0, 2*math.Pi), uniform(rng, 0, 2*math.Pi)
		v.way = func(t float64) float64 { return a*math.Sin(w*t+p) + b*math.Sin(x*t+q) }
	}},
	// no constant was chosen on these
	{"stretched", func(v *visitor, rng *rand.Rand) {
		a, T := either(rng, uniform(rng, 2, 8)), uniform(rng, 0.1, 0.6)
		v.way = func(t float64) float64 { return a * math.Exp(-math.Sqrt(t/T)) }
	}},
	{"beyond and back", func(v *visitor, rng *rand.Rand) {
		a, b := either(rng, uniform(rng, 10, 80)), uniform(rng, 1, 5)
		t1, t2 := uniform(rng, 0.1, 0.4), uniform(rng, 1, 3)
		v.way = func(t float64) float64 { return a*math.Exp(-t/t1) - math.Copysign(b, a)*math.Exp(-t/t2) }
	}},
	{"stick and slip", func(v *visitor, rng *rand.Rand) {
		b, every := either(rng, uniform(rng, 0.3, 0.7)), uniform(rng, 0.4, 1)
		v.way, v.hold, v.part = func(t float64) float64 { return b * every * math.Floor(t/every) }, 5, true
	}},
	{"to and fro", func(v *visitor, rng *rand.Rand) {
		period, p := uniform(rng, 2, 10), uniform(rng, 0, 1)
		v.way = func(t float64) float64 {
			x := math.Mod(t/period+p, 1)
			return 3 * (4*math.Abs(x-0.5) - 1)
		}
	}},
	{"noise 0.2-0.6", func(v *visitor, rng *rand.Rand) {
		v.noise, v.told, v.step = uniform(rng, 0.2, 0.6), 0, 0.1
		v.way = func(t float64) float64 { return 0 }
	}},
}

// drawn draws a visitor with a gauge of some rate.
func (f approach) drawn(rate float64, rng *rand.Rand) visitor {
	steps := []float64{0.1, 0.1, 0.1, 0.127, 0.2, 0.254, 0.5, 1}
	v := visitor{noise: uniform(rng, 0.05, 0.3), step: steps[rng.IntN(len(steps))], rate: rate, hold: uniform(rng, 3.5, 8)}
	v.told = v.noise * uniform(rng, 0.75, 1.25)
	f.draw(&v, rng)
	return v
}

// play runs the visit through a capture.
func (v *visitor) play(t testing.TB, rng *rand.Rand) (got []capture.Result, truth float64, in time.Duration) {
	nominal := mm(t, "31.75")
	size := uniform(rng, -50, 50)
	c := newCapture(t, capture.Options{Mode: capture.Settled, Nominal: nominal, Settle: v.settle,
		Repeatability: analysis.Deviation(v.told * float64(um)), Resolution: analysis.Deviation(v.step * float64(um))})
	const air, push, pull = 1.0, 0.3, 0.3
	end := air + push + v.hold
	for at := uniform(rng, 0, 1/v.rate); at < end+pull+1; at += (1 + 0.05*rng.NormFloat64()) / v.rate {
		x, free := 0.0, 600.0
		switch {
		case at < air || at > end+pull:
			x = free
		case at < air+push:
			x = v.way(0) + free*math.Pow(1-(at-air)/push, 2)
		case at > end:
			x = v.way(v.hold) + free*math.Pow((at-end)/pull, 2)
		default:
			x = v.way(at - air - push)
		}
		x += size
		if at > air && at < end+pull {
			x += v.noise * rng.NormFloat64()
		}
		x = math.Round(x/v.step) * v.step
		for _, r := range c.Feed(capture.Sample{At: time.Duration(at * 1e9), Value: nominal + analysis.Length(math.Round(x*float64(um)))}) {
			if r.Kind == capture.Taken {
				got = append(got, r)
			}
		}
	}
	truth = size
	if v.part && len(got) > 0 {
		truth += v.way(got[0].Until.Seconds() - air - push)
	}
	return got, nominal.Micrometres() + truth, time.Duration((air + push) * 1e9)
}

// outcome is how a approach was read.
type outcome struct {
	n, taken, double  int
	wide, fast, far   int // off by more than 2U; and of them, still going faster than the limit; off by more than 1 µm
	squares, us, wait float64
}

func (o outcome) String() string {
	k := float64(max(1, o.taken))
	return fmt.Sprintf("taken %6.2f%%, double %d, U %5.3f µm, rms/U %5.2f, beyond 2U %5.2f%%, of all %5.2f%%, and fast %5.2f%%, beyond 1 µm %5.2f%%, told after %4.2f s", percent(o.taken, o.n), o.double,
		o.us/k, math.Sqrt(o.squares/k), percent(o.wide, o.taken), percent(o.wide, o.n), percent(o.fast, o.n), percent(o.far, o.n), o.wait/k)
}

func (f approach) score(t testing.TB, rate float64, visits int, seed uint64) (o outcome) {
	for n := range visits {
		rng := rand.New(rand.NewPCG(seed, uint64(n)))
		v := f.drawn(rate, rng)
		got, truth, in := v.play(t, rng)
		o.n++
		if len(got) == 0 {
			continue
		}
		o.taken++
		o.double += len(got) - 1
		e, u := got[0].Value.Micrometres()-truth, analysis.Length(got[0].U).Micrometres()
		o.squares, o.us, o.wait = o.squares+e*e/u/u, o.us+u, o.wait+(got[0].At-in).Seconds()
		if math.Abs(e) > 2*u {
			o.wide++
			if at := (got[0].Until - in).Seconds(); math.Abs(v.way(at+0.05)-v.way(at-0.05)) > 0.2*0.1 {
				o.fast++
			}
		}
		if math.Abs(e) > 1 {
			o.far++
		}
	}
	return o
}

// fine is a approach on displays of a quarter of a micrometre and finer.
func (f approach) fine() approach {
	draw := f.draw
	return approach{f.name, func(v *visitor, rng *rand.Rand) {
		v.step = min(v.step, 0.254)
		draw(v, rng)
	}}
}

func familyOf(t *testing.T, name string) approach {
	for _, f := range families {
		if f.name == name {
			return f
		}
	}
	t.Fatalf("no approach %q", name)
	return approach{}
}

// What drifts steadily by more than the limit is not taken, but where a coarse display or noise hides it, and
// then its U covers the drift. (Before the run was weighed, 99 % were taken and 80 % of them beyond 2U.)
func TestDriftIsNoRest(t *testing.T) {
	for _, rate := range []float64{10, 20, 50} {
		for _, name := range []string{"drift 0.3-0.7", "drift 0.7-2"} {
			if o := familyOf(t, name).fine().score(t, rate, 300, 501); o.taken > 3 || o.wide > 0 {
				t.Errorf("%g/s %s, fine displays: %s", rate, name, o)
			}
			if o := familyOf(t, name).score(t, rate, 300, 502); percent(o.taken, o.n) > 8 || o.wide > 1 {
				t.Errorf("%g/s %s: %s", rate, name, o)
			}
		}
	}
}

// A contact that creeps home for seconds is not taken, or its U covers what it still has to go. (Before:
// 77 % taken, all of them beyond 2U.)
func TestCreepIsCovered(t *testing.T) {
	for _, rate := range []float64{10, 20, 50} {
		for name, most := range map[string]float64{"creep 2.5-6 s": 5, "and 0.5-1.2 s": 3, "oil film": 17} {
			if o := familyOf(t, name).score(t, rate, 300, 503); percent(o.wide, o.n) > most {
				t.Errorf("%g/s %s: %s", rate, name, o)
			}
		}
		if o := familyOf(t, "and 2.5-6 s").score(t, rate, 300, 504); percent(o.fast, o.n) > 8 {
			t.Errorf("%g/s, what moves faster than the limit: %s", rate, o)
		}
	}
}

// A value that swings by several micrometres is not taken at its turn. (Before: 44 %.)
func TestSwingIsNoRest(t *testing.T) {
	for _, rate := range []float64{10, 20, 50} {
		if o := familyOf(t, "swing 0.1-0.5 Hz").score(t, rate, 300, 505); percent(o.taken, o.n) > 4 {
			t.Errorf("%g/s: %s", rate, o)
		}
	}
}

// What rests is read soon, and right, whatever brought it home; and so is a part that cools slowly.
func TestRestIsRead(t *testing.T) {
	for _, rate := range []float64{10, 20, 50} {
		for _, name := range []string{"level", "sway", "one tail", "drift 0.02-0.1"} {
			o := familyOf(t, name).score(t, rate, 300, 506)
			if percent(o.taken, o.n) < 99 || o.wide > 6 || o.double > 0 {
				t.Errorf("%g/s %s: %s", rate, name, o)
			}
			if name == "level" && (o.wait/float64(o.taken) > 3 || o.us/float64(o.taken) > 0.2) {
				t.Errorf("%g/s %s: %s", rate, name, o)
			}
		}
	}
}

// A gauge that is noisier than its default says is read, with a U that grows with its noise. (Before: 67 % read
// at 50/s, 7 % beyond 2U at 10/s.)
func TestNoisierThanTold(t *testing.T) {
	noisy := func(lo, hi float64) approach {
		return approach{"noise", func(v *visitor, rng *rand.Rand) {
			v.noise, v.told, v.step = uniform(rng, lo, hi), 0, 0.1
			v.way = func(t float64) float64 { return 0 }
		}}
	}
	for _, rate := range []float64{10, 20, 50} {
		quiet, loud := noisy(0.1, 0.15).score(t, rate, 300, 507), noisy(0.5, 0.6).score(t, rate, 300, 508)
		if percent(loud.taken, loud.n) < 99 || percent(loud.wide, loud.taken) > 5 || loud.us < 1.4*quiet.us {
			t.Errorf("%g/s: quiet %s\nloud %s", rate, quiet, loud)
		}
	}
}

// However short or long Settle is, a level that is taken has a U.
func TestSettleShortAndLong(t *testing.T) {
	for _, settle := range []time.Duration{time.Millisecond, 50 * time.Millisecond, 600 * time.Millisecond, capture.MaxSettle} {
		for n := range uint64(20) {
			rng := rand.New(rand.NewPCG(509, n))
			v := familyOf(t, "level").drawn(50, rng)
			v.settle, v.hold = settle, 8
			got, truth, _ := v.play(t, rng)
			if len(got) != 1 || got[0].U <= 0 || math.Abs(got[0].Value.Micrometres()-truth) > 3*analysis.Length(got[0].U).Micrometres() {
				t.Errorf("settle %s, %d: %+v, want %.2f", settle, n, got, truth)
			}
		}
	}
}

var only = flag.Float64("only", 0, "of BenchmarkAtRest: only this rate")

// BenchmarkAtRest prints how gauges at rest are read that creep, swing or drift.
func BenchmarkAtRest(b *testing.B) {
	s := *seed
	if s == 0 {
		s = rand.Uint64()
	}
	for range b.N {
		fmt.Printf("seed %d, %d visits a line\n", s, *cycles)
		for _, rate := range []float64{5, 10, 20, 50} {
			if *only != 0 && *only != rate {
				continue
			}
			for _, f := range families {
				fmt.Printf("%3g/s %-17s %s\n", rate, f.name, f.score(b, rate, *cycles, s))
			}
		}
	}
}
