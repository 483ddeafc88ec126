package settle

import "math"

// A run may be one of a few things. It stays. It comes home as the gauge does, by an
// exponential. It creeps: by a longer exponential or at a steady slope (a contact that beds in, a part
// that cools), or by 1/√t (a film of oil that is squeezed out; theory of lubrication: Stefan's plates).
// It swings slowly about where it will rest. Each is a linear model of the run with a prior of its
// amplitudes. How well each explains the run says how far the mean may be from
// where the value goes, and how fast it goes there (Bayesian averaging over linear models whose noise is
// known but for a scale, with a conjugate prior; textbook statistics).
//
// The odds are assumptions. They decide what becomes of a run that is too short or too noisy to
// tell; the longer it is, the less they matter.
const (
	oddsLevel = 0.4
	oddsHome  = 0.09  // for each time constant that the gauge itself may have
	oddsCreep = 0.012 // for each longer one, and for a steady slope
	oddsFilm  = 0.1
	oddsSwing = 0.005 // for each frequency
	// How much likelier to creep or swing is a run that began when the gauge ought to have been home:
	// something else moved it.
	oddsLate = 10
)

// The prior of the amplitudes and of the noise (assumptions).
const (
	mostParts       = 12   // of a run: their means tell all that is slow in it
	shortestPart    = 0.2  // s, over which a hand sways one way, so that a mean of less says nothing more
	standingValues  = 3    // independent values in a run of a display that stands on a step
	noiseFreedom    = 8    // degrees of freedom of the noise that is known: to a quarter
	mostInRun       = 0.75 // µm, standard deviation of the way in a run
	exponentialLeft = 4    // µm, the same of what an exponential has left
	steadySlope     = 1    // µm/s
	steadyTime      = 4    // s, for which a steady slope goes on
	filmAmplitude   = 1    // µm·√s
	swingAmplitude  = 2    // µm
	longestConstant = 8    // s, the longest time constant
)

// models weighs models of one run.
type models struct {
	y             [mostParts]float64 // means of its parts less their mean, µm
	n             int                // parts
	dt            float64            // time that a part takes, s; the last one ends now
	v             float64            // variance of a mean, µm²
	yy            float64            // sum of squares of y, over v
	inRun         float64            // standard deviation of the way in the run, µm
	over          float64            // time of the mean, s
	limit         float64            // of the slope, µm/s
	top           float64            // greatest logarithm of a weight so far
	sum           float64            // of the weights, as parts of exp(top)
	square, moves float64            // weighted sums: mean square of the way that is left, chance to move
}

// shape is a way to go: its values in the parts of a run, the standard deviation of its amplitude
// by the prior, and, for an amplitude of 1, how far the mean lies above where it
// will rest, and the slope now.
type shape struct {
	x              [mostParts]float64
	sd, far, slope float64
}

// prospect weighs what the run may be. It returns how far it is from its mean over the latest over seconds to where
// the value will rest (root mean square, µm), and the chance that the value moves faster than Options.Slope. A run
// is late if it began later than the gauge takes to come home.
func (f *Finder) prospect(over float64, late bool) (left, moves float64) {
	w, home := &f.run, f.home()
	m := models{inRun: min(mostInRun, f.width()/2), over: max(0.01, over), limit: f.o.Slope, top: math.Inf(-1)}
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
		s := m.tail(t)
		if l := m.fit(oddsHome, &s, &none); l > best {
			best, homes = l, s
		}
	}
	for t := 2 * home; t <= longestConstant; t *= 2 {
		s := m.tail(t)
		m.fit(more*oddsCreep, &s, &homes)
	}
	line, film := m.line(), m.film(max(w.span(), w.latest().t-f.arrived))
	m.fit(more*oddsCreep, &line, &homes)
	m.fit(more*oddsFilm, &film, &none)
	for _, hz := range [...]float64{0.1, 0.2, 0.4} {
		a, b := m.swing(2 * math.Pi * hz)
		m.fit(more*oddsSwing, &a, &b)
	}
	return math.Sqrt(m.square / m.sum), m.moves / m.sum
}

// means cuts the run into parts that last at least as long as the hand sways one way.
func (m *models) means(w *window) {
	m.n = min(w.n, max(fewestSamples, min(mostParts, int(w.span()/shortestPart))))
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

// fit weighs the model that is the sum of two shapes, or one if the other has no sd, and returns the
// logarithm of its weight.
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
	far, farther := of(a.far, b.far)
	slope, steeper := of(a.slope, b.slope)
	moves := 0.0
	if steeper > 0 {
		u := math.Sqrt(2 * steeper)
		moves = (math.Erfc((m.limit-slope)/u) + math.Erfc((m.limit+slope)/u)) / 2
	}
	return m.weigh(odds/(math.Sqrt(det)*took), left, far*far+farther, moves)
}

// weigh adds a model: what it leaves of the sum of squares, the mean square of the way that is left, and
// the chance that it moves.
func (m *models) weigh(odds, left, square, moves float64) float64 {
	l := math.Log(odds) - (noiseFreedom+float64(m.n)-1)/2*math.Log(noiseFreedom+left)
	if l > m.top {
		f := math.Exp(m.top - l)
		m.sum, m.square, m.moves, m.top = m.sum*f, m.square*f, m.moves*f, l
	}
	p := math.Exp(l - m.top)
	m.sum, m.square, m.moves = m.sum+p, m.square+p*square, m.moves+p*moves
	return l
}

// tail is an exponential of time constant t, whose amplitude is what is left of it now.
func (m *models) tail(t float64) (s shape) {
	t = max(t, m.dt*float64(m.n)/40) // one that is over long since, in numbers that can be squared
	step := math.Exp(m.dt / t)
	g := math.Sqrt(step)
	for i := m.n - 1; i >= 0; i-- {
		s.x[i] = g
		g *= step
	}
	s.sd = min(exponentialLeft, m.inRun/math.Expm1(m.dt*float64(m.n)/t))
	s.far, s.slope = t/m.over*math.Expm1(m.over/t), -1/t
	return s
}

func (m *models) line() (s shape) {
	for i := range m.n {
		s.x[i] = m.dt * float64(i)
	}
	s.sd, s.far, s.slope = min(steadySlope, m.inRun/(m.dt*float64(m.n))), -(steadyTime + m.over/2), 1
	return s
}

// film is of so many seconds' age.
func (m *models) film(age float64) (s shape) {
	age = max(age+0.1, m.dt*float64(m.n)) // s; the first part took the hand from the edge of the band to the place
	for i := range m.n {
		s.x[i] = 1 / math.Sqrt(age-m.dt*(float64(m.n-1-i)+0.5))
	}
	s.sd = min(filmAmplitude, m.inRun/(s.x[0]-s.x[m.n-1]))
	s.far, s.slope = 2/(math.Sqrt(age)+math.Sqrt(age-m.over)), -0.5/(age*math.Sqrt(age))
	return s
}

// swing is a swing of angular frequency w (1/s): even and odd about the middle of the run.
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
	b.far, a.far = math.Sincos(w * (span - m.over) / 2)
	return a, b
}
