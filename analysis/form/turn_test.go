package form

import (
	"cmp"
	"encoding/csv"
	"encoding/json"
	"errors"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/optimize/convex/lp"
	"pgregory.net/rapid"

	"fairbore/analysis"
)

const micro = 1000 // µm per mm

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s: got %.12g, want %.12g ± %g", what, got, want, tol)
	}
}

// circles is testdata/roundness/circle_reference.json: lengths in mm.
type circles struct {
	Published map[string]struct {
		X, Y []float64
		LSC  struct{ XC, YC, R, RON float64 } `json:"geometric_LSC"`
	} `json:"published_small_sets"`
	Synthetic map[string]struct {
		LSCI             struct{ XC, YC, R, RONt, RONp, RONv, RONq float64 }
		MZCI, MICI, MCCI struct{ XC, YC, RMax, RMin, RON float64 }
	} `json:"synthetic_profiles"`
}

func readCircles(t *testing.T) (c circles) {
	t.Helper()
	b, err := os.ReadFile("../../testdata/roundness/circle_reference.json")
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(b, &c); err != nil {
		t.Fatal(err)
	}
	return c
}

// Gander, Golub, Strebel, Least-Squares Fitting of Circles and Ellipses, BIT 34
// (1994) 558-578: the six points and their geometric fit, which is printed as
// centre (4.7398, 2.9835), radius 4.7142 (from memory), recomputed to all digits.
func TestLeastSquaresOfSixPublishedPoints(t *testing.T) {
	set, ok := readCircles(t).Published["GanderGolubStrebel1994_6pt"]
	if !ok {
		t.Fatal("no such set")
	}
	c, err := Points{set.X, set.Y}.LeastSquares()
	if err != nil {
		t.Fatal(err)
	}
	near(t, "x printed", c.X, 4.7398, 5e-5)
	near(t, "y printed", c.Y, 2.9835, 5e-5)
	near(t, "r printed", c.R, 4.7142, 5e-5)
	// The minimum is flat: minimising the sum of squares finds it to the root of
	// the machine's precision, about 1e-7 here. That it is one is in its gradient.
	near(t, "x", c.X, set.LSC.XC, 1e-7)
	near(t, "y", c.Y, set.LSC.YC, 1e-7)
	near(t, "r", c.R, set.LSC.R, 1e-7)
	var gx, gy, gr float64
	for i, x := range set.X {
		d := math.Hypot(x-c.X, set.Y[i]-c.Y)
		gx, gy, gr = gx+(d-c.R)*(x-c.X)/d, gy+(d-c.R)*(set.Y[i]-c.Y)/d, gr+d-c.R
	}
	near(t, "gradient", math.Hypot(math.Hypot(gx, gy), gr), 0, 1e-12)
	near(t, "peak to valley", c.RONt, set.LSC.RON, 1e-8)
}

func readProfile(t *testing.T, name string) (p Points) {
	t.Helper()
	f, err := os.Open("../../testdata/roundness/profile_" + name + ".csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, row := range rows[1:] {
		x, err1 := strconv.ParseFloat(row[0], 64)
		y, err2 := strconv.ParseFloat(row[1], 64)
		if err := errors.Join(err1, err2); err != nil {
			t.Fatal(err)
		}
		p.X, p.Y = append(p.X, x*micro), append(p.Y, y*micro)
	}
	return p
}

