// Package rock judges a gauge that is rocked through square: it finds the passes in a
// stream of samples, has each fitted by package pass, and says when enough of them
// agree that their size is the bore's.
//
//	samples ── turning points ── a pass rises ── fit ── judge ── Reading
//	                             a pass ends  ── fit ──┘
//	                             the gauge leaves ─────┘
//
// A hand that turns back before square leaves minima too, all of them too high. So
// a size is believed when the odds that these were passes through square are high
// enough. The shape of each pass tells, and so does their agreement, as no
// hand turns back at the same tilt again and again. Nothing may lie below the size.
//
// Memory is bounded, and nothing is allocated after [New].
package rock

import (
	"math"

	"fairbore/analysis/capture/pass"
)

// Options say what is rocked.
type Options struct {
	Sigma float64 // standard deviation of a sample, with the rounding of its display, µm
	Step  float64 // of the display, µm
	Scale float64 // bore's diameter less that of the contacts, µm
	Least int     // passes that a reading rests on, at least
	// Averages and Lag are the gauge's moving mean and time constant, s; 0: none.
	Averages, Lag float64
}

// Reading is a size that may be believed.
type Reading struct {
	Size, U      float64 // µm; U is a standard uncertainty
	Since, Until float64 // s: first pass and last sample that it rests on
	Last         float64 // s: last pass
	Passes       int
	Misfit       float64 // mean square of what the fits leave, in standard deviations
	Motion       Motion
	Surprising   bool // far from what was expected
}

// Motion tells how fast the gauge went through square. A value that averages over T, or lags by
// τ, shows a size too large by Speed²·(T²/12 + τ²).
type Motion struct {
	Speed2        float64 // mean of Speed², µm/s²
	Spread, Slope float64 // Σ w·(m − m̄)² and Σ w·(m − m̄)·(S − S̄) over the passes: m = Speed², w = 1/u²
}

// Doubt says why there is no reading.
type Doubt uint8

// The doubts, and what the hand should do.
const (
	None     Doubt = iota
	NoPass         // rock
	OnePass        // rock on
	More           // one pass more
	Narrow         // rock wider
	Quick          // rock slower
	Scatter        // the passes don't agree
	Turning        // it looks as if the hand turns back before square
	Averaged       // the correction for averaging is too large to be trusted: rock slower
)

const (
	mostSamples = 1024 // that are kept: eight slow passes at 100 a second
	mostPasses  = 10   // that are judged together, the latest
)

// valley is a turning point of the value: perhaps a pass through square.
type valley struct {
	peak, at, end int      // number of the highest sample before, of the lowest, of the highest after (0: still to come)
	t, v          float64  // of the lowest sample, s and µm
	final         bool     // both ends were known when it was fitted
	fit           pass.Fit // if ok
	ok            bool
	edge          bool    // one side is the way in or out
	low           float64 // height of the lower one of its two sides, µm
	until         float64 // time of the last sample to be fitted, s
	count         int     // samples to be fitted
}

// Rock follows one place in the bore.
type Rock struct {
	o        Options
	turn     float64 // hysteresis of turning points, µm
	narrow   float64 // height of a swing that is too narrow, µm
	expect   float64 // size expected, µm; and its standard uncertainty, 0: none
	expectU  float64
	spacing  float64 // time between the passes of the last reading, s
	clock    clock
	ring     [mostSamples]pass.Sample
	n        int // samples so far
	vs       [mostPasses]valley
	nv       int // valleys kept
	rising   bool
	from     int     // highest sample before the next valley
	low, top int     // candidates for the next turning point
	ended    int     // sample that showed the end of the latest pass
	floor    float64 // lowest of the visit that three samples agree on, µm
	tried    bool    // the latest valley was fitted on its rise
	waited   bool    // it was judged as the last one
	doubt    Doubt
	agree    int
	work     pass.Work
	buf      [pass.Most]pass.Sample
}

// New returns a Rock.
func New(o Options) *Rock {
	r := &Rock{o: o, turn: max(leastTurn, turnSigmas*o.Sigma), doubt: More}
	tilt := narrowTilt * math.Pi / 180
	r.narrow = max(o.Scale*tilt*tilt/2, narrowSigmas*o.Sigma)
	return r
}

// A valley is known as soon as the value has risen by turnSigmas and by leastTurn.
const (
	leastTurn    = 0.7  // µm
	turnSigmas   = 4.5  // standard deviations of a sample
	tremorRise   = 0.1  // of the height above the valley: how far a peak must be passed, as a tremor shows the more the larger the tilt is
	narrowTilt   = 0.8  // degrees: a hand that swings less on the average may only waver
	narrowSigmas = 8    // standard deviations: noise alone makes turning points with heights of 6 to 8, and it may be stated too low
	risenPart    = 0.4  // of the falling side: a rise by which little of the pass is to come
	risenHeight  = 12.0 // µm, such a rise wherever the pass began
	risenSigmas  = 6    // standard deviations, in addition to risenHeight
	leastWait    = 0.7  // s, for the next pass
	waitRatio    = 1.5  // of the time between passes: the same
)

// Expect says what size is likely here, µm, and its standard uncertainty; 0 for none.
func (r *Rock) Expect(size, u float64) { r.expect, r.expectU = size, u }

