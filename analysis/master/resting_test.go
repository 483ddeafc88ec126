package master

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"fairbore/analysis"
)

// shown rounds µm to a display's step.
func shown(um, step float64) analysis.Length {
	l, err := analysis.FromMicrometres(math.Round(um/step) * step)
	if err != nil {
		panic(err)
	}
	return l
}

// rest plays n samples of a gauge at rest and returns what was measured.
func rest(rng *rand.Rand, n int, sd, step float64, more func(i int) float64) (analysis.RestNoise, bool) {
	r := Resting{Step: analysis.Deviation(shown(step, step))}
	at := 20 * rng.Float64()
	for i := range n {
		r.Feed(time.Duration(i)*50*time.Millisecond, shown(31750+at*step+sd*rng.NormFloat64()+more(i), step))
	}
	return r.Noise()
}

func still(int) float64 { return 0 }

// The noise that went in comes out, by whatever steps the display goes; where it is far
// below the step, only that it is.
func TestNoiseOfAGaugeAtRest(t *testing.T) {
	rng := rand.New(rand.NewPCG(17, 6))
	for _, step := range []float64{0.1, 0.5, 1, 2.54} {
		for _, sd := range []float64{0.05, 0.1, 0.15, 0.3, 0.6} {
			var sum, n float64
			for range 100 {
				got, ok := rest(rng, 100, sd, step, still)
				if !ok || got.Samples < 88 {
					t.Fatalf("step %g, sd %g: %+v, %v", step, sd, got, ok)
				}
				sum, n = sum+analysis.Length(got.SD).Micrometres(), n+1
			}
			mean := sum / n
			switch {
			case sd >= 0.3*step && math.Abs(mean/sd-1) > 0.12:
				t.Errorf("step %g: %.3f µm in the mean, is %g", step, mean, sd)
			case sd < 0.3*step && mean > max(0.3*step, 1.3*sd):
				t.Errorf("step %g: %.3f µm in the mean, is %g", step, mean, sd)
			}
		}
	}
}

func TestNoiseLeavesOutWhatIsWild(t *testing.T) {
	rng := rand.New(rand.NewPCG(17, 7))
	got, ok := rest(rng, 120, 0.15, 0.1, func(i int) float64 {
		if i%30 == 7 {
			return 40
		}
		return 0
	})
	if sd := analysis.Length(got.SD).Micrometres(); !ok || math.Abs(sd-0.15) > 0.04 {
		t.Errorf("%+v, %v", got, ok)
	}
}

// A gauge that averages has samples that follow each other: the scatter that they have is found.
func TestNoiseOfAnAveragingGauge(t *testing.T) {
	rng := rand.New(rand.NewPCG(17, 8))
	var sum float64
	for range 50 {
		var last [5]float64 // 100 ms at 50 a second
		got, ok := rest(rng, 400, 0, 0.1, func(i int) float64 {
			last[i%5] = 0.3 * math.Sqrt(5) * rng.NormFloat64()
			return (last[0] + last[1] + last[2] + last[3] + last[4]) / 5
		})
		if !ok {
			t.Fatal("nothing measured")
		}
		sum += analysis.Length(got.SD).Micrometres() / 50
	}
	if sum < 0.2 || sum > 0.33 { // 24 samples that follow each other hold 0.25 of it
		t.Errorf("%.3f µm in the mean, is 0.3", sum)
	}
}

// What swings, drifts or comes now and then is no rest.
func TestNoiseNeedsRest(t *testing.T) {
	rng := rand.New(rand.NewPCG(17, 9))
	for name, more := range map[string]func(int) float64{
		"rocked": func(i int) float64 { z := 20 * math.Sin(float64(i)*0.31); return z * z / 4 },
		"sways":  func(i int) float64 { return 3 * math.Sin(float64(i)*0.12) },
		"drifts": func(i int) float64 { return 0.1 * float64(i) },
	} {
		if got, ok := rest(rng, 400, 0.1, 0.1, more); ok {
			t.Errorf("%s: %+v", name, got)
		}
	}
	r := Resting{Step: 1000}
	for i := range 400 {
		r.Feed(time.Duration(i)*2*time.Second, 317_500_000)
	}
	if got, ok := r.Noise(); ok {
		t.Errorf("a value every two seconds: %+v", got)
	}
	for i := range 400 {
		r.Feed(time.Hour+time.Duration(i)*50*time.Millisecond, 317_500_000)
		if i%20 == 19 {
			r.Break()
		}
	}
	if got, ok := r.Noise(); ok {
		t.Errorf("rests of 20 samples: %+v", got)
	}
}

func BenchmarkResting(b *testing.B) {
	rng := rand.New(rand.NewPCG(1, 2))
	r := Resting{Step: 1000}
	var v [256]analysis.Length
	for i := range v {
		v[i] = shown(31750+0.15*rng.NormFloat64(), 0.1)
	}
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		r.Feed(time.Duration(i)*50*time.Millisecond, v[i%len(v)])
	}
}
