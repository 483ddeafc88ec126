package simulator

import (
	"math"
	"math/rand/v2"

	"fairbore/analysis"
)

// Rocking is a visit of a two-point gauge, all but the chance of the single
// values. [DrawRocking] draws one of a family; [PlayCourse] makes one of a course that
// was recorded. Times are s, tilts rad.
type Rocking struct {
	Family Family
	Style  Family // how the hand swings
	Gauge  Gauge
	Ring   analysis.Length // size of the ring: free air shows it and Gauge.Free more, where the plunger meets its stop
	Size   analysis.Length // true, at the first place
	// Course is the tilt since the gauge is in the bore, and Stays are the places
	// where it is rocked, in its time.
	Course Course
	Stays  []Stay

	Air, Insert, Withdraw, After float64 // how long the phases last; After: in free air
	Stream                       Stream
	// React is how long after the tone the hand stops, and Hold how long it holds
	// then, before it draws the gauge out.
	React, Hold float64

	level Path // µm above Size, in the time of the course
}

// Stay is a place where a gauge is rocked.
type Stay struct {
	From, To float64
	Size     analysis.Length // true
	Seen     analysis.Length // what a perfect reading would be, at From: with the chord, for one
	Rate     analysis.Length // how Seen changes in a second
}

// Least is the tilt that a passage through square must exceed on either side to
// be counted, rad: 0.2°, less than 0.4 µm in a bore of 60 mm.
const Least = 0.2 * degree

// fewestPasses make a visit one that must be read.
const fewestPasses = 3

// Draws say what [DrawRocking] draws.
type Draws struct {
	// Styles are what the swings of a family that is no style itself are drawn from; none: all.
	Styles []Family
	Rate   float64 // values a second
	Passes int     // through square; 0: three to seven
	// Coarsest is the largest step of a display, 0.1 nm; 0: any up to 100 µin.
	Coarsest analysis.Length
}

// DrawRocking draws a visit of a family, at a size from 8 to 60 mm, with noise of
// 0.05 to 0.6 µm and steps of 0.1 to 2.54 µm. Half of the hands are as unsteady
// as recorded ones are in the air, half are steadied by the bore, three to five times.
func DrawRocking(f Family, d Draws, rng *rand.Rand) *Rocking {
	v := d.rocking(f, rng)
	if !f.Style() {
		styles := d.Styles
		if len(styles) == 0 {
			styles = Families()[:Process+1]
		}
		v.Style = pick(rng, styles...)
	}
	switch f {
	case Averaging:
		v.Gauge.Average = between(rng, 0.05, 0.15)
	case Lagging:
		v.Gauge.Lag = between(rng, 0.01, 0.05)
	case ShortTravel:
		v.Gauge.Free = length(between(rng, 150, 600))
	}
	passes := d.Passes
	if passes == 0 {
		passes = 3 + rng.IntN(5)
	}
	steadiness := 1.0
	if rng.Float64() < 0.5 {
		steadiness = between(rng, 3, 5)
	}
	v.work(passes, steadiness, rng)
	return v
}

// practised is a visit of a hand that rocks every day, until the tone or so many
// passes, with a gauge, a ring and a size.
func practised(f Family, g Gauge, ring, size analysis.Length, passes int, rng *rand.Rand) *Rocking {
	v := &Rocking{Family: f, Style: f, Gauge: g, Ring: ring, Size: size}
	if !f.Style() {
		v.Style = LeastJerk
	}
	v.phases(rng)
	v.Stream = Stream{Jitter: 0.05, Delay: 0.001, Drops: 0.005, Spikes: 0.0005, Spike: 30}
	v.work(passes, between(rng, 3, 5), rng)
	return v
}

