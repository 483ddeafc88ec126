// Package rock judges a gauge that is rocked through square. It finds the passes in a stream of
// samples, and package pass fits each of them. Package rock says when enough passes agree that
// their size is the size of the bore.
//
//	samples ── turning points ── a pass rises ── fit ── judge ── Reading
//	                             a pass ends  ── fit ──┘
//	                             the gauge leaves ─────┘
//
// A hand that turns back before square leaves minima too, and all of them are too high. So a size
// is believed only if the odds are high enough that these minima were passes through square. The
// shape of each pass is evidence. Their agreement is evidence too, because no hand turns back at
// the same tilt again and again. Nothing may lie below the size.
//
// Memory is bounded, and nothing is allocated after [New].
package rock

import (
	"math"

	"fairbore/analysis/capture/pass"
)

// Options describe the gauge and how much a reading needs.
type Options struct {
	Sigma     float64 // standard deviation of a sample, including the rounding of the display, µm
	Step      float64 // step of the display, µm
	Scale     float64 // diameter of the bore less the diameter of the contacts, µm
	MinPasses int     // fewest passes that a reading needs
	// Averages is the averaging time of the moving mean of the gauge, and Lag its time constant, s;
	// 0: none.
	Averages, Lag float64
}

// Reading is a size that may be believed.
type Reading struct {
	Size, U      float64 // µm; U is a standard uncertainty
	Since, Until float64 // times of the first pass and of the last sample used, s
	Last         float64 // time of the last pass, s
	Passes       int
	Misfit       float64 // mean square residual of the fits, in standard deviations
	Motion       Motion
	Surprising   bool // the size is far from the expected size
}

// Motion says how fast the gauge went through square. A gauge that averages over T, or lags by τ,
// shows a size too large by Speed²·(T²/12 + τ²).
type Motion struct {
	Speed2        float64 // mean of Speed², µm/s²
	Spread, Slope float64 // Σ w·(m − m̄)² and Σ w·(m − m̄)·(S − S̄) over the passes, where m = Speed², S is the size and w = 1/u²
}

// Doubt says why there is no reading.
type Doubt uint8

// The doubts, each with the action that the operator should take.
const (
	None      Doubt = iota
	NoPass          // rock
	OnePass         // rock on
	OneMore         // make one pass more
	Narrow          // rock wider
	TooFast         // rock slower
	Scatter         // the passes don't agree
	TurnsBack       // it seems that the hand turns back before square: rock through square
	Averaged        // the correction for averaging is too large to be trusted: rock slower
)

const (
	maxSamples = 1024 // number of samples kept: eight slow passes at 100 a second
	maxPasses  = 10   // number of latest passes that are judged together
)

// valley is a minimum of the value: perhaps a pass through square.
type valley struct {
	peak, at, end int      // numbers of three samples: the highest before, the lowest, and the highest after (0: not known yet)
	t, v          float64  // time and value of the lowest sample, s and µm
	final         bool     // both ends were known when the valley was fitted
	fit           pass.Fit // set if ok
	ok            bool
	edge          bool    // one side is the way in or out of the bore
	low           float64 // height of the lower of the two sides, µm
	until         float64 // time of the last sample in the fit, s
	count         int     // number of samples in the fit
}

// Finder finds and judges the passes at one place in the bore.
type Finder struct {
	o            Options
	hysteresis   float64 // hysteresis of turning points, µm
	narrowHeight float64 // mean height below which the swings are too narrow, µm
	expect       float64 // expected size, µm, and its standard uncertainty; 0: no size is expected
	expectU      float64
	spacing      float64 // time between the passes of the last reading, s
	clock        clock
	ring         [maxSamples]pass.Sample
	n            int // number of samples so far
	vs           [maxPasses]valley
	valleys      int // number of valleys kept
	rising       bool
	from         int     // number of the highest sample before the next valley
	low, top     int     // numbers of the candidates for the next minimum and maximum
	ended        int     // number of the sample that showed the end of the latest pass
	floor        float64 // lowest value of the visit that three samples agree on, µm
	tried        bool    // the latest valley was fitted while the value rose from it
	waited       bool    // the latest valley was judged as if it were the last one
	doubt        Doubt
	agreed       int
	work         pass.Workspace
	buf          [pass.MaxSamples]pass.Sample
}

// New returns a finder.
func New(o Options) *Finder {
	r := &Finder{o: o, hysteresis: max(minTurn, turnSigmas*o.Sigma), doubt: OneMore}
	tilt := narrowTilt * math.Pi / 180
	r.narrowHeight = max(o.Scale*tilt*tilt/2, narrowSigmas*o.Sigma)
	return r
}

// A valley counts as found once the value has risen by turnSigmas and by minTurn.
const (
	minTurn      = 0.7  // µm
	turnSigmas   = 4.5  // standard deviations of a sample
	tremorRise   = 0.1  // as a share of the height above the valley: how far the value must fall from a peak, as a tremor shows more at a larger tilt
	narrowTilt   = 0.8  // degrees; a hand that swings less on average may only waver
	narrowSigmas = 8    // standard deviations; noise alone makes turning points with heights of 6 to 8, and the noise may be stated too low
	risenPart    = 0.4  // as a share of the height of the falling side: after such a rise little of the pass is still to come
	risenHeight  = 12.0 // µm; after such a rise the same is true wherever the pass began
	risenSigmas  = 6    // standard deviations, in addition to risenHeight
	minWait      = 0.7  // s, least time to wait for the next pass
	waitRatio    = 1.5  // the same, as a multiple of the time between passes
)

