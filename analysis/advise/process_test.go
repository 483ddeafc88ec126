package advise_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/advise"
	"fairbore/analysis/verdict"
)

// law is how the gain of a round scatters about the stone's rate, as a factor
// of median one.
type law int

const (
	logNormal law = iota
	// heavy is a Student t of four degrees of freedom on the logarithm.
	heavy
	// mixed is log-normal, with one round in eight of three times the spread.
	mixed
)

func (l law) String() string { return [...]string{"log-normal", "heavy", "mixed"}[l] }

// draw returns the factor's logarithm, of standard deviation sd.
func (l law) draw(sd float64, rng *rand.Rand) float64 {
	switch l {
	case heavy: // variance of t with four degrees of freedom: 2
		var chi float64
		for range 4 {
			x := rng.NormFloat64()
			chi += x * x
		}
		return sd / math.Sqrt2 * rng.NormFloat64() / math.Sqrt(chi/4)
	case mixed: // 7/8 + 9/8 = 2
		sd /= math.Sqrt2
		if rng.IntN(8) == 0 {
			sd *= 3
		}
	}
	return sd * rng.NormFloat64()
}

// process is how one shop hones one job: drawn once, the same for all its parts.
// Nothing of it is taken from the simulator of the demo nor from the advice. The
// ranges are assumed, so wide that a real shop may lie within.
type process struct {
	job     shopJob
	rule    verdict.Rule
	law     law
	scatter float64 // of a round's gain, standard deviation of its logarithm
	stroke  float64 // the same of a single stroke, which counts in short rounds

	rate    float64 // of a keen stone, µm a stroke
	between float64 // spread of that from dressing to dressing and part to part
	dull    float64 // rate of the glazed stone by that of the keen one
	strokes float64 // in which the glaze comes, e-fold
	loads   float64 // probability that the stone loads in a round
	loaded  float64 // factor on the rate of the loaded stone
	drift   float64 // of the rate's logarithm from round to round
	light   float64 // factor at half the pressure
	local   float64 // how far short strokes spread, share of the length
	rest    float64 // what short strokes take from the far end, by a full stroke
	dwell   float64 // what they take where they work, by a full stroke
	open    float64 // how much more the ends get by a full stroke
	bottom  float64 // how much less the bottom of a blind bore gets
	kept    float64 // share of the oval that is left after 20 µm
	start   float64 // mean size at the start, below the target, µm
	grow    float64 // µm that a stroke's heat adds to the size
	hot     float64 // the most that it adds, µm
	cooling float64 // time constant, s
	told    bool    // the warmth is known to the advice
	stays   bool    // at light pressure, once it was advised
	pause   float64 // s from the last stroke to the gauging
	section float64 // scatter of the gain along the bore
}

// world says which processes are drawn.
type world struct {
	name     string
	low, top float64 // scatter
	laws     []law
	warm     int // 0 none, 1 told, 2 untold
	blind    bool
}

// worlds are the kinds of shop that the advice is judged in.
var worlds = []world{
	{name: "10 to 20 %", low: 0.10, top: 0.20, laws: []law{logNormal}},
	{name: "15 to 40 %", low: 0.15, top: 0.40, laws: []law{logNormal}},
	{name: "25 to 40 %", low: 0.25, top: 0.40, laws: []law{logNormal}},
	{name: "15 to 40 %, heavy", low: 0.15, top: 0.40, laws: []law{heavy, mixed}},
	{name: "15 to 40 %, blind", low: 0.15, top: 0.40, laws: []law{logNormal, heavy, mixed}, blind: true},
	{name: "15 to 40 %, warm, told", low: 0.15, top: 0.40, laws: []law{logNormal, heavy, mixed}, warm: 1},
	{name: "15 to 40 %, warm, untold", low: 0.15, top: 0.40, laws: []law{logNormal, heavy, mixed}, warm: 2},
}

