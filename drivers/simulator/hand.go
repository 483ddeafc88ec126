package simulator

import (
	"math"
	"math/rand/v2"

	"fairbore/analysis"
)

// Family is a family of visits in which a hand rocks a two-point gauge. It says how the hand
// swings, or what else happens in the visit. [DrawRocking] draws a visit of a family.
type Family uint8

// Ways to swing. All of these must be read.
const (
	Pendulum    Family = iota // half cosines
	MinimumJerk               // minimum-jerk swings
	EndRests                  // rests of up to 0.6 s at the ends
	EvenSpeed                 // nearly constant speed from end to end
	Pausing                   // stands still within some swings
	TwoSines                  // a sine whose frequency scatters, with a second one of 5 to 20 %
	Jerky                     // swings made of two to five pushes
	OneShort                  // one end of the rocking is much nearer to square than the other ends
	Skewed                    // starts more slowly than it ends, or faster
	Changing                  // speed and width change from swing to swing
	Quick                     // 1.3 to 2.5 Hz to and fro
	Slow                      // 1.5 to 3 s a swing
	Process                   // a smooth random process with the spectrum of recorded hands
	// Good rocking, and something else happens too. These must be read too.
	TurnsOnce // turns back once before square, between good passes
	Fumbling  // touches the wall one to three times, 10 to 110 µm high, before passing square
	ToneStop  // stops at the tone, wherever the gauge is, or at a given time if there is no tone
	TwoPlaces // drawn along to a second place without leaving the bore
	Tapered   // the bore is tapered, and the gauge wanders a little along it
	// Gauges that are slow, or have a short travel. These must be read if the options state these
	// properties.
	Averaging   // shows the mean of the last 50 to 150 ms
	Lagging     // follows with a time constant of 10 to 50 ms
	Stepping    // values are delivered in steps of 16 ms
	ShortTravel // shows 150 to 600 µm above the ring in free air, not 600 to 900
	// Visits that must not be read, or not with the size of the place.
	NeverEqual     // turns before square each time, about equally far
	NeverScattered // turns before square each time, by 0.1 to 2°
	HeldOff        // held at a tilt
	OnChamfer      // a contact slips on the chamfer
	BesideAxis     // a chord is gauged
	Drawn          // drawn along a taper while it is rocked
	Failing        // the stream fails, see [Fault]; the values before the fault may be read
	Gritty         // grit is under a contact for part of the rocking

	Recorded // the course is given, see [PlayCourse]; it must be read
)

var families = [...]string{"pendulum", "least jerk", "rests at the ends", "even speed", "pauses", "two sines", "jerky",
	"one short swing", "skewed", "changing", "quick", "slow", "process", "turns once", "fumbling", "stops at the tone",
	"two places", "tapered", "averages", "lags", "steps of 16 ms", "short travel", "never square, equal", "never square, scattered", "held off", "chamfer",
	"beside the axis", "drawn along", "failing stream", "grit", "recorded"}

// String names the family.
func (f Family) String() string { return families[f] }

// Families lists all families that can be drawn.
func Families() []Family {
	out := make([]Family, Recorded)
	for i := range out {
		out[i] = Family(i)
	}
	return out
}

// Style reports whether the family is a way to swing.
func (f Family) Style() bool { return f <= Process }

// Good reports whether a visit of the family must be read if it has enough passes.
func (f Family) Good() bool { return f < NeverEqual || f == Recorded }

// Never reports whether the gauge is never square in the bore.
func (f Family) Never() bool { return f == NeverEqual || f == NeverScattered || f == HeldOff }

// rocker makes the swings of a hand.
type rocker struct {
	builder
	style       Family
	width, half float64 // mean tilt at the ends, rad, and mean time of a swing, s
	off         float64 // tilt at the middle of the rocking, rad
	ends, times float64 // relative scatter of the width and of the time of a swing
	sway        float64 // sway while a tilt is held, rad
	skew, speed float64 // exponent of time, for Skewed; share of the time in which speed is gained, for EvenSpeed
	rng         *rand.Rand
}

