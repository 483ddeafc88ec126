package capture_test

import (
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/capture"
	"fairbore/drivers/simulator"
)

var (
	cycles = flag.Int("cycles", 2000, "simulated visits for each gauge and rate in BenchmarkScore")
	seed   = flag.Uint64("seed", 0, "of BenchmarkScore; 0 draws one")
	detail = flag.Bool("detail", false, "print false and missed captures of BenchmarkScore by kind of visit")
)

// options are what the capture is told of a drawn gauge: its data sheet, where
// the repeatability is right to a quarter.
func options(p simulator.Params, rng *rand.Rand) capture.Options {
	o := capture.Options{
		Mode: capture.Settled, Nominal: analysis.Length(p.Size/simulator.Millimetre*simulator.Millimetre + simulator.Millimetre/2),
		Band:          analysis.Deviation(700 * um),
		Tip:           analysis.Length(p.Gauge.Tip),
		Repeatability: analysis.Deviation(p.Gauge.Noise * (0.75 + 0.5*rng.Float64()) * float64(um)),
		Resolution:    analysis.Deviation(p.Gauge.Step),
	}
	o.Nominal = analysis.Length(p.Size) + analysis.Length((rng.Float64()-0.5)*100*float64(um))
	o.Band = analysis.Deviation(200 * um)
	if p.Gauge.Contact == simulator.TwoPoint {
		o.Mode = capture.Turning
	}
	return o
}

// feed runs the points through a capture, as the session would: what is text
// instead of a number never gets here.
func feed(c capture.Capture, points []simulator.Point, each func(capture.Result)) {
	for _, p := range points {
		if p.Text != "" {
			continue
		}
		for _, r := range c.Feed(capture.Sample{At: p.T, Value: analysis.Length(p.Value)}) {
			each(r)
		}
	}
}

// tally is the score of one gauge and rate.
type tally struct {
	cycles, must, taken, missed int
	outside, off, double        int
	err                         []float64 // of good captures, µm
	norm                        []float64 // by U
	rel                         []float64 // by the noise of a sample
	falseBy, missBy, kinds      map[string]int
	reasons                     map[string]int
	latency                     []float64
}

func newTally() *tally {
	return &tally{falseBy: map[string]int{}, missBy: map[string]int{}, kinds: map[string]int{}, reasons: map[string]int{}}
}

func (t *tally) falses() int { return t.outside + t.off }

const late = 500 * time.Millisecond // after its last sample, in which a reading may still come

func (t *tally) cycle(p simulator.Params, rng *rand.Rand) {
	o := options(p, rng)
	c, err := capture.New(o)
	if err != nil {
		panic(err)
	}
	points, tr := simulator.Run(p, rng)
	name := tr.Visit.String()
	if tr.Fault != simulator.NoFault {
		name = tr.Fault.String()
	}
	t.cycles++
	t.kinds[name]++
	got := make([]int, len(tr.Places))
	var refused []string
	sigma := math.Hypot(p.Gauge.Noise, float64(p.Gauge.Step)/1e4/math.Sqrt(12))
	feed(c, points, func(r capture.Result) {
		if r.Kind == capture.Refused {
			refused = append(refused, string(r.Reason))
		}
		if r.Kind != capture.Taken {
			return
		}
		t.taken++
		at := -1
		for i, pl := range tr.Places {
			if mid := (r.Since + r.At) / 2; mid >= pl.From && mid <= pl.To && r.At <= tr.Out+late {
				at = i
				if got[i] == 0 {
					break
				}
			}
		}
		if at < 0 {
			t.outside++
			t.falseBy[name+", elsewhere"]++
			return
		}
		pl := tr.Places[at]
		e := (r.Value - analysis.Length(pl.SeenAt((r.Since+r.At)/2))).Micrometres()
		if math.Abs(e) > 1 {
			t.off++
			t.falseBy[name+", off"]++
			if *detail {
				fmt.Printf("   off %s: e=%.2f U=%.3f turns=%d half=%.2f swing=%.1f rate=%g noise=%.2f step=%.2f near=%.2f D=%.1f\n", name, e, analysis.Length(r.U).Micrometres(), r.Turns, p.Half, p.Swing*180/math.Pi, p.Gauge.Rate, p.Gauge.Noise, float64(p.Gauge.Step)/1e4, p.Near*180/math.Pi, float64(p.Size)/1e7)
				fmt.Println("     ", capture.Debug(c))
			}
		}
		if *detail && capture.Facts(c) != nil {
			fmt.Println("FACT", p.Gauge.Rate, strings.ReplaceAll(name, " ", "-"), e, capture.Facts(c), p.Half, p.Dwell, p.Tremor/p.Swing)
		}
		if got[at]++; got[at] > 1 {
			t.double++
			return
		}
		if pl.Must {
			t.err = append(t.err, e)
			t.norm = append(t.norm, e/analysis.Length(r.U).Micrometres())
			t.rel = append(t.rel, e/sigma)
		}
	})
	for i, pl := range tr.Places {
		if !pl.Must {
			continue
		}
		t.must++
		if got[i] == 0 {
			t.missed++
			t.missBy[fmt.Sprint(name, i)]++
			if *detail {
				c0 := float64(p.Size-2*p.Gauge.Tip) / 1e4
				lo := (1 - math.Abs(p.Off)) * p.Swing
				fmt.Printf("   miss %v: small %.1f sigma=%.2f half=%.2f swing=%.1f off=%.2f rate=%g step=%.2f turns=%d tremor=%.2f ragged=%.2f uneven=%.2f dwell=%.2f±%.2f skew=%.2f\n", refused, c0*lo*lo/2, sigma, p.Half, p.Swing*180/math.Pi, p.Off, p.Gauge.Rate, float64(p.Gauge.Step)/1e4, len(pl.Turns), p.Tremor*1e3, p.Ragged, p.Uneven, p.Dwell, p.DwellScatter, p.Skew)
				c, _ := capture.New(o)
				was := ""
				for _, q := range points {
					if q.Text == "" {
						for _, r := range c.Feed(capture.Sample{At: q.T, Value: analysis.Length(q.Value)}) {
							fmt.Println("     ", r.Kind, r.At, r.Reason)
						}
						if d := capture.Debug(c); d[:strings.Index(d+"|", "|")] != was {
							was = d[:strings.Index(d+"|", "|")]
							fmt.Println("     ", q.T, d)
						}
					}
				}
				fmt.Println("      turns", pl.From, pl.To, pl.Turns)
			}
			if len(refused) > 0 {
				t.reasons[refused[len(refused)-1]]++
			}
		}
	}
}

