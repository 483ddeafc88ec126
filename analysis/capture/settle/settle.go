// Package settle finds the size at which a gauge comes to rest in a bore, as a three-point or an air gauge
// does: it is the mean of a level run of samples.
//
//	samples ── without single wild ones ── run ── assess ── level: taken, or pending ── Event
//	                                                        the gauge leaves ── Reading
//
// A [Finder] keeps the longest run of the latest samples that stays within Options.Range. When the run
// has lasted for Options.Settle, the finder compares it with models of what the gauge may do: rest, come home,
// creep or swing. A run is not level if it may move faster than Options.Slope or may have too
// far to go. The way that may be left is a part of the uncertainty.
//
// The longer a run is, the less is in doubt: its slope is known to noise·√(12/n)/T. A level that is certain is
// taken at once. A hand that sways, a noisy gauge or a slow stream may leave a doubt for long, though the
// gauge is at rest. Such a level is pending. It is taken when the gauge is drawn out, with the
// uncertainty that it has then, unless the gauge crept or settled elsewhere in the meantime.
//
// A stream that has stuck is level too, at any value. So a level is certain only if its value changes,
// which shows that the gauge is alive. A display with steps larger than the gauge's noise may
// repeat one value for as long as the gauge rests. Then a good level looks like a stuck one for as long as it lasts.
// It is pending too, and is taken if some value is seen on the way out.
//
// Memory is bounded, and nothing is allocated after [New].
package settle

import "math"

// Longest is the most that Options.Settle may be, s. A run that has lasted for so long need not last longer.
const Longest = 3

// Options say what comes to rest.
type Options struct {
	Repeatability float64 // standard deviation of a sample of a gauge that is held still, µm; above 0
	Step          float64 // of the display, µm
	Settle        float64 // how long the value must be level, s; up to [Longest]
	Slope         float64 // the most that a level moves, µm/s
	Range         float64 // the most between the largest and the smallest sample of a level, µm
	Rearm         float64 // how far the value must go from a level to be at another place, µm
}

// Reading is a size that may be believed.
type Reading struct {
	Size, U float64 // µm; U is a standard uncertainty
	Until   float64 // time of the last sample that it rests on, s
	Over    float64 // the size is the mean over so long a time, s
	Scatter float64 // standard deviation of the samples, as a part of that of the noise
}

// Event is something that a sample has shown: a reading, or that the gauge moved to another place.
type Event struct {
	Moved   bool
	Reading Reading // unless Moved
}

// Doubt says why there is no reading.
type Doubt uint8

// The doubts.
const (
	None     Doubt = iota
	Short          // the run has not lasted long enough
	Falling        // the value falls
	Rising         // the value rises
	Unsteady       // it does neither, and is not level
	Stuck          // it repeats one value more often than noise allows
	Pending        // it is level, and is taken when the gauge is drawn out
)

// Finder finds the readings of one visit to a bore at a time.
type Finder struct {
	o           Options
	noise       float64 // standard deviation of a sample by the options, µm
	grain       float64 // the part of it that no mean reduces, µm
	mostRepeats int     // how often a value may come in a row

	run      window
	seen     float64   // standard deviation of a sample: noise, or what the run shows, µm
	previous [2]sample // the last two samples; the newer one is not judged yet
	have     int       // samples in previous
	arrived  float64   // when the gauge came to the place, s
	trend    float64   // slope of the run that was assessed last, µm/s
	levelAt  float64   // when the run was last level, s

	repeats     int     // how often the latest value has come in a row
	standsSince float64 // when it came first, s
	ahead       float64 // how far it had to go when it came first, µm
	leap        float64 // by how much it differs from a value that came several times before it, µm; else 0
	leapOff     float64 // distance from the level of the sample before, if that came by a leap, µm; else 0
	stuckLast   bool    // the value was stuck, and no run was level since

	done    bool    // a reading of this place was taken
	size    float64 // of the level that is pending or was taken, µm
	off     int     // samples in a row that lie off it
	farOff  float64 // the largest distance of these from it, µm
	pending pending

	events []Event
}