// The references were computed elsewhere (least squares by Levenberg-Marquardt,
// the others by sequential linear programming); tolerances as given with them:
// 1e-9 mm, 1e-8 mm.
func TestReferenceCircles(t *testing.T) {
	for name, want := range readCircles(t).Synthetic {
		t.Run(name, func(t *testing.T) {
			p := readProfile(t, name)
			ls, err1 := p.LeastSquares()
			mz, err2 := p.MinimumZone()
			mi, err3 := p.MaximumInscribed()
			mc, err4 := p.MinimumCircumscribed()
			if err := errors.Join(err1, err2, err3, err4); err != nil {
				t.Fatal(err)
			}
			const ten = 1e-8 * micro
			near(t, "LSCI x", ls.X, want.LSCI.XC*micro, 1e-9*micro)
			near(t, "LSCI y", ls.Y, want.LSCI.YC*micro, 1e-9*micro)
			near(t, "LSCI r", ls.R, want.LSCI.R*micro, 1e-9*micro)
			near(t, "LSCI RONt", ls.RONt, want.LSCI.RONt*micro, 1e-9*micro)
			near(t, "LSCI RONp", ls.RONp, want.LSCI.RONp*micro, 1e-9*micro)
			near(t, "LSCI RONv", ls.RONv, want.LSCI.RONv*micro, 1e-9*micro)
			near(t, "LSCI RONq", ls.RONq, want.LSCI.RONq*micro, 1e-9*micro)
			near(t, "MZCI RONt", mz.RONt, want.MZCI.RON*micro, ten)
			near(t, "MZCI r", mz.R, (want.MZCI.RMax+want.MZCI.RMin)/2*micro, ten)
			near(t, "MICI r", mi.R, want.MICI.RMin*micro, ten)
			near(t, "MICI inside", mi.RONv, 0, ten)
			near(t, "MCCI r", mc.R, want.MCCI.RMax*micro, ten)
			near(t, "MCCI outside", mc.RONp, 0, ten)
			if name != "oval_2lobe_2um" { // which has two MICI and MCCI in the limit
				near(t, "MZCI x", mz.X, want.MZCI.XC*micro, ten)
				near(t, "MZCI y", mz.Y, want.MZCI.YC*micro, ten)
				near(t, "MICI RONt", mi.RONt, want.MICI.RON*micro, ten)
				near(t, "MCCI RONt", mc.RONt, want.MCCI.RON*micro, ten)
			}
			for _, c := range []Circle{ls, mi, mc} {
				if mz.RONt > c.RONt+1e-9*micro {
					t.Errorf("minimum zone %g is wider than %g about another centre", mz.RONt, c.RONt)
				}
			}
		})
	}
}

// trace is a wall with lobes, eccentricity and noise.
func trace(n int, seed uint64) Turn {
	rnd := rand.New(rand.NewPCG(seed, 7))
	t := Turn{Radius: 20 * analysis.Millimetre, Deviations: make([]float64, n)}
	for i := range t.Deviations {
		a := 2 * math.Pi * float64(i) / float64(n)
		t.Deviations[i] = 12*math.Cos(a-1) + 1.1*math.Cos(2*a-0.3) + 1.5*math.Cos(3*a) + 0.8*math.Cos(5*a-2) + 0.3*rnd.NormFloat64()
	}
	return t
}

