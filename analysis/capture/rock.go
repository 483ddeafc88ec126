package capture

import "math"

// The rock of a two-point gauge. Tilted by t in the axial plane it shows
//
//	L(t) = 2r + (D-2r)/cos t = D + (D-2r)(sec t - 1)
//
// for spherical contacts of radius r (geometry): never less than the size D, and
// D itself only when it is square. The hand swings it from one side to the other;
// a swing is the half of a cosine between two ends, where it stops, drawn out
// at the ends by a dwell d: with x from 0 to 1 over the swing's time,
//
//	y = x - (d·sin(2πx) + k·(1-cos(2πx)))/2π,  t = t0 + (t1-t0)·(1-cos πy)/2
//
// where the skew k lets it start slower than it ends.
// A swing of least jerk, as hands make, has d of about 0.19 (its peak speed is
// 1.875 of the mean, that of a cosine π/2). All swings of a rock are fitted at
// once, by weighted least squares: one size, one dwell, time and tilt of
// every end, and the skew of each swing. What the hand does besides (tremor, swings of another shape, times
// that are a little late) is an error of tilt δ; it shows as (D-2r)·t·δ, so the
// variance of a sample grows with its excess e above the size: s² + q·e with
// q = 2(D-2r)δ². So the samples near square decide, and the others count by
// what they are worth; q comes from the residuals.
type rock struct {
	c        float64 // D-2r, µm
	noise    float64 // of a sample, µm: the gauge's and what rounding adds
	variance float64 // its square
	own      float64 // the gauge's alone
	display  float64 // step of the display, µm
	reach    float64 // µm from the size, how far it may lie off and still be right
	ends     int     // of the swings: passes + 1
	p, se    vector  // parameters and the weak knowledge about them (standard deviations)
	prior    vector
	t, v     []float64
	swing    []uint8      // in which each sample lies
	slopes   [][7]float64 // derivatives of what is shown
	weight   []float64
	excess   []float64
	rest     []float64
	sigma    []float64 // standard deviations, of the intervals
	info     matrix    // normal equations: the lower triangle, and the right side
	pull     vector
	along    vector // a column of the inverse: the size's covariances
	q        float64
	chi2     float64 // of the samples, with their weights
	dof      float64
	estimate
	beyond float64  // chance that it does not, by the intervals
	plain  estimate // by least squares
}

type estimate struct {
	size, cov float64 // µm from nominal, and its variance
}

// Parameters: size, dwell, then time and tilt of each end, then the skew of each
// swing.
const (
	pSize = iota
	pDwell
	pEnd
	pMost = pEnd + 2*(most+1) + most
)

type vector [pMost]float64

type matrix [pMost][pMost]float64

func (k *rock) params() int { return k.skews() + k.ends - 1 }

// skews is where the skews begin. The parameters before them are free; a skew
// is held near none by what is known of hands.
func (k *rock) skews() int { return pEnd + 2*k.ends }

// model returns the excess at sample i, and in d, if there is one, the derivatives of the shown
// value by the parameters of its swing: size and dwell, the four of its two ends, skew.
func (k *rock) model(i int, d *[7]float64) (excess float64) {
	at := pEnd + 2*int(k.swing[i])
	t0, v0, t1, v1 := k.p[at], k.p[at+1], k.p[at+2], k.p[at+3]
	rate := 1 / (t1 - t0)
	x := (k.t[i] - t0) * rate
	s, c := math.Sincos(math.Pi * x)
	sin, versed := 2*s*c, 2*s*s // of twice the angle
	dwell, skew := k.p[pDwell], k.p[k.skews()+int(k.swing[i])]
	sinY, cosY := turned(s, c, -(dwell*sin+skew*versed)/2)
	g := (1 - cosY) / 2
	sec, byTilt := secant(v0 + (v1-v0)*g)
	if d == nil {
		return k.c * sec
	}
	byTilt *= k.c
	byY := byTilt * (v1 - v0) * (math.Pi / 2) * sinY
	byX := byY * (1 - dwell*(1-versed) - skew*sin) * rate
	byShape := -byY * (1 / (2 * math.Pi))
	*d = [7]float64{1, byShape * sin, byX * (x - 1), byTilt * (1 - g), -byX * x, byTilt * g, byShape * versed}
	return k.c * sec
}

// turned returns sine and cosine of an angle and a, |a| < 1, from those of the angle: by
// the series of sine and cosine, which end at a^9.
func turned(sin, cos, a float64) (float64, float64) {
	u := a * a
	s := a * (1 - u*(1./6)*(1-u*(1./20)*(1-u*(1./42)*(1-u*(1./72)))))
	c := 1 - u*(1./2)*(1-u*(1./12)*(1-u*(1./30)*(1-u*(1./56))))
	return sin*c + cos*s, cos*c - sin*s
}