// pending is a level that is not certain.
type pending struct {
	some    bool
	alive   bool // the value changed in it, so that it was not stuck
	reading Reading
	nearAt  float64 // when the value was last near it, s
}

// New returns a finder, which is ready for a visit.
func New(o Options) *Finder {
	f := &Finder{o: o, noise: math.Hypot(o.Repeatability, o.Step/math.Sqrt(12)), events: make([]Event, 0, 3)}
	// A mean of samples with noise s averages the step q of the display out, all but the first harmonic of its sawtooth, of
	// amplitude q/π·exp(-2π²s²/q²) (theory of dither; for s = 0 it is near q/√12).
	f.grain = o.Step / math.Sqrt(12) * math.Exp(-2*math.Pi*math.Pi*o.Repeatability*o.Repeatability/(o.Step*o.Step))
	f.mostRepeats = o.mostRepeats()
	f.Begin()
	return f
}

// falseStuck is how seldom a good gauge may be taken for a stuck one.
const falseStuck = 1e-4

// mostRepeats is how often one value may come in a row: its step q takes in at most the part
// erf(q/√8s) of a gauge's values (normal scatter s, here a quarter less than stated). That is ten or so
// for a step as fine as the scatter; for a coarse one it has no end. For a display that is steadied inside, the
// options must state a repeatability less than its step.
func (o *Options) mostRepeats() int {
	const endless = 1 << 30
	part := math.Erf(o.Step / (math.Sqrt(8) * (0.75 * o.Repeatability)))
	if part > 1-1e-6 {
		return endless
	}
	return int(math.Ceil(math.Log(falseStuck)/math.Log(part))) + 1
}

// Begin begins a visit, at 0 s.
func (f *Finder) Begin() {
	f.run.forget()
	f.seen, f.have, f.arrived, f.trend, f.levelAt = f.noise, 0, 0, 0, 0
	f.repeats, f.stuckLast = 0, false
	f.done, f.off, f.farOff, f.pending = false, 0, 0, pending{}
}

// Restart forgets the samples before the time t (s), and the level that is pending: the times of the
// samples are no times of measurement.
func (f *Finder) Restart(t float64) {
	f.clear(t)
	f.have, f.pending = 0, pending{}
}

// clear forgets the run: what comes from the time t on may be of another place.
func (f *Finder) clear(t float64) {
	f.run.clear()
	f.arrived = t
}

// shortestMove is the least time in which the gauge is drawn along to another place, s (common
// practice). In so slow a stream one sample that is off may have been such a move.
const shortestMove = 0.6

// Add takes the next sample, s and µm, and returns what it has shown, mostly nothing. The events are
// valid until the next call. A sample is judged when the next one has come, as a single wild
// sample is recognised by both its neighbours.
func (f *Finder) Add(t, v float64) []Event {
	f.events = f.events[:0]
	x := sample{t, v}
	switch before, middle := &f.previous[0], f.previous[1]; {
	case f.have < 2:
		f.previous[f.have] = x
		if f.have++; f.have == 2 {
			f.judge(*before)
		}
		return f.events
	case !wild(before.v, middle.v, v, f.seen):
		*before = middle
		f.judge(middle)
	case t-before.t > shortestMove:
		f.take()
		f.clear(t)
	}
	f.previous[1] = x
	return f.events
}

// wild reports whether b differs from both its neighbours by more than the noise, and these agree far better
// with one another.
func wild(a, b, c, noise float64) bool {
	da, dc := b-a, b-c
	off := min(math.Abs(da), math.Abs(dc))
	return da*dc > 0 && off > max(3, 8*noise) && math.Abs(a-c) < off/3
}

// Leave ends the visit. It takes the level that is pending, or says why there is none. The values of the two
// samples out of the bore that showed it are beyond and air, µm.
func (f *Finder) Leave(beyond, air float64) (Reading, Doubt) {
	if f.pending.some && (f.pending.alive || f.seenLeaving(beyond, air)) {
		f.done = true
		return f.pending.reading, None
	}
	if f.pending.some || f.stuckLast {
		return Reading{}, Stuck
	}
	return Reading{}, f.Doubt()
}