func mustPoints(t testing.TB, turn Turn) Points {
	t.Helper()
	p, err := turn.Points()
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// bruteZone is the definition itself: of all pairs of outer and pairs of inner
// points, the pair of concentric circles through them that hold every point
// with the least difference; µm.
func bruteZone(p Points) float64 {
	n, best := len(p.X), math.Inf(1)
	for a := range n {
		for b := range a {
			for c := range n {
				for d := range c {
					x, y, ok := p.equidistant(a, b, c, d)
					if !ok || math.Hypot(x, y) > 100 {
						continue
					}
					_, _, far, near := p.extremes(x, y)
					best = min(best, far-near)
				}
			}
		}
	}
	return best
}

// bruteEnds are the smallest circle around and the largest within, by all
// circles through two or three points.
func bruteEnds(p Points) (around, within float64) {
	around = math.Inf(1)
	try := func(x, y float64) {
		if math.Hypot(x, y) > 100 {
			return
		}
		_, _, far, near := p.extremes(x, y)
		around, within = min(around, far), max(within, near)
	}
	for a := range len(p.X) {
		for b := range a {
			try((p.X[a]+p.X[b])/2, (p.Y[a]+p.Y[b])/2)
			for c := range b {
				if x, y, ok := p.equidistant(a, b, b, c); ok {
					try(x, y)
				}
			}
		}
	}
	return around, within
}

func TestZonesEqualBruteForce(t *testing.T) {
	for seed := range uint64(48) {
		// Even numbers have points straight opposite each other, the hard case.
		p := mustPoints(t, trace(8+int(seed%7), seed))
		mz, err1 := p.MinimumZone()
		mi, err2 := p.MaximumInscribed()
		mc, err3 := p.MinimumCircumscribed()
		if err := errors.Join(err1, err2, err3); err != nil {
			t.Fatal(err)
		}
		around, within := bruteEnds(p)
		near(t, "minimum zone", mz.RONt, bruteZone(p), 1e-9*micro)
		near(t, "circumscribed", mc.R, around, 1e-9*micro)
		near(t, "inscribed", mi.R, within, 1e-9*micro)
	}
}

// linearZone is the minimum zone as a linear programme about a centre near by:
// least h with -h <= d - n·c - r <= h for the distance d and direction n of
// every point; c, r and h free, so each as a difference of two variables. What
// is left out is c²/2R, nothing at the optimum.
func linearZone(t *testing.T, p Points, x, y float64) float64 {
	n, mean := len(p.X), 0.0
	for i := range n {
		mean += p.distance(i, x, y) / float64(n)
	}
	const vars = 8 // c+ c- (x, y), r+ r-, h+ h-
	g, h := mat.NewDense(2*n, vars, nil), make([]float64, 2*n)
	for i := range n {
		d := math.Hypot(p.X[i]-x, p.Y[i]-y)
		nx, ny := (p.X[i]-x)/d, (p.Y[i]-y)/d
		g.SetRow(2*i, []float64{-nx, nx, -ny, ny, -1, 1, -1, 1})
		g.SetRow(2*i+1, []float64{nx, -nx, ny, -ny, 1, -1, -1, 1})
		h[2*i], h[2*i+1] = mean-d, d-mean
	}
	// Each inequality takes a slack: [g I] [v; s] = h.
	a := mat.NewDense(2*n, vars+2*n, nil)
	for i := range 2 * n {
		for j := range vars {
			a.Set(i, j, g.At(i, j))
		}
		a.Set(i, vars+i, 1)
	}
	cost := make([]float64, vars+2*n)
	cost[6], cost[7] = 1, -1
	best, _, err := lp.Simplex(cost, a, h, 1e-13, nil)
	if err != nil {
		t.Fatal(err)
	}
	return 2 * best
}

// With 3600 points brute force is too slow; the optimum is proved by its dual:
// the forty points farthest out and in alone need as wide a zone by a linear
// programme, so no centre does better for all.
func TestZoneOf3600EqualsLinearProgramme(t *testing.T) {
	for seed := range uint64(5) {
		p := mustPoints(t, trace(3600, seed))
		mz, err := p.MinimumZone()
		if err != nil {
			t.Fatal(err)
		}
		order := make([]int, len(p.X))
		for i := range order {
			order[i] = i
		}
		slices.SortFunc(order, func(i, j int) int {
			return -cmp.Compare(math.Abs(p.distance(i, mz.X, mz.Y)-mz.R), math.Abs(p.distance(j, mz.X, mz.Y)-mz.R))
		})
		var few Points
		for _, i := range order[:40] {
			few.X, few.Y = append(few.X, p.X[i]), append(few.Y, p.Y[i])
		}
		near(t, "zone of the few", linearZone(t, few, mz.X, mz.Y), mz.RONt, 1e-9*micro)
		// The wall moved about by hand is never better.
		rnd := rand.New(rand.NewPCG(seed, 1))
		for range 200 {
			_, _, far, close := p.extremes(mz.X+0.01*rnd.NormFloat64(), mz.Y+0.01*rnd.NormFloat64())
			if far-close < mz.RONt-1e-9*micro {
				t.Fatalf("zone %g about a centre near by, %g about the best", far-close, mz.RONt)
			}
		}
	}
}

// Moving or turning the part changes no roundness.
func TestRoundnessIsThePartsOwn(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		turn := trace(rapid.IntRange(8, 90).Draw(t, "n"), rapid.Uint64().Draw(t, "seed"))
		p, _ := turn.Points()
		by := rapid.Float64Range(0, 6).Draw(t, "turned by")
		ex, ey := rapid.Float64Range(-50, 50).Draw(t, "x"), rapid.Float64Range(-50, 50).Draw(t, "y")
		sin, cos := math.Sincos(by)
		q := Points{make([]float64, len(p.X)), make([]float64, len(p.X))}
		for i := range p.X {
			q.X[i], q.Y[i] = p.X[i]*cos-p.Y[i]*sin+ex, p.X[i]*sin+p.Y[i]*cos+ey
		}
		for _, fit := range []func(Points) (Circle, error){Points.LeastSquares, Points.MinimumZone, Points.MinimumCircumscribed} {
			a, err1 := fit(p)
			b, err2 := fit(q)
			if err := errors.Join(err1, err2); err != nil {
				t.Fatal(err)
			}
			if math.Abs(a.RONt-b.RONt) > 1e-7 || math.Abs(a.R-b.R) > 1e-7 {
				t.Fatalf("%+v became %+v", a, b)
			}
			if math.Abs(a.X*cos-a.Y*sin+ex-b.X) > 1e-5 || math.Abs(a.X*sin+a.Y*cos+ey-b.Y) > 1e-5 {
				t.Fatalf("centre %+v became %+v", a, b)
			}
		}
		// The inscribed circle may have an equal elsewhere; its size is one.
		a, err1 := p.MaximumInscribed()
		b, err2 := q.MaximumInscribed()
		if err := errors.Join(err1, err2); err != nil || math.Abs(a.R-b.R) > 1e-7 {
			t.Fatalf("inscribed %+v became %+v, %v", a, b, err)
		}
	})
}

