package settle

import "math"

// A run may be one of a few things. The gauge rests. It settles exponentially, with its own time
// constant. It creeps: exponentially with a longer time constant, at a steady slope (a contact that
// beds in, a part that cools), or by 1/√t (an oil film that is squeezed out; Stefan's equation of
// lubrication). It swings slowly about its final value.
//
// Each of these is a linear model of the run, with a prior of its amplitudes. The weights of the
// models say how far the mean may lie from the final value, and how fast the value still moves.
// This is Bayesian averaging over linear models with a conjugate prior, where the noise is known up
// to a scale (textbook statistics).
//
// The prior odds are assumptions. They decide about a run that is too short or too noisy. In a
// longer run they matter less.
const (
	oddsLevel = 0.4
	oddsHome  = 0.09  // for each time constant that the gauge may have
	oddsCreep = 0.012 // for each longer time constant, and for a steady slope
	oddsFilm  = 0.1
	oddsSwing = 0.005 // for each frequency
	// A run that began after the gauge ought to have come to rest is this many times likelier to
	// creep or swing, because something else moved the gauge.
	oddsLate = 10
)

// The priors of the amplitudes and of the noise (assumptions).
const (
	maxParts        = 12   // largest number of parts of a run; their means show all slow motion
	shortestPart    = 0.2  // s; a hand sways one way for this long, so means over shorter parts add nothing
	standingValues  = 3    // number of independent values in a run of a display that stands on one step
	noiseFreedom    = 8    // degrees of freedom of the known noise, which is known to a quarter
	maxInRun        = 0.75 // µm, standard deviation of the motion within a run
	exponentialLeft = 4    // µm, standard deviation of what an exponential has left to go
	steadySlope     = 1    // µm/s
	steadyTime      = 4    // s, how long a steady slope goes on
	filmAmplitude   = 1    // µm·√s
	swingAmplitude  = 2    // µm
	longestConstant = 8    // s, the longest time constant
)

// models weighs the models of one run.
type models struct {
	y              [maxParts]float64 // means of the parts of the run, less the mean of all parts, µm
	n              int               // number of parts
	dt             float64           // time of one part, s; the last one ends now
	v              float64           // variance of a mean, µm²
	yy             float64           // sum of squares of y, divided by v
	inRun          float64           // standard deviation of the motion within the run, µm
	over           float64           // time over which the mean is taken, s
	limit          float64           // limit of the slope, µm/s
	top            float64           // largest log weight so far
	sum            float64           // sum of the weights, in units of exp(top)
	square, moving float64           // weighted sums: mean square of the way left, chance to move
}

// shape is one way in which the value may move. It holds the values in the parts of a run and the
// prior standard deviation of the amplitude. For an amplitude of 1 it also holds how far the mean lies
// above the final value, and the slope now.
type shape struct {
	x                 [maxParts]float64
	sd, offset, slope float64
}

// weighModels weighs what the run may be. It returns how far the mean of the latest over seconds lies
// from the final value (root mean square, µm), and the chance that the value moves faster than
// Options.Slope. A run is late if it began after the gauge ought to have come to rest.
func (f *Finder) weighModels(over float64, late bool) (left, moves float64) {
	w, home := &f.run, f.longestTimeConstant()
	m := models{inRun: min(maxInRun, f.width()/2), over: max(0.01, over), limit: f.o.Slope, top: math.Inf(-1)}
	m.means(w)
	n := float64(m.n)
	m.v = (f.seen*f.seen-f.grain*f.grain)*n/float64(w.n) + f.grain*f.grain*max(1, n/standingValues) + sway*sway
	for i := range m.n {
		m.yy += m.y[i] * m.y[i] / m.v
	}
	more := 1.0
	if late {
		more = oddsLate
	}
	m.weigh(oddsLevel, m.yy, 0, 0)
	best, homes, none := math.Inf(-1), shape{}, shape{}
	for t := home; t > home/5; t /= math.Sqrt2 {
		s := m.exponential(t)
		if l := m.fit(oddsHome, &s, &none); l > best {
			best, homes = l, s
		}
	}
	for t := 2 * home; t <= longestConstant; t *= 2 {
		s := m.exponential(t)
		m.fit(more*oddsCreep, &s, &homes)
	}
	line, film := m.line(), m.film(max(w.span(), w.latest().t-f.arrived))
	m.fit(more*oddsCreep, &line, &homes)
	m.fit(more*oddsFilm, &film, &none)
	for _, hz := range [...]float64{0.1, 0.2, 0.4} {
		a, b := m.swing(2 * math.Pi * hz)
		m.fit(more*oddsSwing, &a, &b)
	}
	return math.Sqrt(m.square / m.sum), m.moving / m.sum
}

// means divides the run into parts that last at least as long as a hand sways one way.
func (m *models) means(w *window) {
	m.n = min(w.n, max(minSamples, min(maxParts, int(w.span()/shortestPart))))
	m.dt = w.span() * float64(w.n) / float64(w.n-1) / float64(m.n)
	all, next := 0.0, 0
	for i := range m.n {
		end := (i + 1) * w.n / m.n
		count := float64(end - next)
		for ; next < end; next++ {
			m.y[i] += w.at(next).v / count
		}
		all += m.y[i] / float64(m.n)
	}
	for i := range m.n {
		m.y[i] -= all
	}
}