// newProcess draws a shop of the world.
func newProcess(w world, rng *rand.Rand) *process {
	in := func(low, high float64) float64 { return low + (high-low)*rng.Float64() }
	p := &process{rule: verdict.Expanded, law: w.laws[rng.IntN(len(w.laws))], scatter: in(w.low, w.top), stroke: in(0, 0.2)}
	tolerance := []float64{2.54, 4, 5, 6, 8, 12, 20}[rng.IntN(7)]
	p.start = in(20, 70)
	nominal := math.Round(in(12, 50))
	length := math.Round(nominal * in(1, 4))
	j := &analysis.Job{ID: "P-1", Title: "part", Material: []string{"tool steel, hardened", "grey iron", "leaded bronze", "low-alloy steel"}[rng.IntN(4)],
		Face: "front", Blind: w.blind, Unit: analysis.MM, Nominal: analysis.Length(nominal * float64(mm)), Band: dev(300),
		Length: analysis.Length(length * float64(mm)), Ring: "R-1"}
	if w.warm > 0 {
		j.Material = "aluminium"
		p.grow, p.hot, p.cooling, p.told, p.pause = in(0.05, 0.25), in(1, 6), in(60, 400), w.warm == 1, in(20, 90)
	}
	j.Low = j.Nominal
	j.High = j.Low + analysis.Length(tolerance*float64(µm))
	j.Target = (j.Low + j.High) / 2
	for i, n := 0, 3+rng.IntN(3); i < n; i++ {
		z := 0.08 + 0.84*float64(i)/float64(n-1)
		j.Sections = append(j.Sections, analysis.Length(math.Round(z*length))*mm)
	}
	for i, n := 0, 2+rng.IntN(2); i < n; i++ {
		j.Orientations = append(j.Orientations, analysis.Angle(i*180/n)*analysis.Degree)
	}
	p.job = shopJob{Job: j, u: 0.3, repeat: 0.15}

	p.rate = min(p.start/in(35, 110), tolerance*in(0.1, 0.25))
	p.between = in(0.05, 0.2)
	p.dull, p.strokes = in(0.5, 0.85), in(25, 120)
	p.loads, p.loaded, p.drift = in(0, 0.06), in(0.5, 0.75), in(0, 0.06)
	p.light, p.stays = in(0.4, 0.65), rng.IntN(2) == 0
	p.local, p.rest, p.dwell = in(0.15, 0.4), in(0.1, 0.4), in(0.9, 1.5)
	p.open, p.bottom = in(-0.02, 0.03), in(0.03, 0.12)
	p.kept, p.section = in(0.2, 0.6), in(0.005, 0.02)
	return p
}

// piece is a part in work in such a shop, and what its gauging gets wrong.
type piece struct {
	*process
	rng    *rand.Rand
	sizes  [][]float64 // cold, true, by section and orientation: µm above the target
	keen   float64     // factor on the rate for this part and stone
	worn   float64     // factor: loading and drift
	cut    float64     // strokes since dressing
	warmth float64     // µm
	zero   float64     // error of the part's sizes
	at     time.Time
	adv    advise.Input
	dress  bool
	eased  bool          // the pressure, and so to the end
	said   advise.Advice // of the newest round
	calls  []call
}

// call is an advised round: what was stated, and what came of it.
type call struct {
	risk, room, took float64
	over             bool
}

// newPiece draws a part.
func (p *process) newPiece(rng *rand.Rand) *piece {
	c := &piece{process: p, rng: rng, at: time.Date(2026, 1, 5, 8, 0, 0, 0, time.UTC)}
	form := min(0.05*p.start, (p.job.High-p.job.Low).Micrometres()/2)
	taper, barrel, oval := 0.3*form*rng.NormFloat64(), 0.3*form*rng.NormFloat64(), math.Abs(0.5*form*rng.NormFloat64())
	base := -p.start * (0.85 + 0.3*rng.Float64())
	turn := rng.Float64() * math.Pi
	for _, z := range c.depths() {
		var s []float64
		for _, a := range p.job.Orientations {
			angle := float64(a) / float64(analysis.Degree) * math.Pi / 180
			s = append(s, base+taper*(z-0.5)+barrel*(4*(z-0.5)*(z-0.5)-0.5)+oval/2*math.Cos(2*(angle-turn)))
		}
		c.sizes = append(c.sizes, s)
	}
	c.zero = rng.NormFloat64() * math.Sqrt(p.job.u*p.job.u-p.job.repeat*p.job.repeat)
	c.freshen(rng.Float64() * p.strokes * 0.7)
	if rng.IntN(3) == 0 {
		c.cut = 0
	}
	return c
}

func (c *piece) freshen(cut float64) {
	c.cut, c.worn, c.keen = cut, 1, math.Exp(c.between*c.rng.NormFloat64())
}

// depths are the sections as shares of the length.
func (c *piece) depths() (z []float64) {
	for _, s := range c.job.Sections {
		z = append(z, float64(s)/float64(c.job.Length))
	}
	return z
}

// now is the rate of the stone as it is, µm a full stroke.
func (c *piece) now() float64 {
	return c.rate * c.keen * c.worn * (c.dull + (1-c.dull)*math.Exp(-c.cut/c.strokes))
}