func stats(x []float64) (mean, sd float64) {
	for _, v := range x {
		mean += v / float64(len(x))
	}
	for _, v := range x {
		sd += (v - mean) * (v - mean) / float64(len(x)-1)
	}
	return mean, math.Sqrt(sd)
}

// draw draws what comes to the gauge: half of it good, the rest all that goes wrong.
func draw(contact simulator.Contact, rate float64, rng *rand.Rand) simulator.Params {
	visit := simulator.Good
	switch x := rng.Float64(); {
	case x < 0.1:
		visit = simulator.Move
	case x < 0.5:
		bad := simulator.Visits()[2:]
		visit = bad[rng.IntN(len(bad))]
	}
	p := simulator.Draw(contact, visit, rate, rng)
	if rng.Float64() < 0.1 {
		f := simulator.Faults()
		p.Stream.Fault = f[rng.IntN(len(f))]
	}
	return p
}

var only = flag.Int("only", -1, "contact of BenchmarkScore")

func contacts() []simulator.Contact {
	if *only >= 0 {
		return []simulator.Contact{simulator.Contact(*only)}
	}
	return []simulator.Contact{simulator.TwoPoint, simulator.ThreePoint, simulator.Air}
}
func BenchmarkScore(b *testing.B) {
	s := *seed
	if s == 0 {
		s = rand.Uint64()
	}
	fmt.Printf("seed %d, %d cycles for each line\n", s, *cycles)
	fmt.Printf("%-12s %5s %7s %7s %7s %7s %8s %8s %8s %8s\n", "gauge", "/s", "must", "missed", "false", "double", "mean µm", "sd µm", "sd/s", "sd/U")
	for _, contact := range contacts() {
		for _, rate := range simulator.Rates() {
			rng := rand.New(rand.NewPCG(s, uint64(contact)<<32|uint64(rate)))
			t := newTally()
			for range *cycles {
				t.cycle(draw(contact, rate, rng), rng)
			}
			mean, sd := stats(t.err)
			_, rel := stats(t.rel)
			_, norm := stats(t.norm)
			fmt.Printf("%-12v %5g %7d %6.2f%% %7d %7d %8.3f %8.3f %8.3f %8.3f\n", contact, rate, t.must,
				100*float64(t.missed)/float64(max(1, t.must)), t.falses(), t.double, mean, sd, rel, norm)
			if *detail {
				fmt.Println("   false", t.falseBy, "missed", t.missBy, t.reasons, "kinds", t.kinds)
			}
		}
	}
	_ = strings.Join
}
