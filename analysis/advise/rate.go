package advise

import (
	"math"
	"slices"
	"strings"

	"fairbore/analysis"
)

// Rate is the rate of removal as it is expected to be in the next round.
type Rate struct {
	// Per is µm on the diameter a stroke, or a second with Seconds.
	Per     analysis.Deviation `json:"per_um"`
	Seconds bool               `json:"seconds,omitempty"`
	// Spread is the relative standard deviation of what the next round takes off:
	// of the rate, and of Scatter, by which rounds differ from what their strokes
	// should have taken off. Rounds further off, one in ten, are apart from that.
	Spread  float64 `json:"spread"`
	Scatter float64 `json:"scatter"`
	Rounds  int     `json:"rounds"` // that it rests on; 0: the material or earlier parts
	// Falling is by how much the rate falls a stroke or second (0.005: half a
	// per cent); negative when it rises.
	Falling float64 `json:"falling"`
	// Faster: the newest round cut more than 30 % faster than the rounds before
	// led one to expect. Slower: it fell by 30 % or more over the last three.
	Faster bool `json:"faster,omitempty"`
	Slower bool `json:"slower,omitempty"`

	full, light       forecast
	dwell, dwellDoubt float64 // of short strokes, by long ones, where they work; relative
	stalled           bool    // fell by half or more over the last three
}

// What is taken for granted of the rate, all of natural logarithms; common
// practice where nothing else is said.
const (
	wander       = 0.04   // standard deviation from round to round
	glazing      = -0.006 // a stroke or second: some halve in 115 strokes
	glazingDoubt = 0.004
	dressing     = 0.20 // a dressed stone starts faster by that at least, or as fast as it once did
	dressDoubt   = 0.25
	pauseDoubt   = 0.10
	jumpSigmas   = 1.5  // what chance seldom does
	bedding      = 0.15 // more scatter in the first round of a stone
	rateDoubt    = 0.75 // of the rate of a material, in the shop's first part
	strangeDoubt = 1.2  // the same of a material that isn't known
	// Light strokes, for what is left when a stroke is coarse: at about half the
	// pressure, which is less sure (the figures are a guess).
	lightRate  = -math.Ln2
	lightDoubt = 0.20
)

// scatters are the standard deviations of a round's log-removal that are held
// possible. A hand's 10 to 20 % is common practice, but nobody has told us of this
// one: the median is usualScatter, before any round, and what was learned after.
var scatters = [...]float64{0.08, 0.11, 0.16, 0.22, 0.31, 0.44}

const (
	usualScatter = 0.20
	scatterDoubt = 0.50 // of its logarithm
	// Some rounds, few or many, scatter three times as much (a guess): so a single
	// round that is far off is taken neither for a rate nor for a rule.
	straysFew  = 0.005
	straysMany = 0.10
	straysMore = 3.0
	straysMost = 0.8  // no more than that
	usualMany  = 0.33 // the probability of many, before any round
)

// strays are the parts of the rounds of which that is held possible.
var strays = [...]float64{straysFew, straysMany}

// state is what a model knows, or the weights of that in what is seen.
type state [4]float64

// The parts of the state: the log-rate at the middle of the newest round, its fall
// with effort, and the logarithms of what light pressure leaves of it and of what
// short strokes, which dwell, bring by long ones where they work.
const (
	level = iota
	fall
	light
	dwell
)

// model is the Kalman filter of the state for one scatter and one share of strays,
// and the probability of these. It is the log-linear fit of the rounds' rates,
// weighted by how well each is known, that forgets slowly.
type model struct {
	x       state
	p       [len(state{})]state // covariance
	scatter float64
	strays  float64
	weight  float64
}

// rates are the models: scatter and strays are learned by how well each foretold the
// rounds. Source: Bayes' rule; after a round, the mixture of its being astray or not
// is replaced by the normal distribution of the same mean and covariance.
type rates struct {
	models [len(scatters) * len(strays)]model
	half   float64   // effort from the middle of the newest round to its end
	n      int       // rounds that it rests on
	levels []float64 // of the log-rate after each round, since the stones were dressed
	fresh  float64   // the highest of all
	jumped bool
}