// cuts is that at the pressure that is used.
func (c *piece) cuts(light bool) float64 {
	if light || c.eased {
		return c.now() * c.light
	}
	return c.now()
}

// spread is the standard deviation of the logarithm of the next round's gain.
func (c *piece) spread(strokes int) float64 {
	return math.Sqrt(c.scatter*c.scatter + c.stroke*c.stroke/float64(max(strokes, 1)))
}

// shares is what n strokes, of which short are at the stretches, take off at
// each section, in strokes' worth of the stone's rate.
func (c *piece) shares(n, short int, at []analysis.Stretch) []float64 {
	z := c.depths()
	out := make([]float64, len(z))
	for i, d := range z {
		full := 1 + c.open*(math.Pow(2*math.Abs(d-0.5), 3)-0.25)
		if c.job.Blind {
			full -= c.bottom * math.Exp(-(1-d)/0.15)
		}
		local := 0.0 // of short strokes, which are shared among the stretches
		for _, s := range at {
			from, to := float64(s.From)/float64(c.job.Length), float64(s.To)/float64(c.job.Length)
			gap := max(from-d, d-to, 0) / c.local
			local += (c.rest + (c.dwell-c.rest)*math.Exp(-gap*gap)) / float64(len(at))
		}
		out[i] = full*float64(n-short) + local*float64(short)
	}
	return out
}

// hone works n strokes.
func (c *piece) hone(a *advise.Advice) {
	rate := c.cuts(a.Light)
	c.eased, c.said = c.stays && (c.eased || a.Light), *a
	took := rate * math.Exp(c.law.draw(c.spread(a.Strokes), c.rng))
	shares := c.shares(a.Strokes, a.Short, a.At)
	for i, s := range c.sizes {
		gain := took * shares[i] * math.Exp(c.section*c.rng.NormFloat64())
		mean := mean(s)
		keep := math.Pow(c.kept, gain/20)
		for k := range s {
			s[k] = mean + gain + (s[k]-mean)*keep
		}
	}
	c.cut += float64(a.Strokes)
	c.worn *= math.Exp(c.drift * c.rng.NormFloat64())
	if c.rng.Float64() < c.loads {
		c.worn *= c.loaded
	}
	c.pass(float64(a.Strokes) * 1.2)
	c.warmth = min(c.hot, c.warmth+c.grow*float64(a.Strokes)*min(1, rate))
	c.pass(c.pause)
}

// pass lets time go by, s.
func (c *piece) pass(s float64) {
	if c.cooling > 0 {
		c.warmth *= math.Exp(-s / c.cooling)
	}
	c.at = c.at.Add(time.Duration(s * float64(time.Second)))
}

// cooled gauges the part anew in place of the newest round, which was warm.
func (c *piece) cooled() {
	n := len(c.adv.Rounds) - 1
	last := c.adv.Rounds[n]
	c.adv.Rounds = c.adv.Rounds[:n]
	c.gauge(last.Strokes, last.Dressed)
	now := &c.adv.Rounds[n]
	now.Light, now.Short, now.Ends = last.Light, last.Short, last.Ends
}

// gauge gauges every place and makes the advice's input of it.
func (c *piece) gauge(strokes int, dressed bool) {
	var readings []analysis.Reading
	round := len(c.adv.Rounds)
	for i, d := range c.job.Sections {
		for k, a := range c.job.Orientations {
			size := c.sizes[i][k] + c.warmth + c.zero + c.rng.NormFloat64()*c.job.repeat
			readings = append(readings, analysis.Reading{Place: analysis.Place{Depth: d, Angle: a}, Round: round,
				Size: c.job.Target + analysis.Length(math.Round(size*float64(µm))), U: dev(c.job.repeat), At: c.at})
		}
	}
	rounds := append(slices.Clone(c.adv.Rounds), advise.Round{Number: round, Strokes: strokes, Dressed: dressed, Light: c.said.Light, Short: c.said.Short, Ends: c.said.Where == advise.Ends, At: c.at})
	prior := c.adv.Prior
	c.adv = c.job.input(readings, rounds, c.rule)
	c.adv.Prior = prior
	if c.told && c.warmth > 0.05 {
		c.adv.Warm = &advise.Warm{Shrink: dev(c.warmth), Within: dev(0.15 * c.warmth), Wait: time.Duration(c.cooling * 2.5 * float64(time.Second))}
	}
}

