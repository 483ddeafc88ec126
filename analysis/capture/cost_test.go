package capture_test

import (
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/capture"
	"fairbore/drivers/simulator"
)

// What a sample costs over the visits of the score, good and bad, for each step of
// the display and two rates, with what is spent in free air. A shared machine wants the time of the processor: user
// time of 21 rounds less that of one, over 20 rounds. So measured it is 1.6 to 2.0 µs a sample for all of them.
func BenchmarkTurning(b *testing.B) { cost(b, simulator.TwoPoint) }

func BenchmarkThreePoint(b *testing.B) { cost(b, simulator.ThreePoint) }

func BenchmarkAir(b *testing.B) { cost(b, simulator.Air) }

func cost(b *testing.B, contact simulator.Contact) {
	for _, rate := range []float64{20, 50} {
		for _, step := range []analysis.Length{analysis.Micrometre / 10, analysis.Micrometre / 2, analysis.Micrometre, 2 * analysis.Micrometre, 100 * analysis.MicroInch} {
			b.Run(fmt.Sprintf("%g/%.2f", rate, step.Micrometres()), func(b *testing.B) {
				rng := rand.New(rand.NewPCG(9, 10))
				var captures []capture.Capture
				var visits [][]capture.Sample
				samples := 0
				for range 100 {
					p := draw(contact, rate, rng)
					p.Gauge.Step = step
					o := options(p, rng)
					points, _ := simulator.Run(p, rng)
					var visit []capture.Sample
					for _, q := range points {
						visit = append(visit, capture.Sample{At: q.T, Value: analysis.Length(q.Value)})
					}
					captures, visits = append(captures, newCapture(b, o)), append(visits, visit)
					samples += len(visit)
				}
				b.ReportAllocs()
				for at := time.Duration(0); b.Loop(); at += time.Minute { // silence begins a visit anew
					for i, c := range captures {
						for _, s := range visits[i] {
							s.At += at
							c.Feed(s)
						}
					}
				}
				b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*samples), "ns/sample")
			})
		}
	}
}