// Doubt says what is in the way of a reading.
func (f *Finder) Doubt() Doubt {
	switch {
	case f.stuck():
		return Stuck
	case f.pending.some:
		return Pending
	case f.run.span() < f.o.Settle && f.trend == 0:
		return Short
	case f.trend < -f.o.Slope/2: // a level that goes less far is taken
		return Falling
	case f.trend > f.o.Slope/2:
		return Rising
	}
	return Unsteady
}

// judge judges the next sample that is not wild.
func (f *Finder) judge(x sample) {
	changed := f.repeat(x)
	f.run.push(x, f.width(), longestRun)
	f.seen = f.run.noise(f.noise)
	switch {
	case f.done:
		f.rearm(x)
		return
	case f.stuck():
		f.pending, f.stuckLast = pending{}, true
		return
	case f.pending.some:
		f.depart(x)
	}
	if !f.done {
		f.settle(x, changed)
	}
}

// settle makes the level that the latest samples may be the pending one, and takes it at once if it is
// certain and the value changes.
func (f *Finder) settle(x sample, changed bool) {
	l := f.assess()
	switch l.class {
	case unknown:
		return
	case moving:
		if x.t-f.levelAt > longestLeaving { // longer than it takes to be drawn out: the level that was pending crept
			f.pending = pending{}
		}
		return
	}
	f.levelAt, f.stuckLast = x.t, false
	alive := changed && f.run.changes(shortestMean) > 1
	// A mean of one value alone would only move on in time, perhaps to when the gauge has
	// left a stream that is stuck.
	fresh := !f.pending.some || math.Abs(x.v-f.size) > f.o.Step/10
	switch {
	case alive || fresh && f.landed(x.t):
		until := f.run.latest().t
		f.size, f.off, f.farOff = l.mean, 0, 0
		f.pending = pending{some: true, alive: alive, nearAt: until,
			reading: Reading{Size: l.mean, U: l.u, Until: until, Over: l.over, Scatter: l.scatter / f.seen}}
	case !fresh: // but the longer it stands, the less can be left of the way
		f.pending.reading.U = min(f.pending.reading.U, l.u)
	}
	if alive && l.class == certain && (!f.coarse() || f.long()) {
		f.take()
	}
}

// take takes the level that is pending, if there is one.
func (f *Finder) take() {
	if f.pending.some {
		f.events = append(f.events, Event{Reading: f.pending.reading})
		f.pending, f.done = pending{}, true
	}
}

// repeat counts how often the value x has come in a row, and reports whether it changed.
func (f *Finder) repeat(x sample) (changed bool) {
	if f.run.n > 0 && x.v == f.run.latest().v {
		if f.repeats++; f.repeats == 2 {
			f.ahead = f.run.ahead(f.o.Settle, f.o.Step)
		}
		return false
	}
	f.leap = 0
	if f.run.n > 0 && f.repeats >= fewestSamples {
		f.leap = math.Abs(x.v - f.run.latest().v)
	}
	if f.stuck() { // and lives again
		f.clear(x.t)
	}
	f.repeats, f.standsSince = 1, x.t
	return true
}

// stuck reports whether the value has come more often in a row than the gauge's scatter allows.
func (f *Finder) stuck() bool { return f.repeats >= f.mostRepeats }

// A value that stands still is a level if the gauge came to it ever slower, as a contact comes home, with next to
// nothing left of the way: a stream sticks in the midst of it. Or else it has stood for longer than
// displays stick (an assumption).
const (
	coarseRepeats = 20  // a display that may repeat a value more often than this often shows one for long
	aheadSteps    = 1.5 // most steps of the display that were left of the way
	longestStick  = 2.0 // s
)

// landed reports whether the value, which stands still now, may be a level.
func (f *Finder) landed(now float64) bool {
	return f.repeats > 1 && f.mostRepeats > coarseRepeats && (f.ahead <= aheadSteps*f.o.Step || now-f.standsSince >= longestStick)
}
