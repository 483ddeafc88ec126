package uncertainty

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
)

// h1 is JCGM 100:2008, H.1: an end gauge against a standard. Lengths in µm,
// temperatures in K, coefficients in 10⁻⁶/K.
func h1(products bool) Model {
	const ls, alpha, theta = 50000.623, 11.5, -0.1
	m := Model{Of: "end gauge", Level: 0.99, Components: []Component{
		{Name: "standard", Type: B, Distribution: Normal, Unit: "um", Estimate: ls, HalfWidth: 0.075, Divisor: 3, Freedom: 18, Sensitivity: 1},
		{Name: "repeated difference", Type: A, Distribution: Normal, Unit: "um", Standard: 0.013 / math.Sqrt(5), Freedom: 24, Sensitivity: 1},
		{Name: "comparator, random", Type: B, Distribution: T, Unit: "um", HalfWidth: 0.01, Divisor: 2.570582, Freedom: 5, Sensitivity: 1},
		{Name: "comparator, systematic", Type: B, Distribution: Normal, Unit: "um", HalfWidth: 0.02, Divisor: 3, Freedom: 8, Sensitivity: 1},
		{Name: "difference of expansion", Type: B, Distribution: Rectangular, Unit: "1e-6/K", HalfWidth: 1, Freedom: 50, Sensitivity: -ls * 1e-6 * theta},
		{Name: "difference of temperature", Type: B, Distribution: Rectangular, Unit: "K", HalfWidth: 0.05, Freedom: 2, Sensitivity: -ls * 1e-6 * alpha},
		{Name: "expansion of the standard", Type: B, Distribution: Rectangular, Unit: "1e-6/K", Estimate: alpha, HalfWidth: 2, Sensitivity: 0},
		{Name: "temperature of the bed, mean", Type: B, Distribution: Normal, Unit: "K", Estimate: theta, Standard: 0.2, Sensitivity: 0},
		{Name: "temperature of the bed, cycle", Type: B, Distribution: UShaped, Unit: "K", HalfWidth: 0.5, Sensitivity: 0},
	}}
	if products {
		m.Products = []Product{
			{A: "difference of expansion", B: "temperature of the bed, mean", Coefficient: -ls * 1e-6},
			{A: "difference of expansion", B: "temperature of the bed, cycle", Coefficient: -ls * 1e-6},
			{A: "expansion of the standard", B: "difference of temperature", Coefficient: -ls * 1e-6},
		}
	}
	return m
}

type reference struct {
	Published struct {
		U   float64 `json:"u_c_nm"`
		Nu  float64 `json:"nu_eff"`
		T   float64 `json:"t99"`
		U99 float64 `json:"U99_nm"`
		U2  float64 `json:"u_c_second_order_nm"`
	} `json:"published"`
	Recomputed struct {
		U   float64 `json:"u_c_nm"`
		U2  float64 `json:"u_c_second_order_nm"`
		Nu  float64 `json:"nu_eff"`
		U99 float64 `json:"U99_nm"`
	} `json:"recomputed_from_unrounded_inputs"`
}

func load(t *testing.T) (r reference) {
	t.Helper()
	b, err := os.ReadFile("../../testdata/uncertainty/gum-h1/gum_h1.json")
	if err == nil {
		err = json.Unmarshal(b, &r)
	}
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func TestGUM_H1(t *testing.T) {
	want := load(t)
	m := h1(false)
	b, err := m.Budget()
	if err != nil {
		t.Fatal(err)
	}
	u, nu, err := b.combine()
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(u*1000-want.Recomputed.U) > 0.01 || math.Round(u*1000) != want.Published.U {
		t.Errorf("u = %.4f nm, want %.4f, published %v", u*1000, want.Recomputed.U, want.Published.U)
	}
	if math.Abs(nu-want.Recomputed.Nu) > 0.01 || math.Floor(nu) != want.Published.Nu || b.Freedom != nu {
		t.Errorf("degrees of freedom %.4f (stated %.4f), want %.4f, published %v", nu, b.Freedom, want.Recomputed.Nu, want.Published.Nu)
	}
	if math.Abs(b.K-2.9207816223499967) > 1e-9 || math.Abs(b.K-want.Published.T) > 0.005 {
		t.Errorf("k = %.10f, published %v", b.K, want.Published.T)
	}
	if U := u * b.K * 1000; math.Abs(U-want.Recomputed.U99) > 0.05 || math.Abs(U-want.Published.U99) > 1 {
		t.Errorf("U99 = %.4f nm, want %.4f, published %v", U, want.Recomputed.U99, want.Published.U99)
	}
	if b.Standard != 317 { // 31.66 nm rounded up to 0.1 nm
		t.Errorf("stated u = %d × 0.1 nm, want 317", b.Standard)
	}
}

func TestGUM_H1_SecondOrder(t *testing.T) {
	want := load(t)
	m := h1(true)
	b, err := m.Budget()
	if err != nil {
		t.Fatal(err)
	}
	u, _, err := b.combine()
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(u*1000-want.Recomputed.U2) > 0.01 || math.Round(u*1000) != want.Published.U2 {
		t.Errorf("u = %.4f nm, want %.4f, published %v", u*1000, want.Recomputed.U2, want.Published.U2)
	}
}

// TestSupplement1_9_5 checks the sampler of this package's Monte Carlo on the
// published one: JCGM 101:2008, 9.5, 36 nm and 745 to 932 nm at 99 %.
func TestSupplement1_9_5(t *testing.T) {
	r := rand.New(rand.NewPCG(101, 95))
	student := func(at, scale, nu float64) float64 {
		return at + scale*r.NormFloat64()/math.Sqrt(distuv.ChiSquared{K: nu, Src: r}.Rand()/nu)
	}
	trapezoid := func(half, doubt float64) float64 { // limits themselves known to ± doubt
		h := half + doubt*(2*r.Float64()-1)
		return h * (2*r.Float64() - 1)
	}
	ys := make([]float64, 400_000)
	for i := range ys {
		ls := student(50000623, 25, 18)
		d := student(215, 6, 24) + student(0, 4, 5) + student(0, 7, 8)
		alpha := 1e-6 * (11.5 + 2*(2*r.Float64()-1))
		theta := -0.1 + 0.2*r.NormFloat64() + 0.5*math.Sin(2*math.Pi*r.Float64())
		dAlpha, dTheta := trapezoid(1e-6, 0.1e-6), trapezoid(0.05, 0.025)
		ys[i] = ls + d - ls*(dAlpha*theta+alpha*dTheta) - 50e6
	}
	mean, sd := moments(ys)
	slices.Sort(ys)
	lo, hi := interval(ys, 0.99)
	if math.Abs(mean-838) > 0.5 || math.Abs(sd-36) > 0.5 || math.Abs(lo-745) > 1 || math.Abs(hi-932) > 1 {
		t.Errorf("mean %.2f, u %.2f, 99 %% from %.1f to %.1f nm; published 838, 36, 745 to 932", mean, sd, lo, hi)
	}
}

// The expansion for many degrees of freedom agrees with the distribution.
func TestStudent(t *testing.T) {
	for _, nu := range []float64{100, 137, 734, 1e4} {
		for _, p := range []float64{0.75, 0.95, (1 + Level2) / 2, 0.995} {
			want := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: nu}.Quantile(p)
			if got := student(p, nu); math.Abs(got-want) > 2e-8 {
				t.Errorf("t of %v at %v degrees of freedom: %.10f, want %.10f", p, nu, got, want)
			}
		}
	}
}
