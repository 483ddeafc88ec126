package pass

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"
	"pgregory.net/rapid"
)

// At whatever times, the operator annihilates what a harmonic hand does, and gives 1 for t³/6 about
// the middle of its times.
func TestOperator(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		at := make([]float64, 4)
		at[0] = rapid.Float64Range(-100, 100).Draw(t, "begin")
		for i := 1; i < 4; i++ {
			at[i] = at[i-1] + rapid.Float64Range(0.004, 0.2).Draw(t, "interval")
		}
		omega := rapid.Float64Range(0.01, 25).Draw(t, "omega")
		c := operator(at, omega)
		mid := (at[0] + at[1] + at[2] + at[3]) / 4
		span := at[3] - at[0]
		// Where the hand is so slow that its motion is a parabola here, L leaves its third derivative.
		parabola := 0.0
		if omega*span < 0.02 {
			parabola = math.Pow(omega, 3)
		}
		for name, f := range map[string]func(float64) float64{
			"1":   func(float64) float64 { return 1 },
			"cos": func(x float64) float64 { return math.Cos(omega * x) },
			"sin": func(x float64) float64 { return math.Sin(omega * x) },
		} {
			sum, size := 0.0, 0.0
			for k, x := range at {
				sum += c[k] * f(x-mid)
				size += math.Abs(c[k])
			}
			if math.Abs(sum) > 1e-11*size+parabola {
				t.Fatalf("%s at %v, ω %g: %g, of terms %g", name, at, omega, sum, size)
			}
		}
		cubic := 0.0
		for k, x := range at {
			cubic += c[k] * math.Pow(x-mid, 3) / 6
		}
		if math.Abs(cubic-1) > 1e-9 {
			t.Fatalf("t³/6 at %v, ω %g: %g, want 1", at, omega, cubic)
		}
	})
}

// The log determinant of the change to what is white is that of the matrix of operators
// with any three rows above it that pick the first three values.
func TestJacobian(t *testing.T) {
	rng := rand.New(rand.NewPCG(41, 1))
	at := uneven(20, rng)
	var h hand
	h.set(at, 4)
	l := mat.NewDense(20, 20, nil)
	for i := range 3 {
		l.Set(i, i, 1)
	}
	precision := mat.NewSymDense(20, nil)
	for i := 0; i+3 < 20; i++ {
		c := operator(at[i:i+4], 4)
		row := mat.NewVecDense(20, nil)
		for k := range c {
			l.Set(i+3, i+k, c[k])
			row.SetVec(i+k, c[k])
		}
		precision.SymRankOne(precision, (at[i+3]-at[i])/3, row)
	}
	if want, _ := mat.LogDet(l); math.Abs(h.jac-want) > 1e-9 {
		t.Errorf("%g, want %g", h.jac, want)
	}
	for i := range 20 {
		for d := range min(4, i+1) {
			if got, want := h.prior[i][d], precision.At(i, i-d); math.Abs(got-want) > 1e-9*math.Abs(precision.At(i, i)) {
				t.Errorf("prior (%d, %d): %g, want %g", i, i-d, got, want)
			}
		}
	}
}

// uneven returns n times.
func uneven(n int, rng *rand.Rand) (at []float64) {
	t := 0.0
	for range n {
		t += 0.01 + 0.05*rng.Float64()
		at = append(at, t)
	}
	return at
}

// Factors, solutions, determinant and covariance are those of dense algebra, whatever a Work held before.
func TestBandAgainstDense(t *testing.T) {
	rng := rand.New(rand.NewPCG(42, 1))
	var w Workspace
	for range 200 {
		n := minSamples + rng.IntN(MaxSamples-minSamples+1)
		w.n = n
		w.pad()
		dense := random(&w, rng)
		x, y := mat.NewVecDense(n, nil), mat.NewVecDense(n, nil)
		for i := range n {
			w.x[i], w.y[i] = rng.NormFloat64(), rng.NormFloat64()
			x.SetVec(i, w.x[i])
			y.SetVec(i, w.y[i])
		}
		var chol mat.Cholesky
		if !chol.Factorize(dense) {
			t.Fatal("not positive definite")
		}
		var ax, ay mat.VecDense
		var inverse mat.SymDense
		if chol.SolveVecTo(&ax, x) != nil || chol.SolveVecTo(&ay, y) != nil || chol.InverseTo(&inverse) != nil {
			t.Fatal("badly conditioned")
		}
		near := func(what string, got, want, size float64) {
			if math.Abs(got-want) > 1e-9*(1+size) {
				t.Errorf("%d samples, %s: %g, want %g", n, what, got, want)
			}
		}
		xy, yy := w.eliminate()
		near("y·a⁻¹·x", xy, mat.Dot(y, &ax), mat.Norm(&ax, 2)*mat.Norm(y, 2))
		near("y·a⁻¹·y", yy, mat.Dot(y, &ay), mat.Norm(&ay, 2)*mat.Norm(y, 2))
		det := 0.0
		for i := range n {
			det += math.Log(w.l[i][0])
		}
		near("log determinant", det, chol.LogDet(), float64(n))
		w.backSubstitute()
		for i := range n {
			near("x", w.x[i], ax.AtVec(i), mat.Norm(&ax, math.Inf(1)))
			near("y", w.y[i], ay.AtVec(i), mat.Norm(&ay, math.Inf(1)))
			for d := 0; d <= 3 && i+d < n; d++ {
				near("covariance", w.c[i][d], inverse.At(i, i+d), inverse.At(i, i))
			}
		}
	}
}

// random fills a with B·Bᵀ of a random B of band width three, and returns it.
func random(w *Workspace, rng *rand.Rand) *mat.SymDense {
	n := w.n
	b := mat.NewDense(n, n, nil)
	for i := range n {
		for d := range min(4, i+1) {
			b.Set(i, i-d, rng.NormFloat64())
		}
		b.Set(i, i, 1.5+rng.Float64())
	}
	dense := mat.NewSymDense(n, nil)
	dense.SymOuterK(1, b)
	for i := range n {
		w.a[i] = row{}
		for d := range min(4, i+1) {
			w.a[i][d] = dense.At(i, i-d)
		}
	}
	return dense
}

// One logarithm of a product is the sum of those of its factors, however large or small they are.
func TestProduct(t *testing.T) {
	rng := rand.New(rand.NewPCG(43, 1))
	p, want := product{p: 1}, 0.0
	for range 1000 {
		v := math.Exp(60 * (rng.Float64() - 0.3))
		p.times(v)
		want += math.Log(v)
	}
	if got := p.log(); math.Abs(got-want) > 1e-9*want {
		t.Errorf("%g, want %g", got, want)
	}
}
