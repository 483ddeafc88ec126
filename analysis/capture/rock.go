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
	c         float64 // D-2r, µm
	noise     float64 // of a sample, µm: the gauge's and what rounding adds
	own       float64 // the gauge's alone
	display   float64 // step of the display, µm
	ends      int     // of the swings: passes + 1
	p, se     vector  // parameters and the weak knowledge about them (standard deviations)
	prior     vector
	t, v      []float64
	swing     []uint8 // in which each sample lies
	weight    []float64
	excess    []float64
	rest      []float64
	sigma     []float64 // standard deviations, of the intervals
	q         float64
	chi2      float64 // of the samples, with their weights
	dof       float64
	size, cov float64 // µm from nominal, and its variance
	squares   float64 // its variance by least squares
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

// model returns the excess at sample i, and the derivatives of the shown value
// by the parameters of its swing: size and dwell, the four of its two ends, skew.
func (k *rock) model(i int) (excess float64, d [7]float64) {
	at := pEnd + 2*int(k.swing[i])
	t0, v0, t1, v1 := k.p[at], k.p[at+1], k.p[at+2], k.p[at+3]
	length := t1 - t0
	x := (k.t[i] - t0) / length
	sin, cos := math.Sincos(2 * math.Pi * x)
	dwell, skew := k.p[pDwell], k.p[k.skews()+int(k.swing[i])]
	y := x - (dwell*sin+skew*(1-cos))/(2*math.Pi)
	sinY, cosY := math.Sincos(math.Pi * y)
	g := (1 - cosY) / 2
	tilt := v0 + (v1-v0)*g
	sinT, cosT := math.Sincos(tilt)
	byTilt := k.c * sinT / (cosT * cosT)
	byY := byTilt * (v1 - v0) * math.Pi / 2 * sinY
	byX := byY * (1 - dwell*cos - skew*sin)
	return k.c * (1/cosT - 1), [7]float64{1, -byY * sin / (2 * math.Pi),
		byX * (x - 1) / length, byTilt * (1 - g), -byX * x / length, byTilt * g, -byY * (1 - cos) / (2 * math.Pi)}
}

// startTilt is the error of tilt that a fit begins with, rad: so much that no sample
// counts as astray before the times of the swings are about right.
const startTilt = 0.003

// fit runs the least squares from the parameters set, and reports whether it
// came to rest.
func (k *rock) fit() bool {
	k.q = 2 * k.c * sq(startTilt)
	cost := k.evaluate(true)
	damp := 1e-3
	for step := range 25 {
		next, ok := k.step(damp)
		if !ok {
			return false
		}
		was := k.p
		k.p = next
		now := k.evaluate(false)
		if !(now <= cost*(1+1e-9)) || !k.ordered() {
			k.p = was
			if damp *= 10; damp > 1e6 {
				break
			}
			cost = k.evaluate(false)
			continue
		}
		damp = max(damp/10, 1e-9)
		done := math.Abs(k.p[pSize]-was[pSize]) < 1e-4 && cost-now < 1e-3*max(1, now)
		cost = now
		if step == 3 || step == 7 || done && step < 14 {
			k.spread()
			cost = k.evaluate(true)
			if done && step > 7 {
				break
			}
		}
	}
	return k.finish()
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

// evaluate brings residuals (and, if asked, weights) to the parameters and
// returns the cost: weighted squares of samples and of prior knowledge.
func (k *rock) evaluate(weights bool) (cost float64) {
	k.dof = -float64(k.skews())
	for i := range k.t {
		e, _ := k.model(i)
		k.excess[i], k.rest[i] = e, k.v[i]-k.p[pSize]-e
		if weights {
			k.weight[i] = k.weigh(e, k.rest[i])
		}
		cost += k.weight[i] * sq(k.rest[i])
		k.dof += min(1, k.weight[i]*(sq(k.noise)+k.q*e))
	}
	k.chi2 = cost
	for i := range k.params() {
		if k.se[i] > 0 {
			cost += sq((k.p[i] - k.prior[i]) / k.se[i])
		}
	}
	return cost
}

// strayed is how many standard deviations off a sample no longer counts fully.
const strayed = 3

// weigh is one over the variance of a sample, less for one that lies further off than that.
func (k *rock) weigh(excess, rest float64) float64 {
	variance := sq(k.noise) + k.q*excess
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
	k.q = min(2*k.c*sq(0.004), max(2*k.c*sq(0.0001), top/bottom*n/(n-float64(k.skews()))))
}

// normal builds the normal matrix and the right side at the parameters.
func (k *rock) normal(a *matrix, b *vector) {
	n := k.params()
	*a, *b = matrix{}, vector{}
	for i := range k.t {
		_, d := k.model(i)
		at := pEnd + 2*int(k.swing[i])
		to := [7]int{pSize, pDwell, at, at + 1, at + 2, at + 3, k.skews() + int(k.swing[i])}
		w := k.weight[i]
		for r, row := range to {
			wd := w * d[r]
			b[row] += wd * k.rest[i]
			for c := 0; c <= r; c++ {
				a[row][to[c]] += wd * d[c]
			}
		}
	}
	for i := range n {
		if k.se[i] > 0 {
			w := 1 / sq(k.se[i])
			a[i][i] += w
			b[i] += w * (k.prior[i] - k.p[i])
		}
	}
}

// step returns the parameters after one damped step.
func (k *rock) step(damp float64) (vector, bool) {
	var a matrix
	var b vector
	n := k.params()
	k.normal(&a, &b)
	for i := range n {
		a[i][i] *= 1 + damp
	}
	if !cholesky(&a, n) {
		return k.p, false
	}
	solve(&a, &b, n)
	next := k.p
	for i := range n {
		next[i] += b[i]
	}
	return next, true
}

// finish works out the variance of the size.
func (k *rock) finish() bool {
	var a matrix
	var b vector
	n := k.params()
	k.normal(&a, &b)
	if !cholesky(&a, n) {
		return false
	}
	b = vector{pSize: 1}
	solve(&a, &b, n)
	k.size, k.cov = k.p[pSize], b[pSize]
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
