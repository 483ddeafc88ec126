package simulator

import (
	"math"
	"math/cmplx"
	"testing"
	"time"

	"fairbore/analysis"
)

func deaf(Point) bool { return false }

// points plays a visit to its end.
func (v *Rocking) points(seed uint64) (out []Point, tr Truth) {
	tr = v.Run(seeded(seed), func(p Point) bool { out = append(out, p); return false })
	return out, tr
}

// ideal takes noise, display and faults of the stream away.
func (v *Rocking) ideal(rate float64) {
	v.Gauge.Noise, v.Gauge.Step, v.Gauge.Rate, v.Stream = 0, 1, rate, Stream{}
}

// Of every family that is read, a gauge without noise shows the size of the place
// each time it is square, and never less. (A gauge that averages or lags does not.)
func TestHandsTurnAtTheSize(t *testing.T) {
	for _, f := range Families() {
		if !f.Good() || f == Averaging || f == Lagging {
			continue
		}
		passes := 0
		for seed := range uint64(12) {
			v := DrawRocking(f, DrawOptions{Rate: 20}, seeded(seed))
			v.ideal(1000)
			points, tr := v.points(seed)
			for _, pl := range tr.Places {
				least := analysis.Length(math.MaxInt64)
				for _, p := range points {
					if p.T >= pl.From && p.T <= pl.To {
						least = min(least, p.Value-pl.SeenAt(p.T))
					}
				}
				passes += len(pl.Turns)
				if len(pl.Turns) > 0 && (least < -20 || least > 500) { // 0.05 µm: half a sample beside square
					t.Errorf("%v, seed %d: the least is %d off the size", f, seed, least)
				}
			}
		}
		if passes < 3*12 {
			t.Errorf("%v: %d passes in 12 visits", f, passes)
		}
	}
}

// Who never is square never is: at no time of the visit is the tilt 0, and the
// least value shown is above the size by what the least tilt adds.
func TestNeverSquare(t *testing.T) {
	nearest := math.Inf(1)
	for _, f := range []Family{NeverEqual, NeverScattered, HeldOff} {
		for seed := range uint64(200) {
			v := DrawRocking(f, DrawOptions{Rate: 20}, seeded(seed))
			for _, tilt := range v.Course.Tilt {
				if tilt*v.Course.Tilt[0] <= 0 {
					t.Fatalf("%v, seed %d: tilt %g", f, seed, tilt)
				}
				nearest = min(nearest, math.Abs(tilt)/degree)
			}
			if p := v.Course.Passes(0, v.Course.End(), 0); len(p) > 0 {
				t.Errorf("%v, seed %d: %d passes", f, seed, len(p))
			}
		}
	}
	if nearest > 0.1 {
		t.Errorf("the nearest to square is %.2f°: want turns close to it", nearest)
	}
}

// What a gauge adds by averaging over T, or by a lag τ, where the tilt passes square
// at a rate w: k/2·w²·T²/12 and k/2·w²·τ² (the variance of the time that is seen).
func TestSlowGauges(t *testing.T) {
	const rate, k = 10 * degree, 27_750.0 // rad/s; µm: 31.75 mm with tips of 2 mm
	c := Course{Step: courseStep}
	for i := range 401 {
		c.Tilt = append(c.Tilt, rate*(float64(i)*courseStep-1))
	}
	for _, g := range []GaugeModel{{Average: 0.1}, {Average: 0.05}, {Lag: 0.02}, {Lag: 0.05}} {
		g.Tip = 2 * analysis.Millimetre
		least := math.Inf(1)
		for at := 0.6; at < 1.5; at += 1e-4 {
			least = min(least, g.slow(func(t float64) float64 { return g.Excess(317_500_000, c.At(t)) }, at))
		}
		want := k / 2 * rate * rate * (g.Average*g.Average/12 + g.Lag*g.Lag)
		if math.Abs(least/want-1) > 0.02 {
			t.Errorf("average %g s, lag %g s: least is %.4f µm, want %.4f", g.Average, g.Lag, least, want)
		}
	}
}

// power is the mean square of a course about its mean between two frequencies, Hz,
// by its periodogram.
func (c *Course) power(lo, hi float64) (sum float64) {
	n := len(c.Tilt)
	span := float64(n) * c.Step
	mean := 0.0
	for _, v := range c.Tilt {
		mean += v / float64(n)
	}
	for k := int(math.Ceil(lo * span)); float64(k) < hi*span; k++ {
		turn := cmplx.Exp(complex(0, -2*math.Pi*float64(k)/float64(n)))
		x, at := complex(0, 0), complex(1, 0)
		for _, v := range c.Tilt {
			x += complex(v-mean, 0) * at
			at *= turn
		}
		x /= complex(float64(n), 0)
		sum += 2 * real(x*cmplx.Conj(x))
	}
	return sum
}

