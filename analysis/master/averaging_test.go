package master

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"fairbore/analysis"
)

const ms = time.Millisecond

// A pass through square, filtered step by step, is too large by the square of its speed
// times what Square gives: worked out here on a fine grid of time, with no formula.
func TestSquareIsWhatTheFiltersAdd(t *testing.T) {
	const dt, v = 2e-5, 40.0 // s, √µm/s: 1600 µm/s²
	for _, s := range []Smoothing{{Averages: 100 * ms}, {Lag: 20 * ms}, {Averages: 60 * ms, Lag: 30 * ms}, {}} {
		window := make([]float64, max(1, int(math.Round(s.Averages.Seconds()/dt))))
		sum, lagged, smallest := 0.0, 0.0, math.Inf(1)
		for i := range 50_000 { // 1 s, square at its middle
			z := v * (float64(i)*dt - 0.5)
			k := i % len(window)
			sum += z*z - window[k]
			window[k] = z * z
			mean := sum / float64(len(window))
			if lagged += (mean - lagged) * min(1, dt/max(s.Lag.Seconds(), dt)); i > len(window) && i > 15_000 {
				smallest = min(smallest, lagged)
			}
		}
		if want := v * v * s.Square(); math.Abs(smallest-want) > 0.002+0.005*want {
			t.Errorf("%+v: %.4f µm too large, want %.4f", s, smallest, want)
		}
	}
}

// played draws a reading of four passes with a gauge of that q, whose sizes scatter by
// 0.3 µm, and returns its sums.
func played(rng *rand.Rand, q float64) (spread, slope float64) {
	const u = 0.3
	var m, s [4]float64
	var mean, size float64
	for j := range m {
		m[j] = 1600 * math.Exp(0.3*rng.NormFloat64())
		s[j] = m[j]*q + u*rng.NormFloat64()
		mean, size = mean+m[j]/4, size+s[j]/4
	}
	for j := range m {
		spread += (m[j] - mean) * (m[j] - mean) / (u * u)
		slope += (m[j] - mean) * (s[j] - size) / (u * u)
	}
	return spread, slope
}

func TestAveragingIsLearned(t *testing.T) {
	rng := rand.New(rand.NewPCG(17, 3))
	for _, s := range []Smoothing{{}, {Averages: 50 * ms}, {Averages: 100 * ms}, {Lag: 50 * ms}} {
		var squares float64
		const runs = 400
		for range runs {
			var a analysis.Averaging
			for range 30 {
				a.Add(played(rng, s.Square()))
			}
			q, u, ok := a.Square()
			if !ok {
				t.Fatal("nothing learned")
			}
			squares += (q - s.Square()) * (q - s.Square()) / (u * u) / runs
		}
		if rms := math.Sqrt(squares); rms < 0.85 || rms > 1.05 { // 0.92 ± 0.035: a scatter below what is claimed is not believed
			t.Errorf("%+v: rms of error over u %.3f", s, rms)
		}
	}
}

// Readings with slips among their passes scatter more than they claim: what is said of the
// estimate grows with them.
func TestAveragingWithSlips(t *testing.T) {
	rng := rand.New(rand.NewPCG(17, 13))
	var squares float64
	const runs = 300
	for range runs {
		var a analysis.Averaging
		for range 100 {
			spread, slope := played(rng, 0)
			if rng.Float64() < 0.1 {
				slope += 8 * math.Sqrt(spread) * rng.NormFloat64()
			}
			a.Add(spread, slope)
		}
		q, u, _ := a.Square()
		squares += q * q / (u * u) / runs
	}
	if rms := math.Sqrt(squares); rms < 0.85 || rms > 1.15 {
		t.Errorf("rms of error over u %.3f", rms)
	}
}

