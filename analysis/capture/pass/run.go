package pass

import "math"

// fitted is the result of a run.
type fitted struct{ size, u, q, evidence, misfit float64 }

func (f fitted) ok() bool { return !math.IsNaN(f.evidence) && !math.IsNaN(f.size) }

// A run ends when size, z and q change by less than these tolerances in one step.
const (
	sizeTolerance = 0.003 // µm
	zTolerance    = 0.03  // µm^½
	qTolerance    = 0.1   // tolerance of ln q
	minSteps      = 4
	maxSteps      = 24
)

// run fits z, starting from its present value, with the prior h of the hand. The size is either
// given or free. run estimates the roughness by expectation and maximisation, starting from its
// prior q0.
func (w *Workspace) run(h *hand, noise Noise, size, q0 float64, free bool) (f fitted) {
	n := w.n
	f.size, f.q = size, q0
	for i := range w.p[:n] {
		w.p[i] = 0
	}
	white := float64(n - startParameters)
	for step := range maxSteps {
		info, sum := w.linearise(h, noise, &f, free)
		xy, yy := w.eliminate()
		before, q := f.size, f.q
		variance := 0.0 // variance of the size
		if free {
			info = max(info-yy, 1e-9)
			f.size, variance = (sum-xy)/info, 1/info
			f.u = math.Sqrt(variance)
		}
		w.backSubstitute()
		moved := w.move(f.size, variance, free, step)
		fixed, expected := w.roughness(h, variance)
		change := 1.0
		if step > 0 {
			change = (expected + roughnessPrior*q0) / (white + roughnessPrior) / q
			change = min(5, max(0.2, change*math.Sqrt(change))) // go a little further than the step itself, as convergence is slow
			f.q *= change
		}
		still := step >= minSteps && math.Abs(f.size-before) < sizeTolerance && moved < zTolerance && math.Abs(math.Log(change)) < qTolerance
		if still || step == maxSteps-1 {
			f.evidence = w.evidence(variance) + h.jac - fixed/q/2 - white/2*math.Log(q) - roughnessPrior/2*(math.Log(q/q0)+q0/q)
			f.misfit = w.misfit()
			break
		}
	}
	return f
}

// linearise sets up the equations about the present posterior. The precision is in a, and the right
// sides are in x (for the samples) and y (for the size). It returns the information on the size
// alone, and the weighted sum of the values.
func (w *Workspace) linearise(h *hand, noise Noise, f *fitted, free bool) (info, sum float64) {
	n := w.n
	smooth := 1 / f.q
	given := 0.0
	if !free {
		given = f.size
	}
	for i := range n {
		z := w.z[i]
		speed := (w.z[min(n-1, i+1)] - w.z[max(0, i-1)]) * w.apart[i]
		p := min(w.p[i], 0.25*z*z+0.5)
		late := 2 * z * speed * noise.Time
		s2 := noise.Sigma*noise.Sigma + late*late + 2*p*p
		e := w.v[i] - (f.size + z*z + p)
		weight := 1 / s2
		e2 := e * e * weight
		w.s2[i], w.e2[i] = s2, e2
		if e2 > 1 {
			weight *= (errorFreedom + 1) / (errorFreedom + e2)
		}
		y := w.v[i] + z*z - p - given
		b := 2 * z * weight
		prior := &h.prior[i]
		w.a[i] = row{prior[0]*smooth + 2*z*b, prior[1] * smooth, prior[2] * smooth, prior[3] * smooth}
		w.x[i], w.y[i] = b*y, b
		info += weight
		sum += weight * y
	}
	return info, sum
}

// evidence returns the log likelihood of the samples, less half the log determinant of the last
// equations. It is taken at the z for which these equations were set up.
func (w *Workspace) evidence(variance float64) float64 {
	all := product{p: 1}
	for i := range w.n {
		t := 1 + w.e2[i]/errorFreedom
		all.times(w.s2[i] * t * w.l[i][0])
		all.times(t * t)
		all.times(t * t) // to the power errorFreedom + 1
	}
	if variance > 0 {
		all.times(1 / variance)
	}
	return -all.log() / 2
}

// misfit returns the mean square residual, in standard deviations.
func (w *Workspace) misfit() float64 {
	sum := 0.0
	for _, e2 := range w.e2[:w.n] {
		sum += min(16, e2)
	}
	return sum / float64(w.n)
}

// product accumulates the log of a product. It computes one logarithm for many factors.
type product struct{ p, sum float64 }

