package form

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// At 0, 60 and 120° the amplitude is (2/3)|Σ d e^2ia| (discrete Fourier
// transform of three). Sizes of an invented thin tube, bored and oval: 44.4160,
// 44.4133, 44.4082 mm.
func TestOvalOfThreeAngles(t *testing.T) {
	d := []float64{16.0, 13.3, 8.2}
	var sum complex128
	for i, v := range d {
		sum += complex(v, 0) * cmplx.Exp(complex(0, 2*float64(i)*math.Pi/3))
	}
	r := Evaluate(bore([]float64{10}, []int{0, 60, 120}, d), gauge)
	near(t, "oval", µm(r.Oval.Value), 2*2.0/3*cmplx.Abs(sum), 5.1e-5)
	// The fit's phase is that of Σ d e^(2ia).
	near(t, "widest", math.Remainder(r.Oval.Widest.Degrees()-cmplx.Phase(sum)/2*180/math.Pi, 180), 0, 1e-3)
	near(t, "range", µm(r.OutOfRound.Value), 7.8, 5e-5)
	near(t, "u of 2A", µm(r.Oval.U), 2*0.15*math.Sqrt(2.0/3), 5.1e-5)
	if got := kinds(r); !slices.Equal(got, []string{"oval 9.1"}) {
		t.Errorf("named %q", got)
	}
}

// An oval comes back from any three angles or more that differ, whatever its
// direction, with the uncertainty that noise gives it.
func TestOvalComesBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		amplitude := rapid.Float64Range(1, 20).Draw(t, "A")
		at := float64(rapid.IntRange(0, 179).Draw(t, "widest"))
		first := rapid.IntRange(0, 359).Draw(t, "first")
		g1, g2 := rapid.IntRange(20, 80).Draw(t, "g1"), rapid.IntRange(20, 80).Draw(t, "g2")
		angles := []int{first, (first + g1) % 360, (first + g1 + g2) % 360}
		d := make([]float64, 3)
		for i, a := range angles {
			d[i] = 3 + amplitude*math.Cos(2*(float64(a)-at)*math.Pi/180)
		}
		r := Evaluate(bore([]float64{10}, angles, d), gauge)
		if r.Oval.N != 3 || math.Abs(µm(r.Oval.Value)-2*amplitude) > 0.01 {
			t.Fatalf("oval %+v, want %g", r.Oval, 2*amplitude)
		}
		if off := math.Remainder(r.Oval.Widest.Degrees()-at, 180); math.Abs(off) > 0.1 {
			t.Fatalf("widest at %s, want %g", r.Oval.Widest, at)
		}
	})
}

func TestOvalUncertainty(t *testing.T) {
	rnd := rand.New(rand.NewPCG(9, 9))
	var sum, u float64
	const trials = 4000
	for range trials {
		d := make([]float64, 3)
		for i, a := range []float64{0, 30, 75} {
			d[i] = 10*math.Cos(2*(a-20)*math.Pi/180) + 0.15*rnd.NormFloat64()
		}
		r := Evaluate(bore([]float64{10}, []int{0, 30, 75}, d), gauge)
		sum += (µm(r.Oval.Value) - 20) * (µm(r.Oval.Value) - 20)
		u = µm(r.Oval.U)
	}
	relative(t, "sd of the oval found", math.Sqrt(sum/trials), u, 0.05)
}

// Two angles show a part of an oval, at 45° to it nothing at all.
func TestOvalOfTwoAnglesIsALowerBound(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		amplitude := rapid.Float64Range(0, 20).Draw(t, "A")
		at := float64(rapid.IntRange(0, 179).Draw(t, "widest"))
		gap := rapid.IntRange(10, 170).Draw(t, "gap")
		d := make([]float64, 2)
		for i, a := range []int{0, gap} {
			d[i] = amplitude * math.Cos(2*(float64(a)-at)*math.Pi/180)
		}
		r := Evaluate(bore([]float64{10}, []int{0, gap}, d), gauge)
		if !r.Oval.AtLeast || r.Oval.N != 2 || µm(r.Oval.Value) > 2*amplitude+0.002 {
			t.Fatalf("at least %+v of %g", r.Oval, 2*amplitude)
		}
	})
	r := Evaluate(bore([]float64{10}, []int{0, 180}, []float64{0, 2}), gauge)
	if r.OutOfRound.Usable { // one diameter, read twice
		t.Errorf("%+v", r.OutOfRound)
	}
	missed := Evaluate(bore([]float64{10}, []int{0, 90}, []float64{0, 0}), gauge) // an oval at 45° reads so
	if missed.Oval.Value != 0 || missed.Oval.Significant {
		t.Errorf("%+v", missed.Oval)
	}
	across := Evaluate(bore([]float64{10}, []int{0, 90}, []float64{4, -4}), gauge)
	if got := kinds(across); !slices.Equal(got, []string{"oval 8.0"}) || !slices.Contains(spoken(across), "⟦form.oval_at_least 8.0 µm 10 mm⟧") {
		t.Errorf("%q, %q", got, spoken(across))
	}
}

