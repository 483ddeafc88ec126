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
	final             bool // the size is where the way leads to, else what is shown when the gauge is drawn out
}

// family draws visitors of one kind.
type family struct {
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
		v.way, v.hold = func(t float64) float64 { return b * t }, 5
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

var families = []family{
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
	{"noise 0.2-0.6", func(v *visitor, rng *rand.Rand) {
		v.noise, v.told, v.step = uniform(rng, 0.2, 0.6), 0, 0.1
		v.way = func(t float64) float64 { return 0 }
	}},
}

// drawn draws a visitor with a gauge of some rate.
func (f family) drawn(rate float64, rng *rand.Rand) visitor {
	steps := []float64{0.1, 0.1, 0.1, 0.127, 0.2, 0.254, 0.5, 1}
	v := visitor{noise: uniform(rng, 0.05, 0.3), step: steps[rng.IntN(len(steps))], rate: rate, hold: uniform(rng, 3.5, 8)}
	v.told = v.noise * uniform(rng, 0.75, 1.25)
	f.draw(&v, rng)
	switch f.name[0] {
	case 'd':
	default:
		v.final = true
	}
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
	if !v.final {
		if len(got) > 0 {
			truth += v.way((got[0].Until.Seconds()) - air - push)
		}
	}
	l, _ := analysis.FromMicrometres(truth)
	return got, (nominal + l).Micrometres(), time.Duration((air + push) * 1e9)
}

// outcome is how a family was read.
type outcome struct {
	n, taken, double, wide, fast, false1 int
	sum, squares, us, wait               float64
}

func (o outcome) String() string {
	k := float64(max(1, o.taken))
	return fmt.Sprintf("taken %6.2f%%  double %d  mean %6.3f µm  U %5.3f  rms/U %5.2f  beyond 2U %5.2f%%  of all fast and beyond 2U %5.2f%%  beyond 1 µm %5.2f%%  after %4.2f s", percent(o.taken, o.n), o.double,
		o.sum/k, o.us/k, math.Sqrt(o.squares/k), percent(o.wide, o.taken), percent(o.fast, o.n), percent(o.false1, o.taken), o.wait/k)
}

func (f family) score(t testing.TB, rate float64, visits int, seed uint64) (o outcome) {
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
		o.sum, o.squares, o.us, o.wait = o.sum+e, o.squares+e*e/u/u, o.us+u, o.wait+(got[0].At-in).Seconds()
		if math.Abs(e) > 2*u {
			o.wide++
			if at := (got[0].Until - in).Seconds(); math.Abs(v.way(at+0.05)-v.way(at-0.05)) > 0.1*0.2 {
				o.fast++
			}
		}
		if math.Abs(e) > 1 {
			o.false1++
		}
	}
	return o
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
		for _, rate := range []float64{10, 20, 50} {
			if *only != 0 && *only != rate {
				continue
			}
			for _, f := range families {
				fmt.Printf("%3g/s %-17s %s\n", rate, f.name, f.score(b, rate, *cycles, s))
			}
		}
	}
}
