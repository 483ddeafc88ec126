// Package settle finds the size at which a gauge comes to rest in a bore, as a three-point or an
// air gauge does. The size is the mean of a level run of samples.
//
//	samples ── without single wild ones ── run ── assess ── level: taken, or pending ── Event
//	                                                        the gauge leaves ── Reading
//
// A [Finder] keeps the longest run of the latest samples that stays within Options.Range. When the
// run has lasted for Options.Settle, the finder compares it with models of what the gauge may do:
// rest, settle, creep or swing. A run is not level if it may move faster than Options.Slope, or if
// it may have too far to go. The distance that may be left to go is a part of the uncertainty.
//
// A longer run leaves less doubt: its slope is known to noise·√(12/n)/T. A level that is certain is
// taken at once. If the hand sways, the gauge is noisy or the stream is slow, a doubt may remain
// for long, though the gauge is at rest. Such a level is pending. It is taken when the gauge is
// drawn out, with the uncertainty that it has then, unless the gauge crept or settled elsewhere in
// the meantime.
//
// A stream that has stuck is level too, at any value. So a level is certain only if its value
// changes, which shows that the gauge is alive. A display with steps larger than the gauge's noise
// may repeat one value for as long as the gauge rests. Then a good level looks like a stuck stream
// for all that time. Such a level is pending too. It is taken if some value is seen on the way out.
//
// Memory is bounded, and nothing is allocated after [New].
package settle

import "math"

// Longest is the largest Options.Settle, s. No run needs to last longer than this.
const Longest = 3

// Options describe the gauge and the level.
type Options struct {
	Repeatability float64 // standard deviation of a sample of a gauge that is held still, µm; above 0
	Step          float64 // step of the display, µm
	Settle        float64 // how long the value must be level, s; up to [Longest]
	Slope         float64 // the fastest that a level moves, µm/s
	Range         float64 // the largest difference of two samples of a level, µm
	Rearm         float64 // how far the value must go from a level to belong to another place, µm
}

// Reading is a size that may be believed.
type Reading struct {
	Size, U float64 // µm; U is a standard uncertainty
	Until   float64 // time of the last sample used, s
	Over    float64 // time that the mean is taken over, s
	Scatter float64 // standard deviation of the samples, as a multiple of the noise
}

// Event is what a sample has shown: either a reading, or that the gauge moved to another place.
type Event struct {
	Moved   bool
	Reading Reading // unless Moved
}

// Doubt says why there is no reading.
type Doubt uint8

// The doubts.
const (
	None     Doubt = iota
	Short          // the run is too short
	Falling        // the value falls
	Rising         // the value rises
	Unsteady       // the value is not level, and does not steadily rise or fall
	Stuck          // one value repeats more often than noise allows
	Pending        // the value is level, and will be taken when the gauge is drawn out
)

// Finder finds the readings of a visit to a bore. It handles one visit at a time.
type Finder struct {
	o          Options
	noise      float64 // standard deviation of a sample that the options state, µm
	grain      float64 // the part of noise that averaging does not reduce, µm
	maxRepeats int     // how often one value may come in a row

	run      window
	seen     float64   // standard deviation of a sample: noise, or the observed scatter if that is larger, µm
	previous [2]sample // the last two samples; the newer one is not judged yet
	held     int       // number of samples in previous
	arrived  float64   // time at which the gauge came to the place, s
	trend    float64   // slope of the latest run, µm/s
	levelAt  float64   // time at which the run was last level, s

	repeats     int     // how often the latest value has come in a row
	standsSince float64 // time at which the latest value came for the first time, s
	ahead       float64 // how far the value still had to go when it first repeated, µm
	leap        float64 // step to the latest value from a value that had come several times in a row, µm; else 0
	leapOff     float64 // distance of the previous sample from the level, if a leap led to that sample, µm; else 0
	stuckLast   bool    // the value was stuck, and no run has been level since

	done    bool    // this place has given a reading
	size    float64 // size of the level that is pending or was taken, µm
	off     int     // number of samples in a row that lie off the level
	farOff  float64 // the largest distance of these samples from the level, µm
	pending pending

	events []Event
}

// pending is a level that is not certain yet.
type pending struct {
	some    bool
	alive   bool // the value changed during it, so the stream was not stuck
	reading Reading
	nearAt  float64 // time at which the value was last near the level, s
}

// New returns a finder that is ready for a visit.
func New(o Options) *Finder {
	f := &Finder{o: o, noise: math.Hypot(o.Repeatability, o.Step/math.Sqrt(12)), events: make([]Event, 0, 3)}
	// Averaging samples with noise s removes the step q of the display, except the first harmonic of its
	// sawtooth, which has the amplitude q/π·exp(-2π²s²/q²) (theory of dither; for s = 0 it is near q/√12).
	f.grain = o.Step / math.Sqrt(12) * math.Exp(-2*math.Pi*math.Pi*o.Repeatability*o.Repeatability/(o.Step*o.Step))
	f.maxRepeats = o.maxRepeats()
	f.Begin()
	return f
}

// falseStuck is the largest chance that a good gauge is taken for a stuck one.
const falseStuck = 1e-4

// maxRepeats returns how often one value may come in a row. A step q takes in at most the share
// erf(q/√8s) of a gauge's values (normal scatter s, here a quarter less than stated). If the step
// is as fine as the scatter, one value may come about ten times; for a coarse step there is no
// limit. If the display itself steadies its value, the options must state a repeatability below its
// step.
func (o *Options) maxRepeats() int {
	const endless = 1 << 30
	part := math.Erf(o.Step / (math.Sqrt(8) * (0.75 * o.Repeatability)))
	if part > 1-1e-6 {
		return endless
	}
	return int(math.Ceil(math.Log(falseStuck)/math.Log(part))) + 1
}

