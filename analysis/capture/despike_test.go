package capture

import (
	"math"
	"testing"
)

// A wild value is taken out wherever it comes, sent once or twice, and those beside it stay.
func TestDespike(t *testing.T) {
	const s = 0.2
	shown := func(i int) float64 { // two swings a second of ±3° in a bore of 25 mm, at 25 values a second
		tilt := 3 * math.Pi / 180 * math.Cos(math.Pi*float64(i)/12.5)
		return math.Round(21e3*(1/math.Cos(tilt)-1)*10) / 10
	}
	const n = 50
	for at := 5; at < n-5; at++ {
		for _, wild := range []float64{-30, 30} {
			for _, times := range []int{1, 2} {
				var d despike
				got := map[float64]float64{}
				for i := range n {
					x := sample{float64(i), shown(i)}
					if i >= at && i < at+times {
						x.v = shown(at) + wild
					}
					if x, ok := d.push(x, s); ok {
						got[x.t] = x.v
					}
				}
				for i := range n - 2 {
					v, ok := got[float64(i)]
					bad := i >= at && i < at+times
					if ok == bad || ok && v != shown(i) {
						t.Errorf("%g µm at %d, %d times: sample %d of %g µm came out as %g, %v", wild, at, times, i, shown(i), v, ok)
					}
				}
			}
		}
	}
}