// Expect states the size that is likely here and its standard uncertainty, µm. 0 and 0 mean that no
// size is expected.
func (r *Finder) Expect(size, u float64) { r.expect, r.expectU = size, u }

// Begin forgets everything except the expected size.
func (r *Finder) Begin() {
	r.n, r.valleys, r.rising, r.from, r.low, r.top, r.ended = 0, 0, false, 0, 0, 0, 0
	r.tried, r.waited, r.doubt, r.agreed, r.spacing = false, false, OneMore, 0, 0
	r.floor, r.clock = math.Inf(1), clock{}
}

// Passes returns the number of passes that agree so far, or that are not judged yet.
func (r *Finder) Passes() int {
	if r.valleys < r.o.MinPasses {
		return r.valleys
	}
	return max(r.agreed, min(r.valleys, r.o.MinPasses-1))
}

// Doubt returns what last prevented a reading.
func (r *Finder) Doubt() Doubt {
	switch {
	case r.valleys == 0:
		return NoPass
	case r.valleys == 1:
		return OnePass
	case r.valleys < r.o.MinPasses:
		return OneMore
	}
	return r.doubt
}

func (r *Finder) at(i int) pass.Sample { return r.ring[i%maxSamples] }

func (r *Finder) held(i int) bool { return i >= 0 && i < r.n && i >= r.n-maxSamples }

// Add takes the next sample, s and µm. It returns a reading once the passes can be believed.
func (r *Finder) Add(t, v float64) (Reading, bool) {
	r.clock.tick(t)
	i := r.n
	r.ring[i%maxSamples] = pass.Sample{T: t, V: v}
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
	case !r.rising && v > r.at(r.low).V+r.hysteresis:
		r.valley()
	case r.rising && v < r.at(r.top).V-r.peakDrop():
		r.vs[r.valleys-1].end = r.top
		r.from, r.rising, r.low, r.ended, ended = r.top, false, i, i, true
	}
	if r.valleys < r.o.MinPasses {
		return Reading{}, false
	}
	switch last := &r.vs[r.valleys-1]; {
	case ended:
		return r.judge(rocked)
	case r.rising && !r.tried && r.nearlyOver(last, v):
		r.tried = true
		return r.judge(rocked)
	case !r.waited && t-last.t > r.longestWait():
		r.waited = true
		return r.judge(passed)
	}
	return Reading{}, false
}

// Leave says that the gauge leaves the place. It returns the reading that the passes so far allow.
func (r *Finder) Leave() (Reading, bool) {
	if r.valleys < r.o.MinPasses {
		return Reading{}, false
	}
	r.vs[r.valleys-1].final = false
	return r.judge(left)
}

// valley notes the lowest sample since the last peak as a valley.
func (r *Finder) valley() {
	if r.valleys == maxPasses {
		copy(r.vs[:], r.vs[1:])
		r.valleys--
	}
	x := r.at(r.low)
	r.vs[r.valleys] = valley{peak: r.from, at: r.low, t: x.T, v: x.V}
	r.valleys++
	r.rising, r.top = true, r.n-1
	r.tried, r.waited = false, false
}

// peakDrop returns how far the value must fall from a peak to make that peak a turning point, µm.
func (r *Finder) peakDrop() float64 {
	return max(r.hysteresis, tremorRise*(r.at(r.top).V-r.vs[r.valleys-1].v))
}

// nearlyOver reports whether the value v has risen so far from a valley that little of the pass is
// still to come.
func (r *Finder) nearlyOver(w *valley, v float64) bool {
	rise := v - w.v
	return rise > risenPart*(r.highest(w.peak, w.at)-w.v) || rise > risenHeight+risenSigmas*r.o.Sigma
}

// longestWait returns how long to wait for the next pass, s.
func (r *Finder) longestWait() float64 {
	return max(minWait, waitRatio*(r.vs[r.valleys-1].t-r.vs[0].t)/float64(r.valleys-1))
}

// highest returns the highest of the samples from a to b.
func (r *Finder) highest(a, b int) float64 {
	top := math.Inf(-1)
	for i := max(a, r.n-maxSamples); i <= b; i++ {
		top = max(top, r.at(i).V)
	}
	return top
}

// LatestPass returns the latest pass alone: its time (s), and its size with its standard
// uncertainty (µm). ok is false unless the pass has just ended and could be fitted.
func (r *Finder) LatestPass() (t, size, u float64, ok bool) {
	if r.rising || r.valleys == 0 || r.ended != r.n-1 {
		return 0, 0, 0, false
	}
	w := &r.vs[r.valleys-1]
	if !w.final {
		r.fit(r.valleys - 1)
	}
	return w.t, w.fit.Size[1], w.fit.U[1], w.ok
}

// ForgetUntil forgets the passes up to a time, because a reading used them or the gauge went to another
// place.
func (r *Finder) ForgetUntil(t float64) {
	k := 0
	for k < r.valleys && r.vs[k].t <= t {
		k++
	}
	r.valleys = copy(r.vs[:], r.vs[k:r.valleys])
	r.rising = r.rising && r.valleys > 0
	if !r.rising {
		r.low = max(0, r.n-1)
		if r.valleys == 0 {
			r.from, r.top = r.low, r.low
		}
	}
	r.agreed, r.doubt = 0, OneMore
}
