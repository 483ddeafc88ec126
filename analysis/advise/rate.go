package advise

import (
	"math"
	"slices"
	"strings"

	"fairbore/analysis"
)

// Rate is the rate of removal expected in the next round.
type Rate struct {
	// Per is the rate in µm on the diameter for each stroke, or for each second with Seconds.
	Per     analysis.Deviation `json:"per_um"`
	Seconds bool               `json:"seconds,omitempty"`
	// Spread is the relative standard deviation of what the next round takes off. It combines the
	// doubt about the rate with Scatter. Scatter is by how much rounds differ from what their strokes
	// should have taken off. Both leave out the rounds that are much further off, at most one in ten.
	Spread  float64 `json:"spread"`
	Scatter float64 `json:"scatter"`
	Rounds  int     `json:"rounds"` // rounds it is based on; 0: the material or earlier parts
	// Falling is the relative fall of the rate for each stroke or second (0.005: half a per cent). It
	// is negative when the rate rises.
	Falling float64 `json:"falling"`
	// Faster says that the newest round cut more than 30 % faster than the rounds before suggested. Slower
	// says that the rate fell by 30 % or more over the last three rounds.
	Faster bool `json:"faster,omitempty"`
	Slower bool `json:"slower,omitempty"`

	full, light       forecast
	dwell, dwellDoubt float64 // relative rate of short strokes against long ones, where they work, and its spread
	stalled           bool    // the rate fell by half or more over the last three rounds
}

// Assumptions about the rate, as natural logarithms. They are common practice where nothing else is
// said.
const (
	roundDrift   = 0.04   // standard deviation from round to round
	glazing      = -0.006 // for each stroke or second; some stones halve their rate in 115 strokes
	glazingDoubt = 0.004
	dressing     = 0.20 // a dressed stone starts faster by at least this, or as fast as it once did
	dressDoubt   = 0.25
	pauseDoubt   = 0.10
	jumpSigmas   = 1.5  // standard deviations; chance seldom makes a larger jump
	bedding      = 0.15 // added scatter in the first round of a stone
	rateDoubt    = 0.75 // doubt about the rate of a material, for the shop's first part
	strangeDoubt = 1.2  // doubt about the rate of an unknown material
	// Light strokes are used if a full stroke is coarse for what is left. They have about half the
	// pressure, and their rate is less certain (the figures are a guess).
	lightRate  = -math.Ln2
	lightDoubt = 0.20
)

// scatters lists the standard deviations of a round's log-removal that are considered. A hand
// usually scatters by 10 to 20 % (common practice), but the scatter of this hand is not known.
// Before any round the median is usualScatter. Afterwards it is what was learned.
var scatters = [...]float64{0.08, 0.11, 0.16, 0.22, 0.31, 0.44}

const (
	usualScatter = 0.20
	scatterDoubt = 0.50 // standard deviation of the scatter's logarithm
	// A small or a large share of the rounds scatters three times as much (a guess). A single round
	// that is far off thus does not change the rate, and does not count as normal scatter.
	straysFew  = 0.005
	straysMany = 0.10
	straysMore = 3.0
	straysMost = 0.8  // largest scatter of a round that is astray
	usualMany  = 0.33 // probability of the large share, before any round
)

// strays are the two shares that are considered.
var strays = [...]float64{straysFew, straysMany}

// state holds the values that a model estimates, or the weights of these values in an observation.
type state [4]float64

// The parts of the state. level is the log-rate in the middle of the newest round. fall is its
// change with effort. light and dwell are logarithms of ratios: of the rate at light pressure to
// the full rate, and of the rate of short strokes, where they work, to the rate of long strokes.
const (
	level = iota
	fall
	light
	dwell
)

// model is the Kalman filter of the state for one scatter and one share of strays. weight is the
// probability of these two. The filter is a log-linear fit of the rates of the rounds. It weights
// each rate by how well it is known, and it slowly forgets.
type model struct {
	x       state
	p       [len(state{})]state // covariance
	scatter float64
	strays  float64
	weight  float64
}

// rates is the set of models. It learns the scatter and the share of strays from how well each
// model predicted the rounds (source: Bayes' rule). After each round it replaces the mixture of
// "astray" and "not astray" by the normal distribution with the same mean and covariance.
type rates struct {
	models  [len(scatters) * len(strays)]model
	half    float64   // effort from the middle of the newest round to its end
	n       int       // rounds that it is based on
	levels  []float64 // log-rate after each round since the stones were dressed
	highest float64   // the highest of all log-rates
	jumped  bool
}

