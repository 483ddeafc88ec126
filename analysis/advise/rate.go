package advise

import (
	"math"
	"strings"

	"fairbore/analysis"
)

// Rate is the rate of removal as it is expected to be in the next round.
type Rate struct {
	// Per is µm on the diameter a stroke, or a second with Seconds.
	Per     analysis.Deviation `json:"per_um"`
	Seconds bool               `json:"seconds,omitempty"`
	// Spread is the relative standard deviation of what the next round takes off,
	// the hand's own included.
	Spread float64 `json:"spread"`
	Rounds int     `json:"rounds"` // that it rests on; 0: the material or earlier parts
	// Falling is by how much the rate falls a stroke or second (0.005: half a
	// per cent); negative when it rises.
	Falling float64 `json:"falling"`
	// Faster: the newest round cut more than 30 % faster than the rounds before
	// led one to expect. Slower: it fell by 30 % or more over the last three.
	Faster bool `json:"faster,omitempty"`
	Slower bool `json:"slower,omitempty"`

	log, cv float64 // of the forecast
	stalled bool    // fell by half or more over the last three
}

// What is taken for granted of the rate. Relative standard deviations; common
// practice where nothing else is said.
const (
	handScatter  = 0.15   // of a round's removal by hand (10 to 20 %)
	handRounds   = 5.0    // how many rounds' worth of belief that is
	fewScatter   = 0.25   // the least with one or two rounds to go by and nothing before
	wander       = 0.05   // from round to round
	glazing      = -0.006 // of the log-rate, a stroke or second: some halve in 115 strokes
	glazingDoubt = 0.008
	dressing     = 0.20 // a dressed stone starts faster by that at least, or as fast as it once did
	dressDoubt   = 0.25
	pauseDoubt   = 0.10
	jumpSigmas   = 1.5  // what chance seldom does
	bedding      = 0.15 // more scatter in the first round of a stone
)

// rates is the filter: the log-rate at the middle of the newest round and its
// fall with effort, with their covariance. It is the log-linear fit of the
// rounds' rates, weighted by how well each is known, that forgets slowly.
type rates struct {
	x, b             float64
	pxx, pxb, pbb    float64
	half             float64   // effort from the middle of the newest round to its end
	n                int       // rounds that it rests on
	surprise, weight float64   // for the scatter of this hand
	levels           []float64 // of the log-rate after each round, since the stones were dressed
	fresh            float64   // the highest of all
	jumped           bool
	told             bool // it began with the shop's rate
}

func newRates(job *analysis.Job, prior *Prior, seconds bool) *rates {
	f := &rates{b: glazing, pbb: glazingDoubt * glazingDoubt}
	f.x, f.pxx = material(job.Material, seconds)
	if prior != nil && prior.Seconds == seconds && prior.Spread > 0 && math.Abs(prior.Log) < 20 && prior.Spread < 20 {
		f.x, f.pxx, f.told = prior.Log, max(prior.Spread, wander), true
	}
	f.pxx *= f.pxx
	return f
}

// material is a first idea of the log-rate and its spread: soft bronze, iron
// and aluminium go several times faster than hardened steel (common practice;
// the figures are no more than an order of size).
func material(name string, seconds bool) (log, spread float64) {
	rate := 1.3
	if n := strings.ToLower(name); strings.Contains(n, "steel") || strings.Contains(n, "hard") || strings.Contains(n, "carbide") {
		rate = 0.35
	}
	return math.Log(rate), 0.6
}

// observe takes a round in.
func (f *rates) observe(g *gain) {
	d := f.half + g.effort/2
	f.half = g.effort / 2
	f.move(d, wander)
	before := *f
	if g.dressed {
		f.dress()
	}
	if g.paused {
		f.pxx += pauseDoubt * pauseDoubt
	}
	if g.effort <= 0 || g.worked < 2*g.u || g.worked <= 0 {
		if !g.nothing() {
			f.pxx += wander * wander // honed, but there is nothing to learn from it
		}
		return
	}
	y := math.Log(g.worked / g.effort)
	noise := g.u / g.worked
	v := f.scatter()*f.scatter() + noise*noise
	if g.dressed {
		v += bedding * bedding
	}
	jump := math.Log(1.3)
	if !g.dressed {
		jump = max(jump, jumpSigmas*math.Sqrt(before.pxx+v))
	}
	f.jumped = f.n > 0 && y-before.x > jump
	f.update(y, v, g.dressed)
}

// update is the step of the Kalman filter with one value seen. A rate that is
// faster by more than two and a half standard deviations is taken for a change,
// not for chance, and what was known before counts for less; a slower one isn't,
// since to believe it in vain could take the bore over.
func (f *rates) update(y, v float64, dressed bool) {
	nu := y - f.x
	if s := f.pxx + v; f.n > 0 && nu > 2.5*math.Sqrt(s) {
		f.pxx += nu*nu - s
	}
	s := f.pxx + v
	if f.n > 0 && !dressed {
		f.surprise += nu * nu / s
		f.weight++
	}
	kx, kb := f.pxx/s, f.pxb/s
	f.x, f.b = f.x+kx*nu, f.b+kb*nu
	f.pxx, f.pxb, f.pbb = f.pxx-kx*f.pxx, f.pxb-kx*f.pxb, f.pbb-kb*f.pxb
	f.n++
	if dressed {
		f.levels = nil
	}
	f.levels = append(f.levels, f.x)
	if f.n == 1 || f.x > f.fresh {
		f.fresh = f.x
	}
}

// move lets d of effort pass.
func (f *rates) move(d, walk float64) {
	f.x += f.b * d
	f.pxx += 2*d*f.pxb + d*d*f.pbb + walk*walk
	f.pxb += d * f.pbb
}

func (f *rates) dress() {
	f.x += dressing
	if f.n > 0 {
		f.x = max(f.x, f.fresh)
	}
	f.pxx += dressDoubt * dressDoubt
}

// scatter is the relative standard deviation of one round by this hand: the
// usual one, or more as the rounds seen so far surprise.
func (f *rates) scatter() float64 {
	return handScatter * math.Sqrt(max(1, (handRounds+f.surprise)/(handRounds+f.weight)))
}

// forecast is the rate at the start of the next round.
func (f *rates) forecast(seconds, dressed bool) Rate {
	next := *f
	if dressed {
		next.dress()
	}
	next.move(f.half, wander)
	cv := math.Sqrt(max(next.pxx, 0) + f.scatter()*f.scatter())
	if f.n <= 2 && !f.told {
		cv = max(cv, fewScatter)
	}
	// Beyond this the figures say nothing, and no number may overflow.
	next.x, cv = min(max(next.x, -12), 8), min(cv, 2)
	r := Rate{Seconds: seconds, Spread: cv, Rounds: f.n, Falling: 1 - math.Exp(f.b), log: next.x, cv: cv, Faster: f.jumped && !dressed}
	r.Per = deviation(math.Exp(next.x))
	if k := len(f.levels); k >= 3 && !dressed {
		fell := f.levels[k-3] - f.levels[k-1]
		r.Slower, r.stalled = fell >= -math.Log(0.7), fell >= -math.Log(0.5)
	}
	return r
}

// deviation rounds µm; what is out of range is 0.
func deviation(µm float64) analysis.Deviation {
	v, err := analysis.FromMicrometres(µm)
	if err != nil {
		return 0
	}
	return analysis.Deviation(v)
}