func newRates(job *analysis.Job, prior *analysis.RatePrior, seconds bool) *rates {
	log, spread := material(job.Material)
	if prior != nil && prior.Seconds == seconds && prior.Spread > 0 && math.Abs(prior.Log) < 20 && prior.Spread < 20 {
		log, spread = prior.Log, max(prior.Spread, wander)
	}
	f, sum := &rates{}, 0.0
	usual, doubt := scatterOf(prior)
	many := manyStrays(prior)
	for k := range f.models {
		s, often := scatters[k/len(strays)], k%len(strays)
		z := (math.Log(s) - usual) / doubt
		f.models[k] = model{x: state{log, glazing, lightRate}, scatter: s, strays: strays[often], weight: math.Exp(-z*z/2) * [...]float64{1 - many, many}[often]}
		for i, sd := range (state{spread, glazingDoubt, lightDoubt, dwellSpread}) {
			f.models[k].p[i][i] = sd * sd
		}
		sum += f.models[k].weight
	}
	for k := range f.models {
		f.models[k].weight /= sum
	}
	return f
}

// material is a first idea of the log-rate and its spread: soft bronze, iron and
// aluminium go several times faster than hardened steel (common practice; the
// figures are no more than an order of size).
func material(name string) (log, spread float64) {
	name = strings.ToLower(name)
	has := func(word string) bool { return strings.Contains(name, word) }
	switch {
	case slices.ContainsFunc([]string{"steel", "hard", "carbide"}, has):
		return math.Log(0.35), rateDoubt
	case slices.ContainsFunc([]string{"iron", "bronze", "brass", "alumin", "copper"}, has):
		return math.Log(1.3), rateDoubt
	}
	return math.Log(1.3), strangeDoubt
}

// observe takes a round in.
func (f *rates) observe(g *gain) {
	d := f.half + g.effort/2
	f.half = g.effort / 2
	f.move(d)
	before := *f
	if g.dressed {
		f.dress()
	}
	if g.paused {
		f.doubt(pauseDoubt)
	}
	if g.effort <= 0 {
		if !g.nothing() {
			f.doubt(wander) // honed, but there is nothing to learn from it
		}
		return
	}
	// What is lost in the gauge's own scatter took off about half of that, or less.
	w, u := max(g.worked, 0), max(g.u, 1e-3)
	took := (w + math.Hypot(w, u)) / 2
	y := math.Log(took / g.effort)
	if g.ends {
		y -= math.Log(1 - g.short*(1-endsShare))
	}
	h := state{level: 1, light: g.light, dwell: g.short}
	noise := min(u/took*u/took, 1)
	jump := math.Log(1.3)
	if g.dressed {
		noise += bedding * bedding
	} else {
		jump = max(jump, jumpSigmas*math.Hypot(before.round(h).spread, math.Sqrt(noise)))
	}
	f.jumped = f.n > 0 && y-before.mean(h) > jump
	sum := 0.0
	for k := range f.models {
		f.models[k].update(y, h, noise)
		sum += f.models[k].weight
	}
	for k := range f.models {
		f.models[k].weight /= sum
	}
	if g.worked < 2*g.u {
		return // known better, but not yet known
	}
	f.n++
	if g.dressed {
		f.levels = nil
	}
	now := f.mean(state{level: 1})
	f.levels = append(f.levels, now)
	if f.n == 1 || now > f.fresh {
		f.fresh = now
	}
}