func newRates(job *analysis.Job, prior *analysis.RatePrior, seconds bool) *rates {
	log, spread := material(job.Material)
	if prior != nil && prior.Seconds == seconds && prior.Spread > 0 && math.Abs(prior.Log) < 20 && prior.Spread < 20 {
		log, spread = prior.Log, max(prior.Spread, roundDrift)
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

// material returns a first estimate of the log-rate and its spread. Soft bronze, iron and aluminium go
// several times faster than hardened steel (common practice; the figures are orders of magnitude).
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

// observe takes a round into account.
func (f *rates) observe(g *gain) {
	d := f.half + g.effort/2
	f.half = g.effort / 2
	f.predict(d)
	before := *f
	if g.dressed {
		f.dress()
	}
	if g.paused {
		f.doubt(pauseDoubt)
	}
	if g.effort <= 0 {
		if !g.tookNothing() {
			f.doubt(roundDrift) // the part was honed, but the round tells nothing about the rate
		}
		return
	}
	// A removal far below the gauge's scatter counts as about half of that scatter.
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
		return // the mean is now known better, but the rate is not
	}
	f.n++
	if g.dressed {
		f.levels = nil
	}
	now := f.mean(state{level: 1})
	f.levels = append(f.levels, now)
	if f.n == 1 || now > f.highest {
		f.highest = now
	}
}

// update does one step of the filter, for an observation y of the state through h. noise is the
// variance of y apart from the scatter.
func (m *model) update(y float64, h state, noise float64) {
	mean, variance, ph := m.observation(h)
	nu, v := y-mean, variance+noise
	like := func(part, s float64) float64 { return part*math.Exp(-nu*nu/(2*s))/math.Sqrt(s) + 1e-300 }
	s := [2]float64{v + m.scatter*m.scatter, v + m.stray()*m.stray()}
	l := [2]float64{like(1-m.strays, s[0]), like(m.strays, s[1])}
	m.weight *= l[0] + l[1]
	// Combine both cases by their probabilities, and add the spread between them.
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

// stray returns the scatter of a round that is astray.
func (m *model) stray() float64 { return max(m.scatter, min(straysMore*m.scatter, straysMost)) }

// observation returns the mean and variance of the observation of the state through h, and the
// covariance of the observation with the state.
func (m *model) observation(h state) (mean, variance float64, with state) {
	for i := range h {
		for k := range h {
			with[i] += m.p[i][k] * h[k]
		}
		mean, variance = mean+h[i]*m.x[i], variance+h[i]*with[i]
	}
	return mean, max(variance, 0), with
}

// predict predicts the state after an effort of d.
func (f *rates) predict(d float64) {
	for k := range f.models {
		m := &f.models[k]
		m.x[level] += m.x[fall] * d
		for i := range m.p {
			m.p[level][i] += d * m.p[fall][i]
		}
		for i := range m.p {
			m.p[i][level] += d * m.p[i][fall]
		}
		m.p[level][level] += roundDrift * roundDrift
	}
}

func (f *rates) dress() {
	for k := range f.models {
		x := &f.models[k].x[level]
		*x += dressing
		if f.n > 0 {
			*x = max(*x, f.highest)
		}
	}
	f.doubt(dressDoubt)
}

func (f *rates) doubt(sd float64) {
	for k := range f.models {
		f.models[k].p[level][level] += sd * sd
	}
}

// mean returns the expected value of the state through h.
func (f *rates) mean(h state) (x float64) {
	for k := range f.models {
		mean, _, _ := f.models[k].observation(h)
		x += f.models[k].weight * mean
	}
	return x
}

// astray returns the expected share of rounds that are astray.
func (f *rates) astray() (p float64) {
	for _, m := range f.models {
		p += m.weight * m.strays
	}
	return p
}

// scatter returns the mean and standard deviation of the scatter's logarithm.
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

// round forecasts what a round of one step of effort takes off.
func (f *rates) round(h state) (all forecast) {
	for k, m := range f.models {
		mean, variance, _ := m.observation(h)
		for i, part := range [2]float64{1 - m.strays, m.strays} {
			v := m.scatter * m.scatter
			if i == 1 {
				v = m.stray() * m.stray()
			}
			all.parts[2*k+i] = normal{part * m.weight, mean, math.Sqrt(variance + v)}
		}
	}
	all.moments()
	return all
}

// forecast returns the rate at the start of the next round.
func (f *rates) forecast(seconds, dressed bool) Rate {
	next := *f
	if dressed {
		next.dress()
	}
	next.predict(f.half)
	r := Rate{Seconds: seconds, Rounds: f.n, Falling: 1 - math.Exp(next.mean(state{fall: 1})), Faster: f.jumped && !dressed}
	r.full, r.light = next.round(state{level: 1}), next.round(state{level: 1, light: 1})
	r.full.quantiles()
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

// deviation rounds µm to a Deviation. A value out of range becomes 0.
func deviation(µm float64) analysis.Deviation {
	v, err := analysis.FromMicrometres(µm)
	if err != nil {
		return 0
	}
	return analysis.Deviation(v)
}
