package uncertainty

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"fairbore/analysis"
)

func moments(ys []float64) (mean, sd float64) {
	for _, y := range ys {
		mean += y
	}
	mean /= float64(len(ys))
	for _, y := range ys {
		sd += (y - mean) * (y - mean)
	}
	return mean, math.Sqrt(sd / float64(len(ys)-1))
}

// interval is the probabilistically symmetric coverage interval of sorted
// values (JCGM 101:2008, 7.7).
func interval(sorted []float64, level float64) (lo, hi float64) {
	n := float64(len(sorted))
	return sorted[int((1-level)/2*n)], sorted[int((1+level)/2*n)]
}

// tolerance is the numerical tolerance δ of a standard uncertainty given to so
// many significant digits: half a unit of the last one (JCGM 101:2008, 7.9.2).
func tolerance(u float64, digits int) float64 {
	l := int(math.Floor(math.Log10(u))) - digits + 1
	return math.Pow10(l) / 2
}

// sampleBore draws the error of one size from the model itself, not from its
// linear form: sizes at temperature by the exact factors 1 + α θ.
func sampleBore(r *rand.Rand, in BoreInput) float64 {
	rect := func(half float64) float64 { return half * (2*r.Float64() - 1) }
	d := in.Size.Micrometres()
	k := in.RingK
	if k == 0 {
		k = 2
	}
	alphaR := 1e-6 * (in.Ring.Alpha + in.Ring.U*r.NormFloat64())
	alphaP := 1e-6 * (in.Part.Alpha + in.Part.U*r.NormFloat64())
	thetaR := in.RingFrom20.Degrees() + rect(in.RingWithin.Degrees())
	thetaP := thetaR + in.PartFromRing.Degrees() + rect(in.PartWithin.Degrees())
	// What the true size at 20 °C is, given that the part looked as large as
	// its estimated temperature would make a part of size d.
	ring := d + um(in.RingU)/k*r.NormFloat64()
	gauged := d*(1+1e-6*in.Part.Alpha*(in.RingFrom20+in.PartFromRing).Degrees()) - d*(1+1e-6*in.Ring.Alpha*in.RingFrom20.Degrees())
	gauged += um(in.Repeat) / math.Sqrt(float64(in.Readings)) * r.NormFloat64()
	if in.Master > 0 {
		gauged -= um(in.Repeat) / math.Sqrt(float64(in.Master)) * r.NormFloat64()
	}
	gauged += rect(um(in.Drift)) + rect(um(in.Resolution)/2) + rect(um(in.Indentation)) + um(in.Contact)*r.NormFloat64()
	return (ring*(1+alphaR*thetaR)+gauged)/(1+alphaP*thetaP) - d
}

// tube is an aluminium tube, warm, thermometer to ±0.5 K (invented).
func tube() BoreInput {
	const µ = analysis.Deviation(analysis.Micrometre)
	return BoreInput{
		Size: 44.45 * 10_000_000, RingU: 3 * µ / 10, Repeat: µ / 5, Readings: 1, Master: 5, Drift: 3 * µ / 10, Contact: µ / 20, Resolution: µ / 10, Indentation: µ / 3,
		Ring: Expansion{11.5, 0.6}, Part: Expansion{23.6, 0.7}, RingFrom20: 2 * analysis.Celsius, RingWithin: analysis.Celsius / 2, PartFromRing: 3 * analysis.Celsius, PartWithin: analysis.Celsius / 2,
	}
}

// TestMonteCarlo validates the budgets as JCGM 101:2008, 8.1 says: the ends of
// the coverage interval agree within δ of the standard uncertainty. δ is that
// of one significant digit for the interval: with rectangular terms as large as
// the temperature's, k = 2 is on the safe side by 2 to 3 %. The standard
// uncertainty itself agrees to two digits.
func TestMonteCarlo(t *testing.T) {
	tube := tube()
	unknown := tube // no thermometer at all: the second order matters
	unknown.RingFrom20, unknown.PartFromRing, unknown.RingWithin, unknown.PartWithin = 0, 0, 3*analysis.Celsius, analysis.Celsius
	for name, in := range map[string]BoreInput{"sleeve": sleeve(), "tube": tube, "no thermometer": unknown} {
		t.Run(name, func(t *testing.T) {
			b, err := Bore(in)
			if err != nil {
				t.Fatal(err)
			}
			r := rand.New(rand.NewPCG(7, 14253))
			ys := make([]float64, 300_000)
			for i := range ys {
				ys[i] = sampleBore(r, in)
			}
			mean, sd := moments(ys)
			slices.Sort(ys)
			lo, hi := interval(ys, Level2)
			u, U := um(b.Standard), um(b.Expanded)
			if d := tolerance(u, 2); math.Abs(sd-u) > d || math.Abs(mean) > d {
				t.Errorf("u = %.4f µm, Monte Carlo %.4f about %.4f; δ = %.4f", u, sd, mean, d)
			}
			if d := tolerance(u, 1); math.Abs(-U-lo) > d || math.Abs(U-hi) > d {
				t.Errorf("U = %.4f µm, Monte Carlo %.4f to %.4f; δ = %.4f", U, lo, hi, d)
			}
			if hi > U || lo < -U {
				t.Errorf("U = %.4f µm is less than the Monte Carlo's %.4f to %.4f", U, lo, hi)
			}
		})
	}
}