// PlayCourse is a visit of a course, such as a recorded one, from the first time to the
// last, with a gauge, noise and stream drawn as DrawRocking does. The gauge comes to its first tilt from a drag.
func PlayCourse(c Course, d Draws, rng *rand.Rand) *Rocking {
	v := d.rocking(Recorded, rng)
	r := drawRocker(Recorded, v.Ring, 1, rng)
	v.approach(r, rng)
	from := r.now
	r.move(c.At(0), between(rng, 0.3, 0.8), leastJerk)
	r.follow(c.At, c.End())
	v.leave(r, rng)
	v.Stays = []Stay{{From: from, To: r.now, Size: v.Size, Seen: v.Size}}
	v.Course = r.Course
	return v
}

func (v *Rocking) phases(rng *rand.Rand) {
	v.Air, v.Insert, v.Withdraw, v.After = between(rng, 0.8, 2.5), between(rng, 0.2, 0.6), between(rng, 0.2, 0.4), 1
	v.React, v.Hold = between(rng, 0.2, 0.45), between(rng, 0.1, 1)
}

// rocking draws all of a visit but the course.
func (d *Draws) rocking(f Family, rng *rand.Rand) *Rocking {
	v := &Rocking{Family: f, Style: f, Gauge: d.gauge(rng), Stream: drawStream(f, rng)}
	v.Ring = drawSize(rng)
	v.Size = v.Ring + length(between(rng, -60, 60))
	v.Gauge.Tip = tipFor(v.Ring)
	v.phases(rng)
	return v
}

// gauge draws a gauge.
func (d *Draws) gauge(rng *rand.Rand) Gauge {
	show := pick(rng, displays[:]...)
	for d.Coarsest > 0 && show.step > max(d.Coarsest, analysis.Micrometre/10) {
		show = pick(rng, displays[:]...)
	}
	return Gauge{ID: "drawn", Free: length(between(rng, 600, 900)), Rate: d.Rate, Noise: logBetween(rng, 0.05, 0.6),
		Step: show.step, Unit: show.unit, Places: show.places}
}

func drawStream(f Family, rng *rand.Rand) Stream {
	s := Stream{Jitter: 0.08, Delay: between(rng, 0, 0.002), Spikes: 0.001, Spike: 30, Drops: 0.01, Holds: 0.002,
		Repeats: pick(rng, 0, 0, 0.01, 0.03), Tick: pick(rng, 0.001, 0.001, 0.001, 0.004, 0.016)}
	switch f {
	case Stepping:
		s.Tick = 0.016
	case Failing:
		s.Fault, s.FaultAt, s.Lasts = pick(rng, Faults()...), between(rng, 0.1, 0.9), between(rng, 0.3, 1.5)
	}
	return s
}

// k is the distance of the centres of the contacts, µm.
func (v *Rocking) k() float64 { return (v.Size - 2*v.Gauge.Tip).Micrometres() }

// approach drags the gauge to its place, at a tilt.
func (v *Rocking) approach(r *rocker, rng *rand.Rand) {
	r.at = between(rng, 1, 4) * degree * float64(pick(rng, -1, 1))
	v.level.Keys = []Key{{V: between(rng, -8, 8)}}
	drag := between(rng, 0.4, 2)
	r.hold(r.at, drag, r.sway, rng)
	v.level.to(drag, 0)
}

// leave is what some do before they draw the gauge out: they hold it near square, though not at it.
func (v *Rocking) leave(r *rocker, rng *rand.Rand) {
	if rng.Float64() < 0.4 {
		tilt := between(rng, -1, 1) * degree
		r.move(tilt, between(rng, 0.3, 0.6), leastJerk)
		r.hold(tilt, between(rng, 0.3, 1.5), r.sway, rng)
	}
}

// work makes the course of the family, and its stays.
func (v *Rocking) work(passes int, steadiness float64, rng *rand.Rand) {
	for { // until it never is square, where it must not be
		v.Stays, v.level = v.Stays[:0], Path{}
		r := drawRocker(v.Style, v.Ring, steadiness, rng)
		v.approach(r, rng)
		from := r.now
		v.visit(r, passes, rng)
		to := r.now
		seen := v.Size
		if v.Family == BesideAxis {
			seen += length(v.level.Keys[len(v.level.Keys)-1].V)
		}
		v.Stays = append(v.Stays, Stay{From: from, To: to, Size: v.Size, Seen: seen})
		v.beside(r, from, to, rng)
		v.Course = r.Course
		if v.Style != Process || v.Family.Never() { // whose spectrum has a tremor's
			v.Course.shake(drawTremor(1/steadiness, rng), rng)
		}
		if !v.Family.Never() || v.oneSided() {
			return
		}
	}
}