// drawRocker draws a hand. steadiness divides the scatter of the hand. The relative scatter of ends
// and times goes up to that of recorded hands (0.17, 0.43).
func drawRocker(style Family, size analysis.Length, steadiness float64, rng *rand.Rand) *rocker {
	r := &rocker{builder: builder{Course: Course{Step: courseStep}}, style: style, rng: rng,
		width: between(rng, 1.5, 5) * degree, half: logBetween(rng, 0.4, 1.5),
		ends: between(rng, 0.03, 0.17) / steadiness, times: between(rng, 0.05, 0.4) / steadiness,
		sway: between(rng, 0.02, 0.15) * degree / steadiness, skew: logBetween(rng, 1.2, 1.7), speed: between(rng, 0.08, 0.25)}
	switch style {
	case Quick:
		r.half = between(rng, 0.2, 0.385)
	case Slow:
		r.half = between(rng, 1.5, 3)
	case Changing:
		r.ends, r.times = between(rng, 0.2, 0.35), between(rng, 0.25, 0.45)
	}
	if size.Micrometres() < 12000 { // people rock wider in a small bore, because a small tilt hardly shows there
		r.width = max(r.width, 2.5*degree)
	}
	r.off = between(rng, -0.25, 0.25) * r.width
	if rng.Float64() < 0.5 {
		r.skew = 1 / r.skew
	}
	return r
}

// far returns the tilt at which a swing to a side ends, rad. It is at least a third of the width
// from square.
func (r *rocker) far(side float64) float64 {
	return side*r.width*max(0.6, 1+r.ends*r.rng.NormFloat64()) + r.off
}

// time returns how long a swing takes, s.
func (r *rocker) time() float64 {
	return r.half * max(0.4, math.Exp(r.times*r.rng.NormFloat64()))
}

// swing goes to a tilt in the style of the hand.
func (r *rocker) swing(to float64) {
	dur, from, rng := r.time(), r.at, r.rng
	switch r.style {
	case EndRests:
		r.move(to, dur, minimumJerk)
		r.hold(to, between(rng, 0, 0.6), r.sway/4, rng)
		return
	case EvenSpeed:
		r.move(to, dur, even(r.speed))
		return
	case Pausing:
		if rng.Float64() < 0.5 {
			part := between(rng, 0.2, 0.8)
			stop := from + part*(to-from)
			r.move(stop, dur*math.Sqrt(part), minimumJerk)
			r.hold(stop, between(rng, 0.1, 0.5), r.sway/8, rng)
			r.move(to, dur*math.Sqrt(1-part), minimumJerk)
			return
		}
	case Jerky:
		r.pushes(to, dur)
		return
	case Skewed:
		r.move(to, dur, func(x float64) float64 { return minimumJerk(math.Pow(x, r.skew)) })
		return
	case Pendulum, TurnsOnce:
		r.move(to, dur, halfCosine)
		return
	}
	r.move(to, dur, minimumJerk)
}

// pushes is a swing of two to five minimum-jerk moves that overlap by half.
func (r *rocker) pushes(to, dur float64) {
	n := 2 + r.rng.IntN(4)
	part, sum := make([]float64, n), 0.0
	for i := range part {
		part[i] = between(r.rng, 0.3, 1)
		sum += part[i]
	}
	one := 2 * dur / float64(n+1)
	r.move(to, dur, func(x float64) (s float64) {
		for i, p := range part {
			y := (x*dur - float64(i)*one/2) / one
			s += p / sum * minimumJerk(min(1, max(0, y)))
		}
		return s
	})
}

// rock swings to and fro through square, for about the given number of passes.
func (r *rocker) rock(passes int) {
	rng := r.rng
	switch r.style {
	case TwoSines, Process:
		r.continuous(passes)
		return
	}
	side := math.Copysign(1, r.at)
	short := rng.IntN(passes + 1)
	for i := range passes + 1 {
		to := r.far(side)
		if r.style == OneShort && i == short {
			to *= between(rng, 0.2, 0.5)
		}
		if r.style == Changing { // add a trend over the rocking
			r.width *= math.Exp(0.08 * rng.NormFloat64())
			r.half *= math.Exp(0.08 * rng.NormFloat64())
		}
		r.swing(to)
		side = -side
	}
}

