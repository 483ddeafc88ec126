package session

import (
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/capture"
	"fairbore/analysis/material"
	"fairbore/daemon/event"
	"fairbore/daemon/state"
	"fairbore/drivers"
	"fairbore/drivers/simulator"
)

// simulated makes the settings for a job of the demo's shop.
func simulated(j *simulator.Job) state.Settings {
	job := j.Job
	job.Unit = analysis.MM
	if _, err := material.Find(job.Material); err != nil {
		job.Material = "tool steel"
	}
	return state.Settings{
		Station: "bay", Jobs: map[string]*analysis.Job{j.ID: &job}, Rings: map[string]*analysis.Ring{j.Ring: &j.Master},
		Settings: event.Settings{Gauge: state.GaugeSettings{
			Name: j.Gauge.ID, Unit: analysis.MM, Tip: j.Gauge.Tip, Step: analysis.Deviation(j.Gauge.Step),
			Repeatability: analysis.Deviation(j.Gauge.Noise * float64(um)),
		},
			Capture: state.CaptureSettings{Mode: "turning"},
			Master:  state.MasterSettings{Readings: 4, Spread: analysis.Deviation(um)}},
	}
}

// A whole part of every job of the demo's shop, from mastering through all rounds,
// is gauged by the motion of the gauge alone: each place of each round is taken
// once, within a micrometre of its true size, and nothing else is.
func TestWholePartWithoutAKey(t *testing.T) {
	for _, job := range simulator.Jobs() {
		t.Run(job.ID, func(t *testing.T) {
			b := newBench(t, simulated(&job))
			b.must(event.Action{Do: "job", Job: job.ID})
			b.must(event.Action{Do: "part", Part: "001"})
			b.must(event.Action{Do: "master"})
			dec := mustLine(t)
			stream := drivers.Stream{Decoder: dec}
			start := b.now
			rng := rand.New(rand.NewPCG(11, 4))
			var want []analysis.Length
			for step := range job.Session(simulator.Play{Masterings: 4, Zero: 3 * analysis.Micrometre / 10}, rng) {
				if step.Act == simulator.Measure {
					want = append(want, step.Size)
				}
				for _, c := range step.Frames {
					b.now = drivers.Moment{Wall: start.Wall.Add(c.At), Mono: start.Mono + c.At}
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
				if off := (r.Size - want[i]).Abs(); off > um || r.Place != plan[i%len(plan)] || r.Round != i/len(plan) {
					t.Errorf("reading %d at %s in round %d is %s off", i, r.Place, r.Round, off)
				}
			}
		})
	}
}

func taken(events []event.Event) (out []*event.Reading) {
	for i := range events {
		if events[i].Kind == event.Taken {
			out = append(out, events[i].Reading)
		}
	}
	return out
}

func mustLine(t testing.TB) drivers.Decoder {
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

// heedless is a capture that is told nothing of what is expected.
type heedless struct{ capture.Capture }

func (heedless) Expect(analysis.Length, analysis.Deviation) {}

// BenchmarkExpecting plays the rounds of the demo's two-point jobs, rocked by families of
// hands that stop at the tone, with and without what is expected told to the capture; once
// with hands that swing well only, once with every second visit from hands that come to
// square late or never, slip or bring grit. It reports the readings, those beyond 1 µm and
// those asked about, the passes that a reading took, and the seconds.
func BenchmarkExpecting(b *testing.B) {
	well := simulator.Families()[:simulator.Process+1]
	ill := []simulator.Family{simulator.NeverEqual, simulator.NeverScattered, simulator.OnChamfer, simulator.TurnsOnce, simulator.Fumbling, simulator.Gritty}
	for _, mixed := range []bool{false, true} {
		for _, told := range []bool{false, true} {
			b.Run(fmt.Sprintf("ill=%t/told=%t", mixed, told), func(b *testing.B) {
				for b.Loop() {
					var x expected
					for _, job := range simulator.Jobs() {
						for seed := uint64(401); seed < 409 && job.Gauge.Contact == simulator.TwoPoint; seed++ {
							rng := rand.New(rand.NewPCG(seed, 4))
							x.play(b, &job, told, rng, func() []simulator.Family {
								if mixed && rng.Float64() < 0.5 {
									return ill
								}
								return well
							})
						}
					}
					n := float64(x.readings)
					b.ReportMetric(n, "readings")
					b.ReportMetric(float64(x.visits), "visits")
					b.ReportMetric(float64(x.far), "beyond_1µm")
					b.ReportMetric(float64(x.asked), "asked")
					b.ReportMetric(float64(x.farAsked), "asked_beyond_1µm")
					b.ReportMetric(float64(x.passes)/n, "passes/reading")
					b.ReportMetric(x.seconds/n, "s/reading")
				}
			})
		}
	}
}

// expected counts what comes of visits.
type expected struct {
	readings, visits, far, asked, farAsked, passes int
	seconds                                        float64
}

// play plays the rounds of a job; a place that is not read is gauged up to three times more.
func (x *expected) play(t testing.TB, job *simulator.Job, told bool, rng *rand.Rand, hands func() []simulator.Family) {
	b := newBench(t, simulated(job))
	b.must(event.Action{Do: "job", Job: job.ID})
	b.must(event.Action{Do: "part", Part: "001"})
	b.must(event.Action{Do: "master"})
	stream := drivers.Stream{Decoder: mustLine(t)}
	visit := func(p simulator.Play, act simulator.Act, size analysis.Length) []event.Event {
		b.wait(2 * time.Second)
		start, before := b.now, len(b.all)
		p.Zero = 3 * analysis.Micrometre / 10
		job.Gauging(p, act, size, rng, func(c simulator.Frame) (tone bool) {
			b.now = drivers.Moment{Wall: start.Wall.Add(c.At), Mono: start.Mono + c.At}
			if _, is := b.capture.c.(heedless); !is && !told && b.capture.c != nil {
				b.capture.c = heedless{b.capture.c}
			}
			stream.Feed(c.Bytes, false, func(f drivers.Found) {
				if f.Reject == "" {
					b.keep(b.Sample(b.now, job.Gauge.ID, f.Samples))
				}
			})
			return len(b.all) > before
		})
		for _, r := range taken(b.all[before:]) {
			x.seconds += r.At.Sub(start.Wall).Seconds()
		}
		return b.all[before:]
	}
	for range 12 {
		if b.Fold().Running != nil {
			visit(simulator.Play{}, simulator.Master, job.Master.Size)
		}
	}
	for i, r := range job.Rounds {
		if i > 0 {
			b.must(event.Action{Do: "round", Strokes: r.Strokes, Confirm: true})
		}
		for k, p := range b.Fold().Job.Plan() {
			for try := 0; try < 4 && b.Fold().Due() != nil && *b.Fold().Due() == p; try++ {
				x.visits++
				for _, got := range taken(visit(simulator.Play{Hands: hands()}, simulator.Measure, r.Sizes[k])) {
					far := (got.Size - r.Sizes[k]).Abs() > um
					x.readings, x.passes = x.readings+1, x.passes+got.Turns
					x.far, x.asked, x.farAsked = x.far+count(far), x.asked+count(got.Unexpected), x.farAsked+count(far && got.Unexpected)
				}
			}
		}
	}
}

func count(is bool) int {
	if is {
		return 1
	}
	return 0
}