// secant returns sec t - 1 and its derivative, by the series of the secant (Euler numbers 1, 5, 61,
// 1385, 50521): within 0.2 rad right to 1e-10.
func secant(t float64) (less1, slope float64) {
	u := t * t
	if u > 0.04 {
		sin, cos := math.Sincos(t)
		return 1/cos - 1, sin / (cos * cos)
	}
	const a, b, c, d, e = 1. / 2, 5. / 24, 61. / 720, 1385. / 40320, 50521. / 3628800
	return u * (a + u*(b+u*(c+u*(d+u*e)))), t * (2*a + u*(4*b+u*(6*c+u*(8*d+u*10*e))))
}

// startTilt is the error of tilt that a fit begins with, rad: so much that no sample
// counts as astray before the times of the swings are about right.
const startTilt = 0.003

// spreads is how often the error of tilt is estimated from the same residuals: each
// estimate rests on weights by the one before.
const spreads = 3

// course says how a cost is made small.
type course struct {
	// cost brings the normal equations to the residuals; anew: after what it holds
	// fixed in between (the error of tilt, weights, standard deviations).
	cost   func(k *rock, anew bool) float64
	rounds int // times that it must come to rest, with all of it anew after each
	// It is at rest when a step moves the size by less than the part still of the noise, and the
	// cost falls by less than fallen, in deviations squared.
	still, fallen float64
	// hopeless, if any, says after how many times anew it is not worth going on.
	hopeless func(k *rock, anew int) bool
}

// squares is the way of the weighted least squares.
var squares = course{cost: (*rock).squares, rounds: 3, still: 0.005, fallen: 0.01, hopeless: (*rock).hopeless}

// fit runs the least squares from the parameters set, and reports whether it
// came to rest.
func (k *rock) fit() bool {
	if !k.descend(&squares) || !k.finish() {
		return false
	}
	k.plain = k.estimate
	return true
}

// hopeless reports whether the hand was so unsteady, or so slow at square, that the size
// will not be taken. The first estimate is of times that are not quite right yet.
func (k *rock) hopeless(anew int) bool {
	margin := 1.3
	if anew == 1 {
		margin = 5
	}
	return k.q > margin*k.unsteady() || k.p[pDwell] < k.slowest()-0.1*margin
}

// while is after how many steps without rest what is held fixed is brought up to date too.
const while = 4

// descend goes to the parameters of the least cost by damped steps of Newton's
// method, and reports whether it could.
func (k *rock) descend(c *course) bool {
	k.place()
	cost := c.cost(k, true)
	damp := 1e-3
	for steps, since, rounds, fresh := 0, 0, 0, 0; steps < 25; steps++ {
		was := k.p
		if !k.step(damp) {
			return false
		}
		k.place()
		now := c.cost(k, false)
		if !(now <= cost*(1+1e-9)) || !k.ordered() {
			k.p = was
			k.place()
			cost = c.cost(k, false)
			if damp *= 10; damp > 1e6 {
				break
			}
			continue
		}
		damp = max(damp/10, 1e-9)
		rest := math.Abs(k.p[pSize]-was[pSize]) < c.still*k.noise && cost-now < c.fallen
		cost = now
		if rest {
			if rounds++; rounds == c.rounds {
				break
			}
		}
		if since++; rest || since == while {
			since = 0
			cost = c.cost(k, true)
			if fresh++; c.hopeless != nil && c.hopeless(k, fresh) {
				return false
			}
		}
	}
	return true
}

func sq(x float64) float64 { return x * x }

// ordered reports whether the ends still follow one another.
func (k *rock) ordered() bool {
	for i := 1; i < k.ends; i++ {
		if k.p[pEnd+2*i]-k.p[pEnd+2*i-2] < 0.05 {
			return false
		}
	}
	return math.Abs(k.p[pDwell]) < 0.95
}

// place brings excesses, residuals and derivatives to the parameters.
func (k *rock) place() {
	for i := range k.t {
		e := k.model(i, &k.slopes[i])
		k.excess[i], k.rest[i] = e, k.v[i]-k.p[pSize]-e
	}
}

// squares is the cost of least squares: weighted squares of samples and of prior knowledge.
func (k *rock) squares(anew bool) (cost float64) {
	switch {
	case anew && k.q == 0:
		k.q = 2 * k.c * sq(startTilt)
	case anew:
		for range spreads {
			k.spread()
		}
	}
	k.dof = -float64(k.skews())
	k.begin()
	var b block
	for i, r := range k.rest {
		if anew {
			k.weight[i] = k.weigh(k.excess[i], r)
		}
		w := k.weight[i]
		cost += w * r * r
		k.dof += min(1, w*(k.variance+k.q*k.excess[i]))
		k.gather(i, &b, w, r)
	}
	k.chi2 = cost
	return cost + k.known()
}

// strayed is how many standard deviations off a sample no longer counts fully.
const strayed = 3