func TestOvalNotKnown(t *testing.T) {
	for what, c := range map[string]struct {
		angles []int
		kind   GaugeKind
		why    string
	}{
		"one angle":         {[]int{0}, TwoPoint, "⟦form.why.second_angle⟧"},
		"half a turn apart": {[]int{0, 180}, TwoPoint, "⟦form.why.second_angle⟧"}, // the same diameter
		"too close":         {[]int{0, 3}, TwoPoint, "⟦form.why.apart_90⟧"},
		"three contacts":    {[]int{0, 60, 120}, SelfCentring, "⟦form.why.no_oval ⟦form.gauge.three_contact⟧⟧"},
	} {
		opt := gauge
		opt.Gauge = c.kind
		o := Evaluate(bore([]float64{10}, c.angles, []float64{0, 9, 3}[:len(c.angles)]), opt).Sections[0].Oval
		if o.Usable || o.Significant || coded(o.Why) != c.why {
			t.Errorf("%s: %+v", what, o)
		}
	}
}

// Four lobes are no oval, but two points see them.
func TestFourLobesAreOutOfRound(t *testing.T) {
	angles := []int{0, 45, 90, 135}
	d := make([]float64, 4)
	for i, a := range angles {
		d[i] = 2 * math.Cos(4*float64(a)*math.Pi/180)
	}
	r := Evaluate(bore([]float64{10}, angles, d), gauge)
	if got := kinds(r); !slices.Equal(got, []string{"out_of_round 4.0"}) {
		t.Errorf("named %q", got)
	}
	// An oval smaller than what it does not account for: both are named.
	for i, a := range angles {
		d[i] += 0.5 * math.Cos(2*float64(a)*math.Pi/180)
	}
	if got := kinds(Evaluate(bore([]float64{10}, angles, d), gauge)); !slices.Equal(got, []string{"oval 1.0", "out_of_round 4.5"}) {
		t.Errorf("named %q", got)
	}
}

// Repeats at a place count by their median; all count for the extremes.
func TestRepeatsAtOnePlace(t *testing.T) {
	r := Evaluate(append(column([]float64{5, 5, 5, 45}, 1, 9, 2, 2), column([]float64{5}, 2.5)...), gauge)
	s := r.Sections[0]
	if s.N != 4 || s.Mean != 222_250_000+22_500 || s.Max != 222_250_000+90_000 || r.Largest.Size != s.Max || s.Min != 222_250_000+10_000 {
		t.Errorf("%+v", s)
	}
	near(t, "u of a median of four", µm(s.U), 0.15*math.Sqrt(0.298212), 5.1e-5)
	if r.Taper.Significant {
		t.Errorf("an outlier makes a taper: %+v", r.Taper)
	}
}

// The variances of the median are found by trial.
func TestMedianVariance(t *testing.T) {
	rnd := rand.New(rand.NewPCG(3, 1))
	for n := 1; n <= 12; n++ {
		const trials = 40000
		sum := 0.0
		v := make([]float64, n)
		for range trials {
			for i := range v {
				v[i] = rnd.NormFloat64()
			}
			slices.Sort(v)
			m := (v[(n-1)/2] + v[n/2]) / 2
			sum += m * m
		}
		got := medianVariance(n)
		if n <= 8 {
			relative(t, "variance of a median", sum/trials, got, 0.04)
		} else if bound := sum / trials; got < bound*0.97 || got > bound*1.3 {
			t.Errorf("n %d: %g, found %g", n, got, bound)
		}
	}
}

// The range of n readings of nothing stays within the bound 19 times in 20.
func TestRangeOfNothing(t *testing.T) {
	rnd := rand.New(rand.NewPCG(8, 1))
	for _, n := range []int{2, 3, 5, 8, 12, 24, 48} {
		const trials = 20000
		beyond := 0
		for range trials {
			low, high := math.Inf(1), math.Inf(-1)
			for range n {
				v := rnd.NormFloat64()
				low, high = min(low, v), max(high, v)
			}
			if high-low > noiseRange(n) {
				beyond++
			}
		}
		near(t, "share beyond", float64(beyond)/trials, 0.05, 0.012)
	}
}