func TestRoundnessRecord(t *testing.T) {
	turn := trace(720, 3)
	r, err := turn.Roundness()
	if err != nil {
		t.Fatal(err)
	}
	p := mustPoints(t, turn)
	mz, _ := p.MinimumZone()
	near(t, "MZCI RONt", analysis.Length(r.MinimumZone.RONt).Micrometres(), mz.RONt, 5.1e-5)
	near(t, "MZCI radius", r.MinimumZone.R.Micrometres(), mz.R, 5.1e-5)
	if r.Points != 720 || r.MinimumZone.RONt > r.LeastSquares.RONt ||
		r.MaximumInscribed.RONv != 0 || r.MinimumCircumscribed.RONp != 0 ||
		r.MaximumInscribed.R >= r.LeastSquares.R || r.MinimumCircumscribed.R <= r.LeastSquares.R {
		t.Errorf("%+v", r)
	}
	// Given angles stand for the same places, in any order.
	given := Turn{Radius: turn.Radius}
	for _, i := range rand.New(rand.NewPCG(1, 2)).Perm(720) {
		given.Deviations = append(given.Deviations, turn.Deviations[i])
		given.Angles = append(given.Angles, 2*math.Pi*float64(i)/720)
	}
	if again, err := given.Roundness(); err != nil || again != r {
		t.Errorf("%+v, %v: want %+v", again, err, r)
	}
}

func TestTurnRefuses(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	for name, c := range map[string]struct {
		turn Turn
		want error
	}{
		"nothing":         {Turn{}, ErrFew},
		"three":           {Turn{Radius: 1000, Deviations: []float64{1, 2, 3}}, ErrFew},
		"angles missing":  {Turn{Deviations: []float64{1, 2, 3, 4}, Angles: []float64{0}}, ErrAngles},
		"not a number":    {Turn{Radius: 1e7, Deviations: []float64{1, nan, 2, 3, 4}}, ErrNotFinite},
		"infinite":        {Turn{Radius: 1e7, Deviations: []float64{1, inf, 2, 3, 4}}, ErrNotFinite},
		"all in one spot": {Turn{Deviations: make([]float64, 12)}, ErrNotRound},
		"a short arc":     {Turn{Radius: 1e7, Deviations: make([]float64, 4), Angles: []float64{0, 0.1, 0.2, 0.3}}, ErrNotRound},
	} {
		if r, err := c.turn.Roundness(); !errors.Is(err, c.want) {
			t.Errorf("%s: %+v, %v; want %v", name, r, err, c.want)
		}
	}
	if _, err := (Turn{Deviations: []float64{1, 2, nan, 4}}).Harmonics(1); !errors.Is(err, ErrNotFinite) {
		t.Errorf("harmonics: %v", err)
	}
	if _, err := (Turn{Deviations: []float64{1, 2, 3, 4}}).Filtered(0); !errors.Is(err, ErrCutoff) {
		t.Errorf("cut-off 0: %v", err)
	}
	uneven := Turn{Deviations: []float64{1, 2, 3, 4}, Angles: []float64{0, 1, 2, 3}}
	if _, err := uneven.Filtered(15); !errors.Is(err, ErrSpacing) {
		t.Errorf("uneven: %v", err)
	}
}