// visit is what is done at the first place.
func (v *Rocking) visit(r *rocker, passes int, rng *rand.Rand) {
	switch v.Family {
	case NeverEqual, NeverScattered:
		r.never(passes, v.Family == NeverEqual)
		return
	case HeldOff:
		r.hold(r.at, between(rng, 2, 6), r.sway, rng)
		return
	case TurnsOnce:
		r.turnsOnce(passes)
	case Fumbling:
		r.fumble(v.k())
		r.rock(passes)
	case ToneStop: // where there is no tone: at a given time
		r.rock(passes)
		begin := 0.0
		if p := r.Passes(0, r.now, Least); len(p) >= fewestPasses {
			begin = p[fewestPasses-1].At
		}
		r.stop(between(rng, begin, r.now), between(rng, 0.3, 2))
		r.now = r.End()
		r.at = r.Tilt[len(r.Tilt)-1]
		return
	default:
		r.rock(passes)
	}
	v.leave(r, rng)
}

// beside adds what happens beside the rock: it moves the level from one time to another.
func (v *Rocking) beside(r *rocker, from, to float64, rng *rand.Rand) {
	stay := &v.Stays[0]
	switch l := &v.level; v.Family {
	case TwoPlaces:
		next := v.Size + length(between(rng, -10, 10))
		drag := between(rng, 0.4, 1.5)
		l.to(to-l.end(), 0)
		if math.Abs(r.at) < degree/2 { // nobody draws it along while it is square
			r.move(between(rng, 1, 3)*degree*float64(pick(rng, -1, 1)), between(rng, 0.3, 0.6), leastJerk)
			l.to(r.now-l.end(), 0)
		}
		r.hold(r.at, drag, r.sway, rng)
		l.to(drag, (next - v.Size).Micrometres())
		second := r.now
		r.rock(fewestPasses + rng.IntN(4))
		v.leave(r, rng)
		v.Stays = append(v.Stays, Stay{From: second, To: r.now, Size: next, Seen: next})
	case Tapered, Drawn:
		rate := between(rng, 0.01, 0.06)
		if v.Family == Drawn {
			rate = between(rng, 0.5, 3)
		}
		rate *= float64(pick(rng, -1, 1))
		stay.Rate = length(rate)
		const step = 0.05
		for t := from + step; t < to; t += step { // a straight line, nearly
			l.to(t-l.end(), rate*(t-from))
		}
	case OnChamfer:
		depth := between(rng, 15, 150)
		l.to(0.01, depth)
		for l.end() < to {
			l.to(between(rng, 0.15, 0.5), depth*(1+0.3*rng.NormFloat64()))
		}
	case BesideAxis:
		chord := v.Gauge.Chord(v.Size, between(rng, 30, 100))
		l.to(0.01, chord)
		stay.Seen = v.Size + length(chord)
	case Gritty:
		grit := -between(rng, 1, 15)
		on := between(rng, from, to)
		l.to(max(0.001, on-l.end()), 0)
		l.to(0.02, grit)
		l.to(between(rng, 0.1, to-from), grit)
		l.to(0.02, 0)
	}
}

// oneSided reports whether the gauge is on one side of square for all its time in the bore.
func (v *Rocking) oneSided() bool {
	for _, t := range v.Course.Tilt {
		if t*v.Course.Tilt[0] <= 0 {
			return false
		}
	}
	return true
}