// Begin starts a visit at 0 s.
func (f *Finder) Begin() {
	f.run.forget()
	f.seen, f.held, f.arrived, f.trend, f.levelAt = f.noise, 0, 0, 0, 0
	f.repeats, f.stuckLast = 0, false
	f.done, f.off, f.farOff, f.pending = false, 0, 0, pending{}
}

// Restart forgets the samples before the time t (s) and the pending level, because the times of those
// samples are not times of measurement.
func (f *Finder) Restart(t float64) {
	f.clear(t)
	f.held, f.pending = 0, pending{}
}

// clear forgets the run, because the samples from the time t on may belong to another place.
func (f *Finder) clear(t float64) {
	f.run.clear()
	f.arrived = t
}

// shortestMove is the least time in which the gauge can be drawn along to another place, s (common
// practice). In a slow stream, one sample off the level may have been such a move.
const shortestMove = 0.6

// Add takes the next sample, s and µm. It returns what the sample has shown, mostly nothing. The
// events are valid until the next call. A sample is judged one sample late, because a single wild
// value is recognised by its two neighbours.
func (f *Finder) Add(t, v float64) []Event {
	f.events = f.events[:0]
	x := sample{t, v}
	switch before, middle := &f.previous[0], f.previous[1]; {
	case f.held < 2:
		f.previous[f.held] = x
		if f.held++; f.held == 2 {
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

// wild reports whether b is wild: it differs from both neighbours by more than the noise, while
// they agree far better with each other.
func wild(a, b, c, noise float64) bool {
	da, dc := b-a, b-c
	off := min(math.Abs(da), math.Abs(dc))
	return da*dc > 0 && off > max(3, 8*noise) && math.Abs(a-c) < off/3
}

// Leave ends the visit. It returns the pending level, or says why there is none. beyond and air are
// the two samples out of the bore that showed that the gauge left, µm.
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

// Doubt says what prevents a reading.
func (f *Finder) Doubt() Doubt {
	switch {
	case f.stuck():
		return Stuck
	case f.pending.some:
		return Pending
	case f.run.span() < f.o.Settle && f.trend == 0:
		return Short
	case f.trend < -f.o.Slope/2: // a level that moves more slowly is taken
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
		f.watchLeaving(x)
	}
	if !f.done {
		f.settle(x, changed)
	}
}

// settle makes the run the pending level if it is level, and takes it at once if it is certain and its
// value changes.
func (f *Finder) settle(x sample, changed bool) {
	l := f.assess()
	switch l.class {
	case tooShort:
		return
	case mayMove:
		if x.t-f.levelAt > longestLeaving { // this is longer than it takes to draw the gauge out, so the pending level crept
			f.pending = pending{}
		}
		return
	}
	f.levelAt, f.stuckLast = x.t, false
	alive := changed && f.run.changes(shortestMean) > 1
	// If one value repeats, a new reading would only have a later time. This time could be later
	// than the moment when the gauge left a stuck stream.
	fresh := !f.pending.some || math.Abs(x.v-f.size) > f.o.Step/10
	switch {
	case alive || fresh && f.cameToRest(x.t):
		until := f.run.latest().t
		f.size, f.off, f.farOff = l.mean, 0, 0
		f.pending = pending{some: true, alive: alive, nearAt: until,
			reading: Reading{Size: l.mean, U: l.u, Until: until, Over: l.over, Scatter: l.scatter / f.seen}}
	case !fresh: // the longer the value stands, the less creep can be left
		f.pending.reading.U = min(f.pending.reading.U, l.u)
	}
	if alive && l.class == certainlyLevel && (!f.coarse() || f.longEnough()) {
		f.take()
	}
}

// take takes the pending level, if there is one.
func (f *Finder) take() {
	if f.pending.some {
		f.events = append(f.events, Event{Reading: f.pending.reading})
		f.pending, f.done = pending{}, true
	}
}

// repeat counts how often the value of x has come in a row. It reports whether the value changed.
func (f *Finder) repeat(x sample) (changed bool) {
	if f.run.n > 0 && x.v == f.run.latest().v {
		if f.repeats++; f.repeats == 2 {
			f.ahead = f.run.ahead(f.o.Settle, f.o.Step)
		}
		return false
	}
	f.leap = 0
	if f.run.n > 0 && f.repeats >= minSamples {
		f.leap = math.Abs(x.v - f.run.latest().v)
	}
	if f.stuck() { // the value was stuck, and changes again now
		f.clear(x.t)
	}
	f.repeats, f.standsSince = 1, x.t
	return true
}

// stuck reports whether one value has come in a row more often than the scatter of the gauge
// allows.
func (f *Finder) stuck() bool { return f.repeats >= f.maxRepeats }

// A value that stands still is a level if the gauge approached it more and more slowly, as a
// contact comes to rest, and had almost nothing left to go. A stream that sticks does so while the
// gauge still moves. Otherwise the value is a level once it has stood for longer than displays
// stick (an assumption).
const (
	coarseRepeats = 20  // a display that may repeat a value more often than this shows one value for a long time
	aheadSteps    = 1.5 // the largest distance that may have been left to go, in steps of the display
	longestStick  = 2.0 // s
)

// cameToRest reports whether the value that stands still now may be a level.
func (f *Finder) cameToRest(now float64) bool {
	return f.repeats > 1 && f.maxRepeats > coarseRepeats && (f.ahead <= aheadSteps*f.o.Step || now-f.standsSince >= longestStick)
}
