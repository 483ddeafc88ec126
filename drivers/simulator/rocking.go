package simulator

import (
	"math"
	"math/rand/v2"

	"fairbore/analysis"
)

// Rocking is a visit of a two-point gauge, without the random scatter of single values.
// [DrawRocking] draws one of a family, and [PlayCourse] makes one from a recorded course. Times are
// in s, tilts in rad.
type Rocking struct {
	Family Family
	Style  Family // how the hand swings
	Gauge  GaugeModel
	Ring   analysis.Length // size of the ring; in free air the plunger meets its stop, and the gauge shows this size plus Gauge.Free
	Size   analysis.Length // true size at the first place
	// Course is the tilt of the gauge from the moment when it is in the bore. Stays are the places
	// where it is rocked; their times count from the same moment.
	Course Course
	Stays  []Stay

	Air, Insert, Withdraw, After float64 // durations of the phases; After is in free air
	Stream                       Stream
	// React is the time from the tone until the hand stops. Hold is how long the hand then holds
	// the gauge before it draws it out.
	React, Hold float64

	level Path // µm above Size, over the time of the course
}

// Stay is a place where a gauge is rocked.
type Stay struct {
	From, To float64
	Size     analysis.Length // true
	Seen     analysis.Length // what a perfect reading at From would show; off the axis, with the chord
	Rate     analysis.Length // change of Seen per second
}

// MinPassTilt is the tilt on either side of square that a passage must exceed to count, rad. It is
// 0.2°, which adds less than 0.4 µm in a bore of 60 mm.
const MinPassTilt = 0.2 * degree

// minPasses is the fewest passes with which a visit must give a reading.
const minPasses = 3

// DrawOptions says what [DrawRocking] may draw.
type DrawOptions struct {
	// Styles are the ways to swing, for a family that is not itself a way to swing. If empty, all
	// ways are drawn.
	Styles []Family
	Rate   float64 // values per second
	Passes int     // number of passes through square; 0: three to seven
	// Coarsest is the largest display step, in units of 0.1 nm; 0: any step up to 100 µin.
	Coarsest analysis.Length
}