// The tremor of a held gauge has the root mean square drawn for each band, by its
// periodogram, and nothing beyond them.
func TestTremor(t *testing.T) {
	for seed := range uint64(5) {
		rng := seeded(seed)
		c := Course{Step: courseStep, Tilt: make([]float64, 12000)}
		want := drawTremor(1, rng)
		c.shake(want, rng)
		for i, b := range tremors {
			// the ends of the bands are shared, so half a line goes either way
			got := math.Sqrt(c.power(b.lo-0.02, b.hi-0.02))
			if math.Abs(got/want[i]-1) > 0.15 {
				t.Errorf("seed %d, %g to %g Hz: %.4f°, want %.4f°", seed, b.lo, b.hi, got/degree, want[i]/degree)
			}
			if d := want[i] / degree; d < b.least || d > b.most {
				t.Errorf("%g to %g Hz: %g° drawn", b.lo, b.hi, d)
			}
		}
		if beyond := c.power(13, 20); beyond > 1e-2*want[2]*want[2] {
			t.Errorf("seed %d: beyond 13 Hz %g of the power", seed, beyond/want[2]/want[2])
		}
	}
}

// The random hand has the spectrum of the law, and so the root mean square of the
// jerk that follows from it, ∫(2πf)⁶S.
func TestProcess(t *testing.T) {
	const half, hands = 0.5, 60 // s: u is the frequency in Hz
	edges := []float64{0.4, 0.8, 1.2, 1.6, 2.4, 3.2, 5}
	got := make([]float64, len(edges)-1)
	jerk := 0.0
	for seed := range uint64(hands) {
		rng := seeded(seed)
		b := builder{Course: Course{Step: courseStep}}
		b.follow(process(1, half, rng), 20)
		for i := range got {
			got[i] += b.power(edges[i], edges[i+1]) / hands
		}
		for i := 3; i < len(b.Tilt); i++ {
			d := (b.Tilt[i] - 3*b.Tilt[i-1] + 3*b.Tilt[i-2] - b.Tilt[i-3]) / math.Pow(b.Step, 3)
			jerk += d * d / float64(len(b.Tilt)-3) / hands
		}
	}
	integral := func(lo, hi float64, of func(u float64) float64) (sum float64) {
		const n = 20000
		for i := range n {
			sum += of(lo+(float64(i)+0.5)*(hi-lo)/n) * (hi - lo) / n
		}
		return sum
	}
	all := integral(lawLow, 24, law)
	for i := range got {
		want := integral(edges[i], edges[i+1], law) / all
		if math.Abs(got[i]/want-1) > 0.25 {
			t.Errorf("u from %g to %g: power %.4f, want %.4f", edges[i], edges[i+1], got[i], want)
		}
	}
	// third differences over 5 ms lose little below 24 Hz·half
	want := integral(lawLow, 24, func(u float64) float64 {
		return law(u) * math.Pow(2*math.Pi*u, 6) * math.Pow(math.Sin(math.Pi*u*courseStep)/(math.Pi*u*courseStep), 6)
	}) / all
	if math.Abs(jerk/want-1) > 0.25 {
		t.Errorf("mean square jerk %.4g, want %.4g", jerk, want)
	}
}

// A move of least jerk over d in T has the integral 720·d²/T⁵ of its squared jerk
// (Flash and Hogan 1985); an even move of the same end points reaches its speed in
// the part that it is told and crosses the middle at half time.
func TestMoves(t *testing.T) {
	const n = 100000
	sum := 0.0
	for i := 3; i <= n; i++ {
		at := func(j int) float64 { return minimumJerk(float64(j) / n) }
		d := (at(i) - 3*at(i-1) + 3*at(i-2) - at(i-3)) * n * n * n
		sum += d * d / n
	}
	if math.Abs(sum/720-1) > 0.01 {
		t.Errorf("least jerk: %g, want 720", sum)
	}
	for _, r := range []float64{0.08, 0.25} {
		s := even(r)
		for x := 0.0; x <= 1; x += 0.01 {
			speed := (s(x+1e-6) - s(x-1e-6)) / 2e-6
			if x > r+0.01 && x < 1-r-0.01 && math.Abs(speed-1/(1-r)) > 1e-4 {
				t.Errorf("even %g: speed %g at %g", r, speed, x)
			}
		}
		if s(0) != 0 || math.Abs(s(1)-1) > 1e-12 || math.Abs(s(0.5)-0.5) > 1e-12 {
			t.Errorf("even %g: %g, %g, %g", r, s(0), s(0.5), s(1))
		}
	}
}

