package pass

import "math"

// fitted is the end of a run.
type fitted struct{ size, u, q, evidence, misfit float64 }

func (f fitted) ok() bool { return !math.IsNaN(f.evidence) && !math.IsNaN(f.size) }

// When a run has come to rest: size, z and q move by less; and the most steps of it.
const (
	restSize = 0.003 // µm
	restZ    = 0.03  // µm^½
	restQ    = 0.1   // of the logarithm
	leastRun = 4
	mostRun  = 24
)

// run fits z, from where it stands, with a given size or a free one, and the roughness
// by expectation and maximisation from its prior q0.
func (w *Work) run(noise Noise, size, q0 float64, free bool) (f fitted) {
	n := w.n
	f.size, f.q = size, q0
	for i := range w.p[:n] {
		w.p[i] = 0
	}
	for step := range mostRun {
		likely, info, sum := w.linearise(noise, &f, free)
		logDet := w.factor()
		w.solve(&w.x)
		before := f.size
		variance := 0.0 // of the size
		if free {
			w.solve(&w.y)
			for i := range n {
				info -= w.b[i] * w.y[i]
				sum -= w.b[i] * w.x[i]
			}
			info = max(info, 1e-9)
			f.size, variance = sum/info, 1/info
			f.u = math.Sqrt(variance)
			logDet += math.Log(info)
		}
		w.inverse()
		moved := w.move(f.size, variance, free, step)
		fixed, expected := w.roughness(variance, free)
		white := float64(n - scales)
		f.evidence = likely - fixed/f.q/2 - white/2*math.Log(f.q) - logDet/2 + w.jac - counts/2*(math.Log(f.q/q0)+q0/f.q)
		change := 1.0
		if step > 0 {
			change = (expected + counts*q0) / (white + counts) / f.q
			change = min(5, max(0.2, change*math.Sqrt(change))) // a little further than the step goes: it is slow
			f.q *= change
		}
		if step >= leastRun && math.Abs(f.size-before) < restSize && moved < restZ && math.Abs(math.Log(change)) < restQ {
			break
		}
	}
	return f
}

// linearise makes the equations about the posterior as it stands: the precision in a,
// the right sides in x (of the samples) and y (of the size). It returns the log
// likelihood, and the information on the size by itself.
func (w *Work) linearise(noise Noise, f *fitted, free bool) (likely, info, sum float64) {
	n := w.n
	misfit := 0.0
	for i := range n {
		a, b := max(0, i-1), min(n-1, i+1)
		speed := (w.z[b] - w.z[a]) / (w.t[b] - w.t[a])
		z := w.z[i]
		p := min(w.p[i], 0.25*z*z+0.5)
		late := 2 * z * speed * noise.Time
		s2 := noise.Sigma*noise.Sigma + late*late + 2*p*p
		e := w.v[i] - (f.size + z*z + p)
		e2 := e * e / s2
		likely -= math.Log(s2)/2 + (student+1)/2*math.Log1p(e2/student)
		misfit += min(16, e2)
		weight := min(1, (student+1)/(student+e2)) / s2
		y := w.v[i] + z*z - p
		if !free {
			y -= f.size
		}
		for d := range w.a[i] {
			w.a[i][d] = w.prior[i][d] / f.q
		}
		w.a[i][0] += 4 * z * z * weight
		w.b[i] = 2 * z * weight
		w.x[i], w.y[i] = w.b[i]*y, w.b[i]
		info += weight
		sum += weight * y
	}
	f.misfit = misfit / float64(n)
	return likely, info, sum
}

// factor takes a apart into L·D·Lᵀ and returns its log determinant.
func (w *Work) factor() (logDet float64) {
	for i := range w.n {
		for d := min(3, i); d >= 0; d-- {
			s := w.a[i][d]
			for k := d + 1; k <= 3 && k <= i; k++ {
				s -= w.l[i][k] * w.l[i-d][k-d] * w.l[i-k][0]
			}
			if d > 0 {
				w.l[i][d] = s / w.l[i-d][0]
				continue
			}
			w.l[i][0] = max(s, 1e-12)
			logDet += math.Log(w.l[i][0])
		}
	}
	return logDet
}

// solve replaces x by the solution for it.
func (w *Work) solve(x *[Most]float64) {
	n := w.n
	for i := range n {
		for d := 1; d <= min(3, i); d++ {
			x[i] -= w.l[i][d] * x[i-d]
		}
	}
	for i := n - 1; i >= 0; i-- {
		x[i] /= w.l[i][0]
		for d := 1; d <= min(3, n-1-i); d++ {
			x[i] -= w.l[i+d][d] * x[i+d]
		}
	}
}

// inverse works out the covariance near the diagonal (Takahashi's recursion).
func (w *Work) inverse() {
	n := w.n
	for i := n - 1; i >= 0; i-- {
		for d := min(3, n-1-i); d >= 0; d-- {
			s := 0.0
			if d == 0 {
				s = 1 / w.l[i][0]
			}
			for k := 1; k <= min(3, n-1-i); k++ {
				hi, lo := max(i+d, i+k), min(i+d, i+k)
				s -= w.l[i+k][k] * w.c[hi][hi-lo]
			}
			w.c[i+d][d] = s
		}
	}
}

// move goes to the new z and its variance, and returns how far it went at most.
func (w *Work) move(size, variance float64, free bool, step int) (moved float64) {
	part := 1.0
	if step >= 3 {
		part = 0.7 // against swinging about the end
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

// roughness returns Σ h·(Lz)² of the mean of z, and its expectation.
func (w *Work) roughness(variance float64, free bool) (fixed, expected float64) {
	for i := range w.n {
		for d := range min(3, i) + 1 {
			twice := 2.0
			if d == 0 {
				twice = 1
			}
			cov := w.c[i][d]
			if free {
				cov += w.y[i] * w.y[i-d] * variance
			}
			fixed += twice * w.prior[i][d] * w.z[i] * w.z[i-d]
			expected += twice * w.prior[i][d] * cov
		}
	}
	return fixed, fixed + max(0, expected)
}