// weigh is one over the variance of a sample, less for one that lies further off than that.
func (k *rock) weigh(excess, rest float64) float64 {
	variance := k.variance + k.q*excess
	if far := sq(rest) / (sq(strayed) * variance); far > 1 {
		return 1 / (variance * sq(far))
	}
	return 1 / variance
}

// spread estimates q from the residuals: a line through their squares over the
// excess, with the noise known at none. A sample beyond the limit of [rock.weigh]
// counts as one at it. The limit moves with q, so one wild sample of n settles at
// up to 1/(1-limit²/n) times the q of the others: at three standard deviations a
// third more for n = 36, at five without end for n = 25.
func (k *rock) spread() {
	var top, bottom float64
	for i, r := range k.rest {
		e := k.excess[i]
		w := sq(1 / (sq(k.noise) + k.q*e))
		far := min(sq(r), sq(strayed)*(sq(k.noise)+k.q*e))
		top += w * e * (far - sq(k.noise))
		bottom += w * sq(e)
	}
	n := float64(len(k.rest))
	if bottom <= 0 || n <= float64(k.skews()) {
		return
	}
	k.q = min(2*k.c*sq(0.01), max(2*k.c*sq(0.0001), top/bottom*n/(n-float64(k.skews()))))
}

// begin empties the normal equations.
func (k *rock) begin() {
	n := k.params()
	for i := range n {
		clear(k.info[i][:n])
	}
	k.pull = vector{}
}

// block is what the samples of one swing tell about its parameters: the lower triangle of their
// normal matrix, and the right side.
type block struct {
	info [7][7]float64
	pull [7]float64
}

// add adds a sample, by its derivatives, weight and residual.
func (b *block) add(d *[7]float64, weight, rest float64) {
	for r := range d {
		wd := weight * d[r]
		b.pull[r] += wd * rest
		row := &b.info[r]
		for c := 0; c <= r; c++ {
			row[c] += wd * d[c]
		}
	}
}

// gather adds sample i to the block of its swing; with the last of the swing the block is told.
func (k *rock) gather(i int, b *block, weight, rest float64) {
	b.add(&k.slopes[i], weight, rest)
	if swing := k.swing[i]; i+1 == len(k.swing) || k.swing[i+1] != swing {
		k.tell(int(swing), b)
		*b = block{}
	}
}

// tell adds the block of a swing to the normal equations.
func (k *rock) tell(swing int, b *block) {
	at := pEnd + 2*swing
	to := [7]int{pSize, pDwell, at, at + 1, at + 2, at + 3, k.skews() + swing}
	for r, row := range to {
		k.pull[row] += b.pull[r]
		for c := range r + 1 {
			k.info[row][to[c]] += b.info[r][c]
		}
	}
}

// known adds what is known beforehand to the normal equations, and returns its cost.
func (k *rock) known() (cost float64) {
	for i := range k.params() {
		if k.se[i] > 0 {
			w, off := 1/sq(k.se[i]), k.prior[i]-k.p[i]
			k.info[i][i] += w
			k.pull[i] += w * off
			cost += w * sq(off)
		}
	}
	return cost
}

// step moves the parameters by one damped step, and reports whether it could.
func (k *rock) step(damp float64) bool {
	n := k.params()
	for i := range n {
		k.info[i][i] *= 1 + damp
	}
	if !cholesky(&k.info, n) {
		return false
	}
	solve(&k.info, &k.pull, n)
	for i := range n {
		k.p[i] += k.pull[i]
	}
	return true
}

// finish works out the variance of the size, and how the other parameters move with it.
func (k *rock) finish() bool {
	n := k.params()
	if !cholesky(&k.info, n) {
		return false
	}
	k.along = vector{pSize: 1}
	solve(&k.info, &k.along, n)
	k.size, k.cov = k.p[pSize], k.along[pSize]
	return k.cov > 0 && !math.IsInf(k.cov, 0)
}

// cholesky factors the lower triangle of a in place; false if it is not
// positive definite.
func cholesky(a *matrix, n int) bool {
	for j := range n {
		for i := j; i < n; i++ {
			s := a[i][j]
			for m := range j {
				s -= a[i][m] * a[j][m]
			}
			if i == j {
				if !(s > 0) {
					return false
				}
				a[j][j] = math.Sqrt(s)
			} else {
				a[i][j] = s / a[j][j]
			}
		}
	}
	return true
}

// solve solves with the factor, in place.
func solve(a *matrix, b *vector, n int) {
	for i := range n {
		for m := range i {
			b[i] -= a[i][m] * b[m]
		}
		b[i] /= a[i][i]
	}
	for i := n - 1; i >= 0; i-- {
		for m := i + 1; m < n; m++ {
			b[i] -= a[m][i] * b[m]
		}
		b[i] /= a[i][i]
	}
}
