package capture_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"fairbore/analysis"
	"fairbore/drivers/simulator"
)

// A rock that goes on after its reading, so quickly that no sample of a pass need come
// near the size, is no other place: it is seldom read twice.
func TestRockedOnIsNotReadTwice(t *testing.T) {
	rng := rand.New(rand.NewPCG(31, 1))
	taken, again := 0, 0
	for range 60 {
		p := simulator.Draw(simulator.TwoPoint, simulator.Good, 10, rng)
		p.Turns, p.Half, p.Swing, p.Off, p.Size, p.Rest = 9, 0.9, 3.5*math.Pi/180, 0, 50*analysis.Millimetre, 0
		p.Ragged, p.Uneven, p.Stream.Repeats = 0.05, 0.05, 0
		p.Gauge.Step, p.Gauge.Noise, p.Gauge.Free = analysis.Micrometre/10, 0.1, 700*analysis.Micrometre
		o := options(p, rng)
		points, _ := simulator.Run(p, rng)
		n := len(readings(o, points))
		taken += min(n, 1)
		again += max(0, n-1)
	}
	if again > 6 {
		t.Errorf("%d of 60 places were read twice, want no more than a tenth", again)
	}
	if taken < 30 {
		t.Errorf("%d of 60 rocks were taken, too few to tell", taken)
	}
}