func TestHarmonicsComeBack(t *testing.T) {
	want := []Harmonic{{1, 12, 1}, {2, 1.1, 0.15}, {3, 1.5, 0}, {4, 0, 0}, {5, 0.8, 0.4}}
	at := func(a float64) (d float64) {
		for _, h := range want {
			d += h.Amplitude * math.Cos(float64(h.Lobes)*(a-h.Phase))
		}
		return d + 3
	}
	even, uneven := Turn{}, Turn{}
	for i := range 100 {
		a := 2 * math.Pi * float64(i) / 100
		even.Deviations = append(even.Deviations, at(a))
		uneven.Angles = append(uneven.Angles, a+0.02*math.Sin(7*a))
		uneven.Deviations = append(uneven.Deviations, at(uneven.Angles[i]))
	}
	for name, turn := range map[string]Turn{"even": even, "uneven": uneven} {
		got, err := turn.Harmonics(5)
		if err != nil || len(got) != 5 {
			t.Fatalf("%s: %v, %v", name, got, err)
		}
		for i, h := range got {
			near(t, name+" amplitude", h.Amplitude, want[i].Amplitude, 1e-12)
			if period := 2 * math.Pi / float64(h.Lobes); want[i].Amplitude > 0 {
				near(t, name+" phase", math.Remainder(h.Phase-want[i].Phase, period), 0, 1e-12)
			}
		}
	}
	if got, err := even.Harmonics(1000); err != nil || len(got) != 49 {
		t.Errorf("%d harmonics of 100 points, %v; want 49", len(got), err)
	}
}

// ISO 16610-21:2011: the filter line is the convolution with the weighting
// function s(x) = exp(-π (x/(α λc))²)/(α λc), α = √(ln 2/π) = 0.4697, wrapped
// around a closed profile. Done here as it stands, in angle (λc = 2π/cut-off).
func TestGaussianFilterIsItsConvolution(t *testing.T) {
	turn, cutoff := trace(360, 5), 15.0
	got, err := turn.Filtered(cutoff)
	if err != nil {
		t.Fatal(err)
	}
	n, alpha := len(turn.Deviations), math.Sqrt(math.Ln2/math.Pi)
	near(t, "α", alpha, 0.4697, 5e-5)
	step, width := 2*math.Pi/float64(n), alpha*2*math.Pi/cutoff
	for i := range n {
		want := 0.0
		for j := -n; j <= 2*n; j++ {
			x := float64(i-j) * step
			want += turn.Deviations[(j+n)%n] * math.Exp(-math.Pi*x*x/width/width) / width * step
		}
		near(t, "filtered", got.Deviations[i], want, 1e-9)
	}
	// Half of an undulation at the cut-off passes.
	wave := Turn{Deviations: make([]float64, 360)}
	for i := range wave.Deviations {
		wave.Deviations[i] = math.Cos(15 * 2 * math.Pi * float64(i) / 360)
	}
	half, _ := wave.Filtered(15)
	near(t, "at the cut-off", half.Deviations[0], 0.5, 1e-12)
}

// Seen from a distance e, a circle shows two lobes of e²/4R: geometry.
func TestCentredTakesTheEccentricityOut(t *testing.T) {
	turn := Turn{Radius: 10 * analysis.Millimetre, Deviations: make([]float64, 360)}
	for i := range turn.Deviations {
		a := 2 * math.Pi * float64(i) / 360
		turn.Deviations[i] = 200*math.Cos(a) + math.Sqrt(10000*10000-200*200*math.Sin(a)*math.Sin(a)) - 10000
	}
	before, _ := turn.Harmonics(2)
	near(t, "two lobes that aren't there", before[1].Amplitude, 200*200/4.0/10000, 1e-3)
	c, err := mustPoints(t, turn).LeastSquares()
	if err != nil {
		t.Fatal(err)
	}
	seen, err := turn.Centred(c)
	if err != nil {
		t.Fatal(err)
	}
	after, _ := seen.Harmonics(2)
	near(t, "eccentricity left", after[0].Amplitude, 0, 1e-9)
	near(t, "two lobes left", after[1].Amplitude, 0, 1e-9)
}

func BenchmarkTurn(b *testing.B) {
	turn := trace(3600, 1)
	p := mustPoints(b, turn)
	for name, f := range map[string]func() error{
		"Points":               func() error { _, err := turn.Points(); return err },
		"LeastSquares":         func() error { _, err := p.LeastSquares(); return err },
		"MinimumZone":          func() error { _, err := p.MinimumZone(); return err },
		"MaximumInscribed":     func() error { _, err := p.MaximumInscribed(); return err },
		"MinimumCircumscribed": func() error { _, err := p.MinimumCircumscribed(); return err },
		"Harmonics15":          func() error { _, err := turn.Harmonics(15); return err },
		"HarmonicsAll":         func() error { _, err := turn.Harmonics(1800); return err },
		"Filtered":             func() error { _, err := turn.Filtered(50); return err },
	} {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if err := f(); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
