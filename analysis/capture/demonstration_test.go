package capture_test

import (
	"math/rand/v2"
	"strings"
	"testing"

	"fairbore/analysis"
	"fairbore/analysis/capture"
	"fairbore/drivers/simulator"
)

// Every job of the demonstration, streamed and rocked: each visit gives one
// reading, of the ring or of the place that its table says, and none is left out.
func TestDemonstrationJobs(t *testing.T) {
	for _, j := range simulator.Jobs() {
		c := newCapture(t, capture.Options{Mode: capture.Turning, Nominal: analysis.Length(j.Nominal), Tip: analysis.Length(j.Gauge.Tip),
			Repeatability: analysis.Deviation(j.Gauge.Noise * float64(um)), Resolution: analysis.Deviation(j.Gauge.Step)})
		visits, missed := 0, 0
		for s := range j.Session(simulator.Play{}, rand.New(rand.NewPCG(11, 11))) {
			if s.Act == simulator.Honing {
				continue
			}
			visits++
			var samples []capture.Sample
			for _, chunk := range s.Frames {
				l, err := analysis.ParseLength(strings.TrimSpace(string(chunk.Bytes)))
				if err != nil {
					t.Fatal(err)
				}
				samples = append(samples, capture.Sample{At: chunk.At, Value: l})
			}
			got := all(c, samples, capture.Taken)
			switch {
			case len(got) == 0:
				missed++
			case len(got) > 1 || (got[0].Value-analysis.Length(s.Size)).Abs() > um/2:
				t.Errorf("%s %v round %d %v: %+v, want one reading of %d", j.ID, s.Act, s.Round, s.Place, got, s.Size)
			}
		}
		if missed > 0 {
			t.Errorf("%s: %d of %d visits gave no reading", j.ID, missed, visits)
		}
	}
}