// A filter that is changed at the gauge shows within some thousands of readings, and the
// uncertainty never claims more than what is remembered.
func TestAveragingForgets(t *testing.T) {
	rng := rand.New(rand.NewPCG(17, 4))
	var a analysis.Averaging
	for range 5000 {
		a.Add(played(rng, 0))
	}
	if a.Spread > 1.44e10*(1+1e-5) {
		t.Errorf("spread %g", a.Spread)
	}
	want := Smoothing{Averages: 100 * ms}.Square()
	for range 5000 {
		a.Add(played(rng, want))
	}
	if q, _, _ := a.Square(); math.Abs(q-want) > 0.05*want {
		t.Errorf("q %g after the change, want %g", q, want)
	}
}

func TestAveragingTakesNothingBroken(t *testing.T) {
	a := analysis.Averaging{Spread: 1e9, Slope: 1e5}
	for _, x := range [][2]float64{{0, 1}, {-1, 1}, {math.NaN(), 1}, {math.Inf(1), 1}, {1, math.NaN()}, {1, math.Inf(-1)}} {
		a.Add(x[0], x[1])
	}
	if want := (analysis.Averaging{Spread: 1e9, Slope: 1e5}); a != want {
		t.Errorf("%+v", a)
	}
}

// Over gauges drawn as the assumption says, the mean of q² is the mean of the square of
// what is used for its uncertainty: the property of a posterior. An estimate below 0 that
// counts as 0 puts it on the safe side, by little.
func TestUnknownIsHonest(t *testing.T) {
	rng := rand.New(rand.NewPCG(17, 5))
	most := Smoothing{Averages: UsualAveraging}.Square()
	if u, measured := UnknownSmoothing(analysis.Averaging{}); math.Abs(u-most/math.Sqrt(3)) > 1e-12 || measured {
		t.Errorf("of nothing: %g, %v", u, measured)
	}
	for _, u := range []float64{10 * most, most, most / 4, most / 20, most / 200} { // of the readings' estimate
		var is, said float64
		for range 20_000 {
			q := most * rng.Float64()
			got, _ := UnknownSmoothing(analysis.Averaging{Spread: 1 / (u * u), Slope: (q + u*rng.NormFloat64()) / (u * u)})
			is, said = is+q*q, said+got*got
		}
		if ratio := is / said; ratio < 0.85 || ratio > 1.03 {
			t.Errorf("estimate to %g: mean of q² is %.3f of what is said", u, ratio)
		}
	}
	if u, measured := UnknownSmoothing(analysis.Averaging{Spread: 1 / (most * most), Slope: 100 / most}); measured || !(u > 0.98*most && u <= most) { // few readings, far off by chance
		t.Errorf("u %g, want %g at most: %v", u, most, measured)
	}
	slow := Smoothing{Averages: 300 * ms}.Square() // beyond what was assumed
	if u, measured := UnknownSmoothing(analysis.Averaging{Spread: 1e10, Slope: 1e10 * slow}); math.Abs(u/slow-1) > 0.01 || !measured {
		t.Errorf("u %g, want %g", u, slow)
	}
}

func TestDiffers(t *testing.T) {
	learned := func(averages, lag time.Duration) analysis.Averaging {
		const spread = 1e10 // u is 1e-5 s²
		return analysis.Averaging{Spread: spread, Slope: spread * Smoothing{Averages: averages, Lag: lag}.Square()}
	}
	for _, c := range []struct {
		is   analysis.Averaging
		now  Smoothing
		want string
	}{
		{learned(98*ms, 0), Smoothing{}, "⟦master.averages 98 ms averages: 100 ms⟧"},
		{learned(98*ms, 0), Smoothing{Averages: 100 * ms, Stated: true}, ""},
		{learned(98*ms, 0), Smoothing{Stated: true}, "⟦master.averages_otherwise averages: 0 ms averages: 100 ms⟧"},
		{learned(0, 0), Smoothing{Averages: 100 * ms, Stated: true}, "⟦master.averages_otherwise averages: 100 ms averages: 0 ms⟧"},
		{learned(0, 50*ms), Smoothing{Lag: 20 * ms, Stated: true}, "⟦master.averages_otherwise lag: 20 ms lag: 50 ms⟧"},
		{learned(80*ms, 20*ms), Smoothing{Averages: 40 * ms, Lag: 20 * ms, Stated: true}, "⟦master.averages_otherwise averages: 40 ms, lag: 20 ms averages: 80 ms, lag: 20 ms⟧"},
		{learned(15*ms, 0), Smoothing{}, ""},
		{analysis.Averaging{Spread: 1e6, Slope: 1e6 * Smoothing{Averages: 98 * ms}.Square()}, Smoothing{}, ""}, // not sure
		{analysis.Averaging{Spread: 1e10, Slope: -1e7}, Smoothing{}, ""},
		{analysis.Averaging{}, Smoothing{}, ""},
	} {
		if got := coded(SmoothingDiffers(c.is, c.now)); got != c.want {
			t.Errorf("%+v, stated %+v: %q, want %q", c.is, c.now, got, c.want)
		}
	}
}

