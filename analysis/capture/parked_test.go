package capture_test

import (
	"math/rand/v2"
	"testing"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/capture"
)

// A gauge that is parked tilted is not rocked, however much it scatters and however small the bore: nothing is taken, and it is not
// said to have turned back.
func TestTurningNoiseIsNoRock(t *testing.T) {
	const rate = 25
	for _, sd := range []float64{0.15, 0.3, 0.6} {
		for n := range uint64(10) {
			rng := rand.New(rand.NewPCG(75, n))
			nominal := mm(t, []string{"6", "10", "15", "25"}[n%4])
			c := newCapture(t, capture.Options{Mode: capture.Turning, Nominal: nominal, Tip: analysis.Millimetre,
				Repeatability: analysis.Deviation(0.75 * sd * float64(um))}) // the data sheet is right to a quarter
			for i := range 60 * rate {
				v := nominal + 8*um + analysis.Length(sd*rng.NormFloat64()*float64(um))
				for _, r := range c.Feed(capture.Sample{At: time.Duration(i) * time.Second / rate, Value: v}) {
					if r.Kind == capture.Taken {
						t.Errorf("%s, %g µm: took %s ± %d after %s", nominal, sd, r.Value, r.U, r.At)
					}
				}
				if p := c.Progress(); p.Hint == capture.OneSide {
					t.Errorf("%s, %g µm: said that it turned back after %d samples", nominal, sd, i)
					break
				}
			}
		}
	}
}