// Begin forgets everything but what is expected.
func (r *Rock) Begin() {
	r.n, r.nv, r.rising, r.from, r.low, r.top, r.ended = 0, 0, false, 0, 0, 0, 0
	r.tried, r.waited, r.doubt, r.agree, r.spacing = false, false, More, 0, 0
	r.floor, r.clock = math.Inf(1), clock{}
}

// Passes is how many passes agree so far, or stand unjudged.
func (r *Rock) Passes() int {
	if r.nv < r.o.Least {
		return r.nv
	}
	return max(r.agree, min(r.nv, r.o.Least-1))
}

// Doubt says what stood in the way of a reading last.
func (r *Rock) Doubt() Doubt {
	switch {
	case r.nv == 0:
		return NoPass
	case r.nv == 1:
		return OnePass
	case r.nv < r.o.Least:
		return More
	}
	return r.doubt
}

func (r *Rock) at(i int) pass.Sample { return r.ring[i%mostSamples] }

func (r *Rock) held(i int) bool { return i >= 0 && i < r.n && i >= r.n-mostSamples }

// Add takes the next sample, s and µm, and returns a reading when one can be believed.
func (r *Rock) Add(t, v float64) (Reading, bool) {
	r.clock.tick(t)
	i := r.n
	r.ring[i%mostSamples] = pass.Sample{T: t, V: v}
	r.n++
	if i == 0 {
		return Reading{}, false
	}
	if i > 1 {
		r.floor = min(r.floor, max(v, r.at(i-1).V, r.at(i-2).V))
	}
	if v > r.at(r.top).V {
		r.top = i
	}
	if v < r.at(r.low).V {
		r.low = i
	}
	ended := false
	switch {
	case !r.rising && v > r.at(r.low).V+r.turn:
		r.valley()
	case r.rising && v < r.at(r.top).V-r.fall():
		r.vs[r.nv-1].end = r.top
		r.from, r.rising, r.low, r.ended, ended = r.top, false, i, i, true
	}
	if r.nv < r.o.Least {
		return Reading{}, false
	}
	switch last := &r.vs[r.nv-1]; {
	case ended:
		return r.judge(rocked)
	case r.rising && !r.tried && r.risen(last, v):
		r.tried = true
		return r.judge(rocked)
	case !r.waited && t-last.t > r.patience():
		r.waited = true
		return r.judge(passed)
	}
	return Reading{}, false
}

// Leave says that the gauge leaves the place: what there is must do.
func (r *Rock) Leave() (Reading, bool) {
	if r.nv < r.o.Least {
		return Reading{}, false
	}
	r.vs[r.nv-1].final = false
	return r.judge(left)
}

// valley notes that the lowest sample since the last peak is a turning point.
func (r *Rock) valley() {
	if r.nv == mostPasses {
		copy(r.vs[:], r.vs[1:])
		r.nv--
	}
	x := r.at(r.low)
	r.vs[r.nv] = valley{peak: r.from, at: r.low, t: x.T, v: x.V}
	r.nv++
	r.rising, r.top = true, r.n-1
	r.tried, r.waited = false, false
}

// fall is how far the value must go below a peak for that to be a turning point, µm.
func (r *Rock) fall() float64 {
	return max(r.turn, tremorRise*(r.at(r.top).V-r.vs[r.nv-1].v))
}

// risen reports whether the value v has risen so far from a valley that little of the pass is to come.
func (r *Rock) risen(w *valley, v float64) bool {
	rise := v - w.v
	return rise > risenPart*(r.highest(w.peak, w.at)-w.v) || rise > risenHeight+risenSigmas*r.o.Sigma
}

// patience is how long the next pass is awaited, s.
func (r *Rock) patience() float64 {
	return max(leastWait, waitRatio*(r.vs[r.nv-1].t-r.vs[0].t)/float64(r.nv-1))
}

// highest is the highest of the samples from a to b.
func (r *Rock) highest(a, b int) float64 {
	top := math.Inf(-1)
	for i := max(a, r.n-mostSamples); i <= b; i++ {
		top = max(top, r.at(i).V)
	}
	return top
}

// Latest returns the latest pass by itself, if it has just ended and could be fitted (ok): its time (s), and
// its size with the standard uncertainty (µm).
func (r *Rock) Latest() (t, size, u float64, ok bool) {
	if r.rising || r.nv == 0 || r.ended != r.n-1 {
		return 0, 0, 0, false
	}
	w := &r.vs[r.nv-1]
	if !w.final {
		r.fit(r.nv - 1)
	}
	return w.t, w.fit.Size[1], w.fit.U[1], w.ok
}

// Since forgets the passes up to a time, as the gauge has gone to another place.
func (r *Rock) Since(t float64) {
	k := 0
	for k < r.nv && r.vs[k].t <= t {
		k++
	}
	r.nv = copy(r.vs[:], r.vs[k:r.nv])
	r.rising = r.rising && r.nv > 0
	if !r.rising {
		r.low = max(0, r.n-1)
		if r.nv == 0 {
			r.from, r.top = r.low, r.low
		}
	}
	r.agree, r.doubt = 0, More
}