// update is the step of the filter with one value seen, of the state by h, which has
// the variance noise besides the scatter.
func (m *model) update(y float64, h state, noise float64) {
	mean, variance, ph := m.seen(h)
	nu, v := y-mean, variance+noise
	like := func(part, s float64) float64 { return part*math.Exp(-nu*nu/(2*s))/math.Sqrt(s) + 1e-300 }
	s := [2]float64{v + m.scatter*m.scatter, v + m.stray()*m.stray()}
	l := [2]float64{like(1-m.strays, s[0]), like(m.strays, s[1])}
	m.weight *= l[0] + l[1]
	// the gain of both by their probabilities, and the spread between them
	a := l[0] / (l[0] + l[1])
	g := a/s[0] + (1-a)/s[1]
	apart := a * (1 - a) * (nu/s[0] - nu/s[1]) * (nu/s[0] - nu/s[1])
	for i := range ph {
		m.x[i] += ph[i] * g * nu
		for k := range ph {
			m.p[i][k] += ph[i] * ph[k] * (apart - g)
		}
	}
}

// stray is the scatter of a round that is astray.
func (m *model) stray() float64 { return max(m.scatter, min(straysMore*m.scatter, straysMost)) }

// seen is mean and variance of the state by h, and its covariance with the state.
func (m *model) seen(h state) (mean, variance float64, with state) {
	for i := range h {
		for k := range h {
			with[i] += m.p[i][k] * h[k]
		}
		mean, variance = mean+h[i]*m.x[i], variance+h[i]*with[i]
	}
	return mean, max(variance, 0), with
}

// move lets d of effort pass.
func (f *rates) move(d float64) {
	for k := range f.models {
		m := &f.models[k]
		m.x[level] += m.x[fall] * d
		for i := range m.p {
			m.p[level][i] += d * m.p[fall][i]
		}
		for i := range m.p {
			m.p[i][level] += d * m.p[i][fall]
		}
		m.p[level][level] += wander * wander
	}
}

func (f *rates) dress() {
	for k := range f.models {
		x := &f.models[k].x[level]
		*x += dressing
		if f.n > 0 {
			*x = max(*x, f.fresh)
		}
	}
	f.doubt(dressDoubt)
}

func (f *rates) doubt(sd float64) {
	for k := range f.models {
		f.models[k].p[level][level] += sd * sd
	}
}

// mean is the expected value of the state by h.
func (f *rates) mean(h state) (x float64) {
	for k := range f.models {
		mean, _, _ := f.models[k].seen(h)
		x += f.models[k].weight * mean
	}
	return x
}

// astray is the part of the rounds that are expected to go astray.
func (f *rates) astray() (p float64) {
	for _, m := range f.models {
		p += m.weight * m.strays
	}
	return p
}

// scatter is mean and standard deviation of the scatter's logarithm.
func (f *rates) scatter() (mean, sd float64) {
	for _, m := range f.models {
		mean += m.weight * math.Log(m.scatter)
	}
	for _, m := range f.models {
		d := math.Log(m.scatter) - mean
		sd += m.weight * d * d
	}
	return mean, math.Sqrt(sd)
}

// forecast of what a round of one step of effort takes off.
func (f *rates) round(h state) (all forecast) {
	for k, m := range f.models {
		mean, variance, _ := m.seen(h)
		for i, part := range [2]float64{1 - m.strays, m.strays} {
			v := m.scatter * m.scatter
			if i == 1 {
				v = m.stray() * m.stray()
			}
			all.parts[2*k+i] = normal{part * m.weight, mean, math.Sqrt(variance + v)}
		}
	}
	all.sum()
	return all
}

// forecast is the rate at the start of the next round.
func (f *rates) forecast(seconds, dressed bool) Rate {
	next := *f
	if dressed {
		next.dress()
	}
	next.move(f.half)
	r := Rate{Seconds: seconds, Rounds: f.n, Falling: 1 - math.Exp(next.mean(state{fall: 1})), Faster: f.jumped && !dressed}
	r.full, r.light = next.round(state{level: 1}), next.round(state{level: 1, light: 1})
	r.full.find()
	r.dwell = math.Exp(next.mean(state{dwell: 1}))
	for _, m := range next.models {
		r.dwellDoubt += m.weight * m.p[dwell][dwell]
	}
	r.dwellDoubt = max(math.Sqrt(r.dwellDoubt), dwellLeast)
	log, _ := f.scatter()
	r.Per, r.Spread, r.Scatter = deviation(math.Exp(r.full.log)), r.full.spread, math.Exp(log)
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