// DrawRocking draws a visit of a family, at a size from 8 to 60 mm, with noise of 0.05 to 0.6 µm and
// display steps of 0.1 to 2.54 µm. Half of the hands are as unsteady as recorded hands in the air. The
// other half are three to five times steadier, because the bore guides them.
func DrawRocking(f Family, d DrawOptions, rng *rand.Rand) *Rocking {
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

// practisedVisit returns a visit of a hand that rocks every day, with a given gauge, ring and size.
// The hand rocks until the tone, or for a number of passes.
func practisedVisit(f Family, g GaugeModel, ring, size analysis.Length, passes int, rng *rand.Rand) *Rocking {
	v := &Rocking{Family: f, Style: f, Gauge: g, Ring: ring, Size: size}
	if !f.Style() {
		v.Style = MinimumJerk
	}
	v.phases(rng)
	v.Stream = Stream{Jitter: 0.05, Delay: 0.001, Drops: 0.005, Spikes: 0.0005, Spike: 30}
	v.work(passes, between(rng, 3, 5), rng)
	return v
}

// PlayCourse returns a visit that follows a course, such as a recorded one, from its first time to
// its last. The gauge, the noise and the stream are drawn as by DrawRocking. Before the course, the
// gauge is dragged into place and tilted to the first tilt.
func PlayCourse(c Course, d DrawOptions, rng *rand.Rand) *Rocking {
	v := d.rocking(Recorded, rng)
	r := drawRocker(Recorded, v.Ring, 1, rng)
	v.approach(r, rng)
	from := r.now
	r.move(c.At(0), between(rng, 0.3, 0.8), minimumJerk)
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

// rocking draws everything of a visit except the course.
func (d *DrawOptions) rocking(f Family, rng *rand.Rand) *Rocking {
	v := &Rocking{Family: f, Style: f, Gauge: d.gauge(rng), Stream: drawStream(f, rng)}
	v.Ring = drawSize(rng)
	v.Size = v.Ring + length(between(rng, -60, 60))
	v.Gauge.Tip = tipFor(v.Ring)
	v.phases(rng)
	return v
}

// gauge draws a gauge.
func (d *DrawOptions) gauge(rng *rand.Rand) GaugeModel {
	show := pick(rng, displaySteps[:]...)
	for d.Coarsest > 0 && show.step > max(d.Coarsest, analysis.Micrometre/10) {
		show = pick(rng, displaySteps[:]...)
	}
	return GaugeModel{ID: "drawn", Free: length(between(rng, 600, 900)), Rate: d.Rate, Noise: logBetween(rng, 0.05, 0.6),
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

// k returns the distance between the centres of the contacts, µm.
func (v *Rocking) k() float64 { return (v.Size - 2*v.Gauge.Tip).Micrometres() }

// approach drags the gauge to its place, at a tilt.
func (v *Rocking) approach(r *rocker, rng *rand.Rand) {
	r.at = between(rng, 1, 4) * degree * float64(pick(rng, -1, 1))
	v.level.Keys = []Key{{V: between(rng, -8, 8)}}
	drag := between(rng, 0.4, 2)
	r.hold(r.at, drag, r.sway, rng)
	v.level.to(drag, 0)
}

// leave sometimes holds the gauge near square, but not at it, as some people do before they draw it
// out.
func (v *Rocking) leave(r *rocker, rng *rand.Rand) {
	if rng.Float64() < 0.4 {
		tilt := between(rng, -1, 1) * degree
		r.move(tilt, between(rng, 0.3, 0.6), minimumJerk)
		r.hold(tilt, between(rng, 0.3, 1.5), r.sway, rng)
	}
}

// work makes the course of the family, with its stays.
func (v *Rocking) work(passes int, steadiness float64, rng *rand.Rand) {
	for { // repeated until the gauge is never square, for a family of which this must hold
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
		if v.Style != Process || v.Family.Never() { // the spectrum of Process already contains a tremor
			v.Course.shake(drawTremor(1/steadiness, rng), rng)
		}
		if !v.Family.Never() || v.oneSided() {
			return
		}
	}
}

// visit plays the work at the first place.
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
	case ToneStop: // the hand stops at a drawn time, because there may be no tone
		r.rock(passes)
		begin := 0.0
		if p := r.Passes(0, r.now, MinPassTilt); len(p) >= minPasses {
			begin = p[minPasses-1].At
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

// beside adds what happens in addition to the rocking. It moves the level between two times.
func (v *Rocking) beside(r *rocker, from, to float64, rng *rand.Rand) {
	stay := &v.Stays[0]
	switch l := &v.level; v.Family {
	case TwoPlaces:
		next := v.Size + length(between(rng, -10, 10))
		drag := between(rng, 0.4, 1.5)
		l.to(to-l.end(), 0)
		if math.Abs(r.at) < degree/2 { // nobody draws the gauge along the bore while it is square
			r.move(between(rng, 1, 3)*degree*float64(pick(rng, -1, 1)), between(rng, 0.3, 0.6), minimumJerk)
			l.to(r.now-l.end(), 0)
		}
		r.hold(r.at, drag, r.sway, rng)
		l.to(drag, (next - v.Size).Micrometres())
		second := r.now
		r.rock(minPasses + rng.IntN(4))
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
		for t := from + step; t < to; t += step { // nearly a straight line
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

// oneSided reports whether the gauge stays on one side of square all the time in the bore.
func (v *Rocking) oneSided() bool {
	for _, t := range v.Course.Tilt {
		if t*v.Course.Tilt[0] <= 0 {
			return false
		}
	}
	return true
}

// Run plays the visit. It passes the values that the gauge sends to hears, and returns the truth.
// The times of both count from the start of the visit. When hears first reports a tone, the hand
// stops, holds the gauge and draws it out; the rest of the course is cut off. The family says what
// was wrong with the visit; the Visit of the truth does not.
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

// slow returns what the gauge shows of a moving value: the mean over Average, filtered with Lag.
func (g *GaugeModel) slow(now func(float64) float64, t float64) float64 {
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

// The nodes and weights of Gauss quadrature: legendre for the mean over 0 to 1, and laguerre for
// the weight exp(-x) from 0 to infinity (Abramowitz and Stegun, tables 25.4 and 25.9).
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
			break // the gauge was drawn out earlier
		}
		pl := TruePlace{Size: s.Size, Seen: s.Seen, Rate: s.Rate, From: seconds(in + s.From), To: seconds(in + s.To)}
		for _, p := range v.Course.Passes(s.From, s.To, MinPassTilt) {
			pl.Turns = append(pl.Turns, seconds(in+p.At))
		}
		pl.Must = v.Family.Good() && len(pl.Turns) >= minPasses && v.Stream.Fault == NoFault
		tr.Places = append(tr.Places, pl)
	}
	return tr
}