// fit weighs a model that is the sum of two shapes, or one shape if the sd of the other is 0. It
// returns the log of the weight.
func (m *models) fit(odds float64, a, b *shape) float64 {
	var ma, mb float64
	for i := range m.n {
		ma, mb = ma+a.x[i]/float64(m.n), mb+b.x[i]/float64(m.n)
	}
	aa, bb, took := 1/(a.sd*a.sd), 1.0, a.sd
	if b.sd > 0 {
		bb, took = 1/(b.sd*b.sd), took*b.sd
	}
	var ab, ha, hb float64
	for i := range m.n {
		x, y := a.x[i]-ma, b.x[i]-mb
		aa, ab, bb = aa+x*x/m.v, ab+x*y/m.v, bb+y*y/m.v
		ha, hb = ha+x*m.y[i]/m.v, hb+y*m.y[i]/m.v
	}
	det := aa*bb - ab*ab
	ca, cb := (bb*ha-ab*hb)/det, (aa*hb-ab*ha)/det
	left := max(0, m.yy-ca*ha-cb*hb)
	scale := (noiseFreedom + left) / (noiseFreedom + float64(m.n) - 1)
	of := func(x, y float64) (mean, variance float64) {
		return ca*x + cb*y, scale * max(0, x*x*bb+y*y*aa-2*x*y*ab) / det
	}
	far, farther := of(a.offset, b.offset)
	slope, steeper := of(a.slope, b.slope)
	moves := 0.0
	if steeper > 0 {
		u := math.Sqrt(2 * steeper)
		moves = (math.Erfc((m.limit-slope)/u) + math.Erfc((m.limit+slope)/u)) / 2
	}
	return m.weigh(odds/(math.Sqrt(det)*took), left, far*far+farther, moves)
}

// weigh adds a model with its odds. left is the sum of squares that the model leaves, square the
// mean square of the way left to go, and moves the chance that the value moves.
func (m *models) weigh(odds, left, square, moves float64) float64 {
	l := math.Log(odds) - (noiseFreedom+float64(m.n)-1)/2*math.Log(noiseFreedom+left)
	if l > m.top {
		f := math.Exp(m.top - l)
		m.sum, m.square, m.moving, m.top = m.sum*f, m.square*f, m.moving*f, l
	}
	p := math.Exp(l - m.top)
	m.sum, m.square, m.moving = m.sum+p, m.square+p*square, m.moving+p*moves
	return l
}

// exponential returns an exponential of time constant t. Its amplitude is the distance that it
// still has to go now.
func (m *models) exponential(t float64) (s shape) {
	t = max(t, m.dt*float64(m.n)/40) // an exponential that ended long ago must not overflow
	step := math.Exp(m.dt / t)
	g := math.Sqrt(step)
	for i := m.n - 1; i >= 0; i-- {
		s.x[i] = g
		g *= step
	}
	s.sd = min(exponentialLeft, m.inRun/math.Expm1(m.dt*float64(m.n)/t))
	s.offset, s.slope = t/m.over*math.Expm1(m.over/t), -1/t
	return s
}

func (m *models) line() (s shape) {
	for i := range m.n {
		s.x[i] = m.dt * float64(i)
	}
	s.sd, s.offset, s.slope = min(steadySlope, m.inRun/(m.dt*float64(m.n))), -(steadyTime + m.over/2), 1
	return s
}

// film returns the shape of an oil film of the given age, s.
func (m *models) film(age float64) (s shape) {
	age = max(age+0.1, m.dt*float64(m.n)) // 0.1 s is the time in which the hand gets from the edge of the band to the place
	for i := range m.n {
		s.x[i] = 1 / math.Sqrt(age-m.dt*(float64(m.n-1-i)+0.5))
	}
	s.sd = min(filmAmplitude, m.inRun/(s.x[0]-s.x[m.n-1]))
	s.offset, s.slope = 2/(math.Sqrt(age)+math.Sqrt(age-m.over)), -0.5/(age*math.Sqrt(age))
	return s
}

// swing returns a swing of angular frequency w (1/s), as an even and an odd part about the middle of
// the run.
func (m *models) swing(w float64) (a, b shape) {
	span := m.dt * float64(m.n)
	ds, dc := math.Sincos(w * m.dt)
	s, c := math.Sincos(-w * (span - m.dt) / 2)
	for i := range m.n {
		a.x[i], b.x[i] = c, s
		c, s = c*dc-s*ds, s*dc+c*ds
	}
	a.sd = min(swingAmplitude, m.inRun/(1-math.Cos(min(math.Pi, w*span/2))))
	b.sd = min(swingAmplitude, m.inRun/min(2, w*span))
	b.offset, a.offset = math.Sincos(w * (span - m.over) / 2)
	return a, b
}