// extremes are the smallest and largest true size, µm above the target.
func (c *piece) extremes() (low, high float64) {
	low, high = math.Inf(1), math.Inf(-1)
	for _, s := range c.sizes {
		low, high = min(low, slices.Min(s)), max(high, slices.Max(s))
	}
	return low, high
}

// half is half the tolerance, µm.
func (c *piece) half() float64 { return (c.job.High - c.job.Low).Micrometres() / 2 }

// work hones the part as it is told until it is told to stop, and says how it ended.
func (c *piece) work(next func() advise.Advice) (o outcome) {
	c.gauge(0, false)
	for visits := 0; ; visits++ {
		a := next()
		if visits > 150 {
			o.wrong = true
			return o
		}
		o.gauged = visits + 1
		switch a.Kind {
		case advise.Hone, advise.Correct:
			if a.Strokes <= 0 {
				o.wrong = true
				return o
			}
			dressed := c.dress
			c.dress = false
			_, before := c.extremes()
			c.hone(&a)
			o.rounds++
			_, after := c.extremes()
			c.calls = append(c.calls, call{risk: a.Risk, room: c.half() - before, took: after - before, over: after > c.half()})
			c.gauge(a.Strokes, dressed)
			c.said = advise.Advice{}
			continue
		case advise.Dress:
			c.freshen(0)
			c.dress = true
			c.adv.Dressed = true
			continue
		case advise.Wait:
			c.pass(max(a.Wait.Seconds(), 60))
			c.cooled()
			continue
		case advise.Gauge, advise.GaugeAgain, advise.CheckZero:
			c.pass(60)
			c.gauge(0, false)
			continue
		}
		low, high := c.extremes()
		o.over, o.under = high > c.half(), low < -c.half()
		o.aside = a.Kind == advise.LayAside
		o.good = !o.over && !o.under && !o.aside
		return o
	}
}

// oracle advises as one who knows the stone's rate as it is, how full and short
// strokes take off along the bore, and the law of the scatter, but not the draw
// nor the errors of the gauge. He keeps the trade's rules: half of what is left
// above 6 µm, three quarters below; the largest reading stays below the limit
// less U with two standard deviations of scatter to spare, and the true size
// over it with a probability of no more than risk. What to do besides
// honing, and where, is as the advice tells one who knows rate and scatter.
func (c *piece) oracle(risk float64) advise.Advice {
	in := c.adv
	in.Prior, in.Dressed = known(c.cuts(false), c.scatter), false
	last := len(in.Rounds) - 1
	for last > 0 && in.Rounds[last].Strokes == 0 {
		last-- // what was gauged again is to be known as such
	}
	in.Rounds = in.Rounds[last:]
	a := advise.Next(in)
	if !a.Kind.Honing() {
		return a
	}
	rate, left := c.cuts(a.Light), 0.0
	for _, s := range c.adv.Form.Sections {
		left -= (s.Mean - c.job.Target).Micrometres() / float64(len(c.adv.Form.Sections))
	}
	bite := 0.5 * left
	if left < 6 {
		bite = 0.75 * left
	}
	part := float64(a.Short) / float64(a.Strokes)
	if a.Kind == advise.Correct {
		bite = float64(a.Strokes) * rate
	}
	least, most := 1, max(1, int(math.Round(bite/rate)))
	for least < most { // the longest that is allowed
		if n := (least + most + 1) / 2; c.allowed(&a, n, part, rate, risk) {
			least = n
		} else {
			most = n - 1
		}
	}
	a.Strokes, a.Short = most, int(math.Round(part*float64(most)))
	return a
}

// allowed reports whether the oracle would take n strokes.
func (c *piece) allowed(a *advise.Advice, n int, part, rate, risk float64) bool {
	shares := c.shares(n, int(math.Round(part*float64(n))), a.At)
	sd := math.Hypot(c.spread(n), c.section)
	rng := rand.New(rand.NewPCG(uint64(len(c.adv.Rounds)), 1))
	least := math.Inf(1)
	for i, s := range c.adv.Form.Sections {
		room := (c.job.High - s.Max).Micrometres()
		if rate*shares[i]*(1+2*sd) > room-2*c.job.u {
			return false
		}
		least = min(least, room/(rate*shares[i]))
	}
	over, draws := 0, 4000
	take := 1.0
	for range draws {
		if take*math.Exp(c.law.draw(sd, rng)) > least+c.job.u/rate/float64(n)*rng.NormFloat64() {
			over++
		}
	}
	return float64(over) <= risk*float64(draws)
}
