package simulator

import (
	"math"
	"math/rand/v2"
)

// Course is the tilt of a gauge over time, rad, at equal steps from 0 on. The tilt is cubic between
// the steps. It is constant before the first step and after the last.
type Course struct {
	Step float64 // s
	Tilt []float64
}

// courseStep is the time between two tilts of a drawn course, s. It is fine enough for a cubic: a
// tremor of 12 Hz is wrong by 5e-5 of its amplitude.
const courseStep = 0.005

// At returns the tilt at a time, by a cubic between the steps. The slope of the cubic at a step is
// the mean slope between the two neighbours of that step.
func (c *Course) At(t float64) float64 {
	n := len(c.Tilt)
	x := t / c.Step
	switch {
	case n == 0:
		return 0
	case x <= 0:
		return c.Tilt[0]
	case x >= float64(n-1):
		return c.Tilt[n-1]
	}
	i := int(x)
	f := x - float64(i)
	a, b, d, e := c.Tilt[max(0, i-1)], c.Tilt[i], c.Tilt[i+1], c.Tilt[min(n-1, i+2)]
	return b + f*(d-a+f*(2*a-5*b+4*d-e+f*(3*(b-d)+e-a)))/2
}

// End returns when the course ends, s.
func (c *Course) End() float64 { return c.Step * float64(len(c.Tilt)-1) }

// Pass is a passage through square, from a turning point on one side to one on the other.
type Pass struct {
	At         float64 // time of passing square, s; the middle of the first and the last time if the gauge went to and fro
	Begin, End float64 // times of the largest tilt before and after the passage, s
	From, To   float64 // tilts at Begin and End, rad
}

// Passes returns the passages through square between two times, s. A side counts only if the tilt
// exceeds least, rad, so that a tremor near square does not count.
func (c *Course) Passes(from, to, least float64) []Pass {
	var out []Pass
	var side, top, when, first, last float64
	i, end := int(math.Ceil(max(0, from)/c.Step)), min(len(c.Tilt)-1, int(to/c.Step))
	for ; i <= end; i++ {
		v, t := c.Tilt[i], float64(i)*c.Step
		if side != 0 && i > 0 && v*c.Tilt[i-1] <= 0 && v != c.Tilt[i-1] {
			last = t - c.Step*v/(v-c.Tilt[i-1])
			if first == 0 {
				first = last
			}
		}
		switch s := math.Copysign(1, v); {
		case math.Abs(v) <= least:
			continue
		case side == 0:
			side, top, when = s, v, t
		case s != side:
			out = append(out, Pass{At: (first + last) / 2, Begin: when, From: top, End: t, To: v})
			side, top, when = s, v, t
		case math.Abs(v) > math.Abs(top):
			top, when = v, t
			if n := len(out); n > 0 {
				out[n-1].End, out[n-1].To = when, top
			}
		}
		first = 0 // the tilt is beyond least on its own side
	}
	return out
}

// stop cuts the course off at a time. The hand comes to rest within 0.3 s and then holds still for
// the time hold, s.
func (c *Course) stop(t, hold float64) {
	const slack = 0.1 // s, time in which the speed falls to 1/e
	i := int(t / c.Step)
	if i < 1 || i >= len(c.Tilt) {
		return
	}
	at, v := c.Tilt[i], (c.Tilt[i]-c.Tilt[i-1])/c.Step
	c.Tilt = append([]float64(nil), c.Tilt[:i]...)
	for s := 0.0; s < 3*slack+hold; s += c.Step {
		c.Tilt = append(c.Tilt, at+v*slack*(1-math.Exp(-s/slack)))
	}
}

// tremors lists the frequency bands of the tremor of a moving hand, Hz, and the root mean square of
// the tremor in each band, degrees. least and most are the smallest and the largest of gyroscope
// recordings of eighteen people.
var tremors = [...]struct{ lo, hi, least, most float64 }{
	{1, 3, 0.020, 0.085}, {3, 6, 0.007, 0.041}, {6, 12, 0.005, 0.033},
}

// Tremor is the root mean square of a tremor in the bands 1 to 3, 3 to 6 and 6 to 12 Hz, rad.
type Tremor [3]float64

// drawTremor draws a tremor from the measured spectrum, and multiplies it by scale.
func drawTremor(scale float64, rng *rand.Rand) (t Tremor) {
	for i, b := range tremors {
		t[i] = scale * degree * logBetween(rng, b.least, b.most)
	}
	return t
}

