package session

import (
	"math/rand/v2"
	"testing"

	"fairbore/analysis"
	"fairbore/drivers"
	"fairbore/drivers/simulator"
)

// simulated makes the settings for a job of the demo's shop.
func simulated(j *simulator.Job) Settings {
	job := &analysis.Job{
		ID: j.ID, Title: j.Title, Unit: analysis.MM, Face: "front", Nominal: analysis.Length(j.Nominal),
		Limits: analysis.Limits{Low: analysis.Length(j.Low), High: analysis.Length(j.High), Target: analysis.Length(j.Low+j.High) / 2},
		Band:   analysis.Deviation(200 * um), Length: analysis.Length(j.Length), Ring: j.Ring.ID,
	}
	for _, d := range j.Depths {
		job.Sections = append(job.Sections, analysis.Length(d))
	}
	for _, a := range j.Angles {
		job.Orientations = append(job.Orientations, analysis.Angle(a)*analysis.Degree)
	}
	return Settings{
		Station: "bay", Jobs: map[string]*analysis.Job{j.ID: job},
		Rings: map[string]*analysis.Ring{j.Ring.ID: {ID: j.Ring.ID, Size: analysis.Length(j.Ring.Size), U: analysis.Deviation(um / 4)}},
		Gauge: GaugeSettings{
			Name: j.Gauge.ID, Unit: analysis.MM, Tip: analysis.Length(j.Gauge.Tip), Step: analysis.Deviation(j.Gauge.Step),
			Repeatability: analysis.Deviation(j.Gauge.Noise * float64(um)),
		},
		Capture: CaptureSettings{Mode: "turning"},
		Master:  MasterSettings{Readings: 4, Spread: analysis.Deviation(um)},
	}
}

// A whole part of every job of the demo's shop, from mastering through all rounds,
// is gauged by the motion of the gauge alone: each place of each round is taken
// once, within a micrometre of its true size, and nothing else is.
func TestWholePartWithoutAKey(t *testing.T) {
	for _, job := range simulator.Jobs() {
		t.Run(job.ID, func(t *testing.T) {
			b := newBench(t, simulated(&job))
			b.must(Action{Do: "job", Job: job.ID})
			b.must(Action{Do: "part", Part: "001"})
			b.must(Action{Do: "master"})
			dec := mustLine(t)
			stream := drivers.Stream{Decoder: dec}
			start := b.now
			rng := rand.New(rand.NewPCG(11, 4))
			var want []int64
			for step := range job.Session(simulator.Play{Masterings: 4, Zero: 3 * simulator.Micrometre / 10}, rng) {
				if step.Act == simulator.Measure {
					want = append(want, step.Size)
				}
				for _, c := range step.Chunks {
					b.now = Stamp{Wall: start.Wall.Add(c.At), Mono: start.Mono + c.At}
					stream.Feed(c.Bytes, false, func(f drivers.Found) {
						if f.Reject == "" {
							b.keep(b.Sample(b.now, job.Gauge.ID, f.Samples))
						}
					})
				}
			}
			readings := taken(b.all)
			if n := questions(b.all); n != 0 {
				t.Errorf("%d readings of an ordinary job are asked about", n)
			}
			if len(readings) != len(want) {
				t.Fatalf("%d readings, want %d", len(readings), len(want))
			}
			plan := b.Fold().Job.Plan()
			for i, r := range readings {
				if off := (r.Size - analysis.Length(want[i])).Abs(); off > um || r.Place != plan[i%len(plan)] || r.Round != i/len(plan) {
					t.Errorf("reading %d at %s in round %d is %s off", i, r.Place, r.Round, off)
				}
			}
		})
	}
}

func taken(events []Event) (out []*Reading) {
	for i := range events {
		if events[i].Kind == Taken {
			out = append(out, events[i].Reading)
		}
	}
	return out
}

func mustLine(t *testing.T) drivers.Decoder {
	t.Helper()
	d, err := drivers.Find("line")
	if err != nil {
		t.Fatal(err)
	}
	dec, err := d.Decoder(nil)
	if err != nil {
		t.Fatal(err)
	}
	return dec
}