// Times of arrival are whole steps from one another, nothing runs backwards, and
// no value lies above the plunger's stop by more than the noise and a step.
func TestHandStream(t *testing.T) {
	held := 0
	for seed := range uint64(60) {
		v := DrawRocking(Families()[seed%uint64(Recorded)], DrawOptions{Rate: 50}, seeded(seed))
		v.Stream.Spikes, v.Stream.Fault = 0, NoFault
		points, tr := v.points(seed)
		tick := seconds(v.Stream.Tick)
		stop := v.Ring + v.Gauge.Free + length(6*v.Gauge.Noise) + v.Gauge.Step
		for i, p := range points {
			if off := (p.T - points[0].T + tick/2) % tick; (off - tick/2).Abs() > 2*time.Nanosecond {
				t.Fatalf("seed %d: value %d comes %s off a step of %s", seed, i, off-tick/2, tick)
			}
			if p.Value > stop {
				t.Errorf("seed %d: %d above the stop", seed, p.Value-stop)
			}
			if i > 0 && p.T < points[i-1].T {
				t.Fatalf("seed %d: time runs backwards", seed)
			}
			if i > 1 && p.T == points[i-2].T {
				held++
			}
		}
		if rate := float64(len(points)) / points[len(points)-1].T.Seconds(); math.Abs(rate/50-1) > 0.06 {
			t.Errorf("seed %d: %.1f values a second", seed, rate)
		}
		if tr.In >= tr.Out {
			t.Errorf("seed %d: in the bore from %s to %s", seed, tr.In, tr.Out)
		}
	}
	if held == 0 {
		t.Error("nothing was held back and handed over at once")
	}
}

// At the tone the hand stops and the gauge is drawn out; the same seed without a tone
// rocks on.
func TestTone(t *testing.T) {
	for seed := range uint64(20) {
		v := DrawRocking(MinimumJerk, DrawOptions{Rate: 20, Passes: 12}, seeded(seed))
		whole := v.Run(seeded(seed), deaf)
		at := (whole.In + whole.Out) / 2
		tr := v.Run(seeded(seed), func(p Point) bool { return p.T >= at })
		after := (tr.Out - at).Seconds()
		if after < v.React || after > v.React+v.Hold+0.6 {
			t.Errorf("seed %d: out %.2f s after the tone, want %.2f to %.2f s later", seed, after, v.React, v.React+v.Hold+0.6)
		}
		if len(whole.Places[0].Turns) < 12 || len(tr.Places[0].Turns) >= len(whole.Places[0].Turns) {
			t.Errorf("seed %d: %d passes, %d with a tone", seed, len(whole.Places[0].Turns), len(tr.Places[0].Turns))
		}
		end := v.Course.Tilt[len(v.Course.Tilt)-1] - v.Course.Tilt[len(v.Course.Tilt)-20]
		if math.Abs(end) > 0.1*degree {
			t.Errorf("seed %d: at the end it still moves by %.2f° in 0.1 s", seed, end/degree)
		}
	}
}

// A course that is given is played as it is: its passes are where its tilt changes its sign.
func TestPlayCourse(t *testing.T) {
	c := Course{Step: 0.01}
	for i := range 501 {
		c.Tilt = append(c.Tilt, 3*degree*math.Cos(2*math.Pi*float64(i)*0.01))
	}
	v := PlayCourse(c, DrawOptions{Rate: 20}, seeded(1))
	tr := v.Run(seeded(2), deaf)
	if n := len(tr.Places[0].Turns); !tr.Places[0].Must || n < 10 || n > 11 { // and one more if it ends at rest across square
		t.Errorf("must be read: %v, %d passes, want ten", tr.Places[0].Must, n)
	}
	for i, p := range c.Passes(0, c.End(), MinPassTilt) {
		if math.Abs(p.At-(0.25+0.5*float64(i))) > 1e-4 || math.Abs(math.Abs(p.From)-3*degree) > 1e-6 || math.Abs(p.End-p.Begin-0.5) > 0.011 {
			t.Errorf("pass %d: %+v", i, p)
		}
	}
}