// continuous rocks with a motion that is not a sequence of swings. It starts and ends at turning
// points of the motion.
func (r *rocker) continuous(passes int) {
	var f func(float64) float64
	var begin, end float64
	for tries, ok := 0, false; !ok; tries++ {
		if r.style == Process {
			g := process(r.width/math.Sqrt2, r.half, r.rng)
			f = func(t float64) float64 { return r.off + g(t) }
		} else {
			f = r.twoSines()
		}
		begin, end, ok = run(f, passes, r.half, tries > 30)
	}
	r.move(f(begin), r.time(), minimumJerk)
	r.follow(func(t float64) float64 { return f(begin + t) }, end-begin)
}

// twoSines returns the sum of two sines. The frequency of the first one scatters.
func (r *rocker) twoSines() func(float64) float64 {
	rng := r.rng
	part, ratio, phase := between(rng, 0.05, 0.2), between(rng, 1.7, 3.3), between(rng, 0, 2*math.Pi)
	ramp, wander := between(rng, -0.05, 0.05), between(rng, 0, r.times)
	pace, bend := between(rng, 0.3, 0.8), between(rng, 0, 2*math.Pi)
	return func(t float64) float64 {
		x := math.Pi * t / r.half
		x += wander*math.Sin(pace*x+bend) + ramp*x
		return r.off + r.width*(math.Cos(x)+part*math.Sin(ratio*x+phase))
	}
}

// run finds the given number of successive swings through square in a motion. Each swing must be
// 0.4 to 2.5 times as wide as the swing before, as in the recordings of hands. It returns the times
// at which the first swing starts and the last one ends, s. With whatever, swings of any width will
// do, so that a run is always found.
func run(f func(float64) float64, passes int, half float64, whatever bool) (begin, end float64, ok bool) {
	const h = 0.02
	from, top, last, n := 0.0, 0.0, 0.0, -1 // state of the run: time of its first turn, tilt of the latest turn, width of the previous swing, number of swings
	a, b := f(0), f(h)
	for t := 2 * h; t < 40*half; t += h {
		c := f(t)
		if (b-a)*(c-b) <= 0 { // a turn at t-h
			wide := math.Abs(b - top)
			fits := b*top < 0 && (n == 0 || wide > 0.4*last && wide < 2.5*last)
			switch {
			case n < 0 || !fits && !whatever:
				n, from = 0, t-h
			case b*top < 0:
				n++
			}
			if top, last = b, wide; n == passes {
				return from, t - h, true
			}
		}
		a, b = b, c
	}
	return from, 40 * half, whatever
}

// turnsOnce rocks through square, but turns back once before square.
func (r *rocker) turnsOnce(passes int) {
	before := 1 + r.rng.IntN(max(1, passes-2))
	r.rock(before)
	side := math.Copysign(1, r.at)
	near := side * between(r.rng, 0.1, 2) * degree
	if math.Abs(near) > 0.7*math.Abs(r.at) {
		near = 0.5 * r.at
	}
	r.swing(near)
	r.swing(r.far(side))
	side = -side
	for range passes - before {
		r.swing(r.far(side))
		side = -side
	}
}

// fumble touches the wall one to three times before the gauge passes square. k is the distance
// between the centres of the contacts, µm.
func (r *rocker) fumble(k float64) {
	rng := r.rng
	side := math.Copysign(1, r.at)
	high := between(rng, 10, min(110, k*(1/math.Cos(6*degree)-1)))
	scatter := pick(rng, 0.03, 0.3)
	for range 1 + rng.IntN(3) {
		e := min(130, max(5, high*(1+scatter*rng.NormFloat64())))
		near := math.Acos(1 / (1 + e/k))
		r.swing(side * near)
		r.swing(side * (near + between(rng, 1, 3)*degree))
	}
}

// never rocks on one side of square.
func (r *rocker) never(turns int, equal bool) {
	rng := r.rng
	side := math.Copysign(1, r.at)
	mean, scatter := between(rng, 0.1, 2)*degree, between(rng, 0.01, 0.05)*degree
	for range turns {
		r.swing(side * (2*degree + r.width*max(0.4, 1+r.ends*rng.NormFloat64())))
		near := between(rng, 0.1, 2) * degree
		for equal {
			if near = mean + scatter*rng.NormFloat64(); near > 0.03*degree { // drawn again, because a clamp would make equal turns
				break
			}
		}
		r.swing(side * near)
	}
	r.swing(side * (2*degree + r.width))
}