func (x *product) times(v float64) {
	x.p *= v
	if x.p > 1e100 || x.p < 1e-100 {
		x.sum += math.Log(x.p)
		x.p = 1
	}
}

func (x *product) log() float64 { return x.sum + math.Log(x.p) }

// eliminate factorises a into L·D·Lᵀ, and solves L for the right sides x and y. It returns yᵀ·a⁻¹·x
// and yᵀ·a⁻¹·y.
func (w *Workspace) eliminate() (xy, yy float64) {
	var i1, i2, i3 float64    // 1/D of the previous rows
	var m11, m12, m21 float64 // L(i-1, i-2), L(i-1, i-3), L(i-2, i-3)
	var x1, x2, x3, y1, y2, y3 float64
	for i := range w.n {
		a, l := &w.a[i], &w.l[i]
		// of L·D: entries (i, i-3), (i, i-2), (i, i-1)
		u3 := a[3]
		u2 := a[2] - u3*m21
		u1 := a[1] - u2*m11 - u3*m12
		l1, l2, l3 := u1*i1, u2*i2, u3*i3
		d := max(a[0]-u1*l1-u2*l2-u3*l3, 1e-12)
		inv := 1 / d
		*l = row{d, l1, l2, l3}
		w.d[i] = inv
		x := w.x[i] - l1*x1 - l2*x2 - l3*x3
		y := w.y[i] - l1*y1 - l2*y2 - l3*y3
		w.x[i], w.y[i] = x, y
		xy += x * y * inv
		yy += y * y * inv
		i1, i2, i3 = inv, i1, i2
		m11, m12, m21 = l1, l2, m11
		x1, x2, x3 = x, x1, x2
		y1, y2, y3 = y, y1, y2
	}
	return xy, yy
}

// backSubstitute solves D·Lᵀ for x and y after eliminate. It computes the covariance a⁻¹ near the
// diagonal (Takahashi's recursion).
func (w *Workspace) backSubstitute() {
	var c11, c12, c13, c22, c23, c33 float64 // covariance of the next three rows
	var x1, x2, x3, y1, y2, y3 float64
	for i := w.n - 1; i >= 0; i-- {
		l1, l2, l3 := w.l[i+1][1], w.l[i+2][2], w.l[i+3][3]
		inv := w.d[i]
		x := w.x[i]*inv - l1*x1 - l2*x2 - l3*x3
		y := w.y[i]*inv - l1*y1 - l2*y2 - l3*y3
		w.x[i], w.y[i] = x, y
		c03 := -(l1*c13 + l2*c23 + l3*c33)
		c02 := -(l1*c12 + l2*c22 + l3*c23)
		c01 := -(l1*c11 + l2*c12 + l3*c13)
		c00 := inv - (l1*c01 + l2*c02 + l3*c03)
		w.c[i] = row{c00, c01, c02, c03}
		c11, c12, c13, c22, c23, c33 = c00, c01, c02, c11, c12, c22
		x1, x2, x3 = x, x1, x2
		y1, y2, y3 = y, y1, y2
	}
}

// move steps to the new z and its variance, and returns the largest change of z.
func (w *Workspace) move(size, variance float64, free bool, step int) (moved float64) {
	part := 1.0
	if step >= 3 {
		part = 0.7 // damps oscillation about the solution
	}
	for i := range w.n {
		z := w.x[i]
		w.p[i] = w.c[i][0]
		if free {
			z -= w.y[i] * size
			w.p[i] += w.y[i] * w.y[i] * variance
		}
		d := z - w.z[i]
		most := 1 + 0.5*math.Abs(w.z[i])
		d = max(-most, min(most, d))
		w.z[i] += part * d
		moved = max(moved, math.Abs(d))
	}
	return moved
}

// roughness returns Σ h·(Lz)² of the mean of z, and the expectation of this sum.
func (w *Workspace) roughness(h *hand, variance float64) (fixed, expected float64) {
	for i := range w.n {
		z, y := w.z[i], w.y[i]*variance
		c := &w.c[i]
		prior := h.prior[i][0]
		fixed += prior * z * z
		expected += prior * (c[0] + y*w.y[i])
		for d := 1; d <= 3; d++ {
			prior := 2 * h.prior[i+d][d]
			fixed += prior * z * w.z[i+d]
			expected += prior * (c[d] + y*w.y[i+d])
		}
	}
	return fixed, fixed + max(0, expected)
}