// Run plays the visit: it hands over the values that the gauge sends, and returns
// what it really was; the times of both are since the visit began. If hears reports
// a tone, the hand stops, holds the gauge and draws it out; the first time counts,
// and the course is cut there. What was wrong with it is told by the family, not by the truth's visit.
func (v *Rocking) Run(rng *rand.Rand, hears func(Point) bool) Truth {
	in := v.Air + v.Insert
	out := in + v.Course.End()
	bounce := between(rng, 0, 80)
	air := (v.Ring + v.Gauge.Free - v.Size).Micrometres()
	now := func(t float64) float64 {
		bore := func() float64 { return v.level.At(t-in) + v.Gauge.Excess(v.Size, v.Course.At(t-in)) }
		um := air
		switch {
		case t < v.Air || t >= out+v.Withdraw:
		case t < in:
			x := (t - v.Air) / v.Insert
			w := halfCosine(x)
			um = air*(1-w) + bore()*w + bounce*math.Abs(math.Sin(3*math.Pi*x))*(1-x)
		case t >= out:
			x := (t - out) / v.Withdraw
			um = bore()*(1-x*x) + air*x*x
		default:
			um = bore()
		}
		return min(um, air) // the plunger's stop
	}
	toned := false
	v.Stream.send(&shown{
		gauge: &v.Gauge, size: v.Size, in: in, out: out,
		at:    func(t float64) float64 { return v.Gauge.slow(now, t) },
		noisy: func(float64) bool { return true },
		end:   func() float64 { return out + v.Withdraw + v.After },
	}, rng, func(p Point) {
		if hears(p) && !toned {
			toned = true
			if stop := p.T.Seconds() + v.React - in; stop < v.Course.End() {
				v.Course.stop(stop, v.Hold)
				out = in + v.Course.End()
				for i := range v.Stays {
					v.Stays[i].To = max(v.Stays[i].From, min(v.Stays[i].To, v.Course.End()))
				}
			}
		}
	})
	return v.truth(in, out)
}

// slow is what the gauge shows of a value that moves: its mean over Average, followed with Lag.
func (g *Gauge) slow(now func(float64) float64, t float64) float64 {
	mean := now
	if g.Average > 0 {
		mean = func(t float64) (v float64) {
			for _, n := range legendre {
				v += n.weight * now(t-g.Average*n.at)
			}
			return v
		}
	}
	if g.Lag <= 0 {
		return mean(t)
	}
	v := 0.0
	for _, n := range laguerre {
		v += n.weight * mean(t-g.Lag*n.at)
	}
	return v
}

type node struct{ at, weight float64 }

// Gauss's nodes and weights for the mean over 0 to 1, and for the weight exp(-x)
// from 0 on (Abramowitz and Stegun, tables 25.4 and 25.9).
var (
	legendre = [...]node{
		{0.0469100770306680, 0.1184634425280945}, {0.2307653449471584, 0.2393143352496832}, {0.5, 0.2844444444444444},
		{0.7692346550528415, 0.2393143352496832}, {0.9530899229693319, 0.1184634425280945},
	}
	laguerre = [...]node{
		{0.222846604179, 0.458964673950}, {1.188932101673, 0.417000830772}, {2.992736326059, 0.113373382074},
		{5.775143569105, 1.03991974531e-2}, {9.837467418383, 2.61017202815e-4}, {15.982873980602, 8.98547906430e-7},
	}
)

func (v *Rocking) truth(in, out float64) Truth {
	tr := Truth{Fault: v.Stream.Fault, In: seconds(in), Out: seconds(out)}
	for i, s := range v.Stays {
		if i > 0 && s.From >= s.To {
			break // it was drawn out before
		}
		pl := TruePlace{Size: s.Size, Seen: s.Seen, Rate: s.Rate, From: seconds(in + s.From), To: seconds(in + s.To)}
		for _, p := range v.Course.Passes(s.From, s.To, Least) {
			pl.Turns = append(pl.Turns, seconds(in+p.At))
		}
		pl.Must = v.Family.Good() && len(pl.Turns) >= fewestPasses && v.Stream.Fault == NoFault
		tr.Places = append(tr.Places, pl)
	}
	return tr
}