// shake adds a tremor: one sine in each quarter of a band.
func (c *Course) shake(t Tremor, rng *rand.Rand) {
	const sines = 4
	for i, b := range tremors {
		for k := range sines {
			hertz := b.lo + (b.hi-b.lo)/sines*(float64(k)+between(rng, 0.25, 0.75))
			c.add(t[i]*math.Sqrt(2.0/sines), hertz, between(rng, 0, 2*math.Pi))
		}
	}
}

// add adds a sine with an amplitude, rad, and a frequency, Hz.
func (c *Course) add(amplitude, hertz, phase float64) {
	s, k := math.Sincos(phase)
	ds, dk := math.Sincos(2 * math.Pi * hertz * c.Step)
	for i := range c.Tilt {
		c.Tilt[i] += amplitude * s
		s, k = s*dk+k*ds, k*dk-s*ds
	}
}

// builder builds a course from moves.
type builder struct {
	Course
	now, at float64 // time and tilt at the end of the course so far, s and rad
}

// move goes to a tilt within a time. s is the shape of the move: it goes from 0 to 1.
func (b *builder) move(to, dur float64, s func(float64) float64) {
	from, start := b.at, b.now
	b.now, b.at = b.now+dur, to
	for t := b.next(); t < b.now; t = b.next() {
		b.Tilt = append(b.Tilt, from+(to-from)*s((t-start)/dur))
	}
}

func (b *builder) next() float64 { return float64(len(b.Tilt)) * b.Step }

// follow appends a function for a while. Its argument is the time since the end of the course so
// far.
func (b *builder) follow(f func(float64) float64, dur float64) {
	start := b.now
	b.now, b.at = b.now+dur, f(dur)
	for t := b.next(); t < b.now; t = b.next() {
		b.Tilt = append(b.Tilt, f(t-start))
	}
}

// hold stays near a tilt for a while, with a sway in rad.
func (b *builder) hold(tilt, dur, sway float64, rng *rand.Rand) {
	for dur > 0 {
		step := min(dur, between(rng, 0.2, 0.6))
		dur -= step
		b.move(tilt+sway*rng.NormFloat64(), step, minimumJerk)
	}
}

// minimumJerk is the minimum-jerk motion from rest to rest (Flash and Hogan 1985).
func minimumJerk(x float64) float64 { return x * x * x * (10 - x*(15-6*x)) }

func halfCosine(x float64) float64 { return (1 - math.Cos(math.Pi*x)) / 2 }

// even returns a motion at nearly constant speed. The speed is gained in a share r of the time, and
// lost in the same share.
func even(r float64) func(float64) float64 {
	rise := func(x float64) float64 { return x * x / (2 * r * (1 - r)) }
	return func(x float64) float64 {
		switch {
		case x < r:
			return rise(x)
		case x > 1-r:
			return 1 - rise(1-x)
		}
		return (x - r/2) / (1 - r)
	}
}

// law is the power spectrum of the tilt of hands that swing to and fro, per unit of u, the
// frequency relative to that of the swings. It is flat from lawLow to lawKnee, and falls with the
// power lawFall above lawKnee. It was fitted to gyroscope recordings of ten people (68 stretches of
// three or four half swings; power at u = 1.75, 2.25, 2.75, 3.5, 4.5, 5.5, 7, 9, 12, 17: measured
// 25, 8.4, 2.3, 0.51, 0.10, 0.045, 0.018, 0.0048, 0.0010, 0.00018 %; the law is within a factor of
// two).
func law(u float64) float64 {
	if u < lawLow {
		return 0
	}
	return 1 / (1 + math.Pow(u/lawKnee, lawFall))
}

const lawLow, lawKnee, lawFall = 0.4, 1.5, 5.5

// process returns a smooth random motion with the spectrum law. rms is its root mean square, rad,
// and half the mean time of a half swing, s. The motion is the sum of a sine in each of many bands
// of equal relative width.
func process(rms, half float64, rng *rand.Rand) func(float64) float64 {
	const sines = 48
	var all [sines]sine
	sum, ratio := 0.0, math.Pow(24/lawLow, 1.0/sines)
	lo := lawLow
	for i := range all {
		hi := lo * ratio
		u := between(rng, lo, hi)
		power := law(u) * (hi - lo)
		sum += power
		// In a Gaussian process the power of a band scatters like the sum of two squares.
		all[i] = sine{math.Sqrt(2 * power * rng.ExpFloat64()), math.Pi * u / half, between(rng, 0, 2*math.Pi)}
		lo = hi
	}
	scale := rms / math.Sqrt(sum)
	return func(t float64) (v float64) {
		for _, s := range all {
			v += scale * s.at(t)
		}
		return v
	}
}

func logBetween(rng *rand.Rand, lo, hi float64) float64 {
	return lo * math.Pow(hi/lo, rng.Float64())
}