// rocks draws readings, slow and fast, of a gauge that smooths as it is and is corrected as stated.
func rocks(rng *rand.Rand, is, now Smoothing, slow, fast float64) (out []RockedReading) {
	for i := range 6 {
		m := slow
		if i >= 3 {
			m = fast
		}
		m *= math.Exp(0.1 * rng.NormFloat64())
		size, err := analysis.FromMicrometres(31750 + m*(is.Square()-now.Square()) + 0.1*rng.NormFloat64())
		if err != nil {
			panic(err)
		}
		out = append(out, RockedReading{Size: size, U: analysis.Deviation(analysis.Micrometre) / 10, Motion: m})
	}
	return out
}

func TestCompareSpeeds(t *testing.T) {
	um := analysis.Deviation(analysis.Micrometre)
	for _, c := range []struct {
		is, now    Smoothing
		fast       float64
		told, good bool
		want       string // the code, and the beginning of what is to be stated
	}{
		{Smoothing{Averages: 100 * ms}, Smoothing{}, 5000, true, false, "master.speeds.large averages: "},
		{Smoothing{Averages: 100 * ms}, Smoothing{Averages: 100 * ms, Stated: true}, 5000, true, true, "master.speeds.good_with averages: 100 ms"},
		{Smoothing{}, Smoothing{}, 5000, true, true, "master.speeds.good"},
		{Smoothing{}, Smoothing{Averages: 100 * ms, Stated: true}, 5000, true, false, "master.speeds.too_much averages: "},
		{Smoothing{Lag: 50 * ms}, Smoothing{Lag: 20 * ms, Stated: true}, 5000, true, false, "master.speeds.large lag: "},
		{Smoothing{Averages: 100 * ms}, Smoothing{}, 600, false, false, "master.speeds.alike"},
		{Smoothing{}, Smoothing{}, 1000, false, false, "master.speeds.open"},
	} {
		const seeds = 400
		wrong := 0
		for seed := range uint64(seeds) {
			s := CompareSpeeds(rocks(rand.New(rand.NewPCG(17, seed)), c.is, c.now, 400, c.fast), 3, c.now, um/10)
			if s.Told != c.told || s.Good != c.good || !says(s.Sentence, c.want) {
				wrong++
			}
			if want := c.is.Averages.Seconds(); want > 0 && s.Told && math.Abs(s.Averages-want) > 4.5*s.AveragesU {
				t.Errorf("%+v, seed %d: averages %.4f ± %.4f s", c.is, seed, s.Averages, s.AveragesU)
			}
		}
		if wrong > seeds*3/100 { // three standard deviations are exceeded by 0.3 %, and an estimate near a limit may fall on its other side
			t.Errorf("%+v, stated %+v: %d of %d are not %q", c.is, c.now, wrong, seeds, c.want)
		}
	}
	if s := CompareSpeeds(nil, 0, Smoothing{}, um); s.Told || s.Sentence.IsZero() {
		t.Errorf("of nothing: %+v", s)
	}
}
