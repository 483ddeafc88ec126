package capture_test

import (
	"flag"
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/capture"
	"fairbore/drivers/simulator"
)

var (
	cycles = flag.Int("cycles", 1000, "simulated visits for each line of BenchmarkScore; 10000 for a full score")
	seed   = flag.Uint64("seed", 0, "of BenchmarkScore; 0 draws one")
	line   = flag.String("line", "", "of BenchmarkScore: only this line, such as two-point/20")
	kinds  = flag.Bool("kinds", false, "list false and missed readings of BenchmarkScore by kind of visit")
)

// options are what the capture is told of a drawn gauge: its data sheet, with
// the repeatability right to a quarter, and a nominal that is up to 50 µm off.
func options(p simulator.Params, rng *rand.Rand) capture.Options {
	o := capture.Options{
		Mode:          capture.Settled,
		Nominal:       analysis.Length(p.Size) + analysis.Length((rng.Float64()-0.5)*100*float64(um)),
		Tip:           analysis.Length(p.Gauge.Tip),
		Repeatability: analysis.Deviation(p.Gauge.Noise * (0.75 + 0.5*rng.Float64()) * float64(um)),
		Resolution:    analysis.Deviation(p.Gauge.Step),
	}
	switch p.Gauge.Contact {
	case simulator.TwoPoint:
		o.Mode = capture.Turning
	case simulator.Air:
		o.Settle = 1500 * time.Millisecond
	}
	return o
}

// readings runs the points through a capture, as the session would: what is text
// instead of a number never gets here.
func readings(o capture.Options, points []simulator.Point) (taken []capture.Result) {
	c, err := capture.New(o)
	if err != nil {
		panic(err) // a fault of the score itself
	}
	for _, p := range points {
		if p.Text != "" {
			continue
		}
		for _, r := range c.Feed(capture.Sample{At: p.T, Value: analysis.Length(p.Value)}) {
			if r.Kind == capture.Taken {
				taken = append(taken, r)
			}
		}
	}
	return taken
}

// draw draws what comes to the gauge: half of it good, the rest all that goes
// wrong; a tenth of the streams fail.
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

// sigma is the standard deviation of a value of the gauge, µm.
func sigma(g simulator.GaugeModel) float64 {
	return math.Hypot(g.Noise, g.Step.Micrometres()/math.Sqrt(12))
}

// clear reports whether a rock leaves the capture something to go by: ten
// samples a swing, a lower side that rises eight sigma, a display that moves.
func clear(p simulator.Params) bool {
	low := p.Gauge.Excess(p.Size, p.Swing*(1-math.Abs(p.Off)))
	return p.Gauge.Rate*p.Half >= 10 && low > 8*sigma(p.Gauge) && p.Gauge.Step <= analysis.Micrometre/2
}

// sample is a list of numbers.
type sample []float64

func (s *sample) add(v float64) { *s = append(*s, v) }

func (s sample) stats() (mean, sd float64) {
	for _, v := range s {
		mean += v / float64(len(s))
	}
	for _, v := range s {
		sd += (v - mean) * (v - mean) / float64(len(s)-1)
	}
	return mean, math.Sqrt(sd)
}

// byStep is the score of the visits on a display of one step.
type byStep struct{ visits, wrong, must, missed int }

// tally is the score of one gauge and rate.
type tally struct {
	must, missed             int // readings that had to be taken; with three passes or more
	beyond                   int // missed, and the bound says that nobody could be sure of them
	clear, clearMissed       int // of them, those that are clear
	outside, off, double     int // false: no place, off by more than the limit; a second one of a place
	late, wide               int // of outside, those of the right size; of what is not false, those off by more than 1 µm
	chance, chance1          sample
	four, fourMissed         int // with four passes asked for, where there were as many
	err, rel, norm           sample
	err4, rel4, norm4, bound sample
	smallest, stable, first  sample
	falseBy, missBy          map[string]int
	byStep                   map[analysis.Length]*byStep // by the step of the display
	naive                    int
}

func newTally() *tally {
	return &tally{falseBy: map[string]int{}, missBy: map[string]int{}, byStep: map[analysis.Length]*byStep{}}
}

func (t *tally) cycle(p simulator.Params, rng *rand.Rand) {
	d := t.byStep[p.Gauge.Step]
	if d == nil {
		d = &byStep{}
		t.byStep[p.Gauge.Step] = d
	}
	was := *t
	t.visit(p, rng)
	d.visits++
	d.wrong += t.outside + t.off - was.outside - was.off
	d.must += t.must - was.must
	d.missed += t.missed - was.missed
}

func (t *tally) visit(p simulator.Params, rng *rand.Rand) {
	o := options(p, rng)
	points, tr := simulator.Run(p, rng)
	name := tr.Visit.String()
	if tr.Fault != simulator.NoFault {
		name = tr.Fault.String()
	}
	got := make([]int, len(tr.Places))
	for _, r := range readings(o, points) {
		at, e := locate(tr, got, r)
		switch {
		case at < 0:
			t.outside++
			what := " outside"
			if right(p, tr, r) {
				t.late++
				what = " outside, right size"
			}
			t.falseBy[name+what]++
			continue
		case math.Abs(e) > limit(p):
			t.off++
			t.falseBy[name+" off"]++
		case math.Abs(e) > 1:
			t.wide++
		}
		if got[at]++; got[at] > 1 {
			t.double++
			continue
		}
		if tr.Places[at].Must {
			t.err.add(e)
			t.rel.add(e / sigma(p.Gauge))
			t.norm.add(e / analysis.Length(r.U).Micrometres())
		}
	}
	for i, pl := range tr.Places {
		if pl.Must {
			t.miss(p, got[i] == 0, fmt.Sprintf("%s %d", name, i+1))
			if p.Gauge.Contact != simulator.TwoPoint {
				t.chance.add(chance(p, points, tr, pl, limit(p)))
				t.chance1.add(chance(p, points, tr, pl, 1))
			}
			if got[i] == 0 && !decidable(p, points, tr, pl) {
				t.beyond++
			}
		}
	}
	if p.Gauge.Contact == simulator.TwoPoint && p.Visit == simulator.Good && p.Stream.Fault == simulator.NoFault {
		t.compare(p, o, points, tr)
	}
}

// decidable reports whether the best that the samples allow is good enough to be
// wrong by a micrometre in no more than 1 in 10,000 cases (3.89 standard
// deviations of a normal distribution).
func decidable(p simulator.Params, points []simulator.Point, tr simulator.Truth, pl simulator.TruePlace) bool {
	if p.Gauge.Contact != simulator.TwoPoint {
		return true
	}
	best := bound(p, points, tr, capture.Result{Since: pl.From, At: pl.To - time.Millisecond})
	return best > 0 && best <= 1/3.89
}

// limit is how far off a reading is false, µm; a gauge that rests on one step of
// its display can't be asked for less than the step.
func limit(p simulator.Params) float64 {
	if p.Gauge.Contact == simulator.TwoPoint {
		return 1
	}
	return max(1, p.Gauge.Step.Micrometres())
}

// locate finds the place that a reading is of, and how far off it is, µm: its
// size is the mean over its time.
func locate(tr simulator.Truth, got []int, r capture.Result) (at int, e float64) {
	mid := (r.Since + r.Until) / 2
	at = -1
	for i, pl := range tr.Places {
		if mid >= pl.From && mid <= pl.To && r.Until <= tr.Out+500*time.Millisecond && (at < 0 || got[at] > 0) {
			at = i
		}
	}
	if at >= 0 {
		e = (r.Value - analysis.Length(tr.Places[at].SeenAt(mid))).Micrometres()
	}
	return at, e
}

// right reports whether a reading that rests on a time outside any place is nevertheless
// the size of one that was left before.
func right(p simulator.Params, tr simulator.Truth, r capture.Result) bool {
	for _, pl := range tr.Places {
		if pl.To < r.Until && math.Abs((r.Value-analysis.Length(pl.SeenAt(pl.To))).Micrometres()) <= limit(p) {
			return true
		}
	}
	return false
}

func (t *tally) miss(p simulator.Params, missed bool, name string) {
	t.must++
	if missed {
		t.missed++
		t.missBy[name]++
	}
	if clear(p) {
		t.clear++
		if missed {
			t.clearMissed++
		}
	}
}

// compare reads a good visit with four passes asked for, against the bound and
// what simpler ways make of it.
func (t *tally) compare(p simulator.Params, o capture.Options, points []simulator.Point, tr simulator.Truth) {
	pl := tr.Places[0]
	if len(pl.Turns) < 4 {
		return
	}
	seen := pl.Seen.Micrometres()
	t.four++
	o.Turns = 4
	taken := readings(o, points)
	if len(taken) == 0 {
		t.fourMissed++
	} else if at, e := locate(tr, make([]int, 1), taken[0]); at == 0 {
		t.err4.add(e)
		t.rel4.add(e / sigma(p.Gauge))
		t.norm4.add(e / analysis.Length(taken[0].U).Micrometres())
		if len(t.bound) < 400 {
			if b := bound(p, points, tr, taken[0]); b > 0 {
				t.bound.add(e / b)
			}
		}
	}
	v := between(points, pl.From, pl.To)
	t.naive++
	if x, ok := smallest(v); ok {
		t.smallest.add(x - seen)
	}
	if x, ok := lastStable(v); ok {
		t.stable.add(x - seen)
	}
	if x, ok := medianParabola(v, sigma(p.Gauge)); ok {
		t.first.add(x - seen)
	}
}

func percent(part, of int) float64 { return 100 * float64(part) / float64(max(1, of)) }

func BenchmarkScore(b *testing.B) {
	s := *seed
	if s == 0 {
		s = rand.Uint64()
	}
	for range b.N {
		score(b, s)
	}
}

func score(b *testing.B, s uint64) {
	fmt.Printf("seed %d, %d visits a line\n", s, *cycles)
	fmt.Println("gauge        /s   must  missed (beyond) (clear)  false double | mean µm  sd µm  sd/s  sd/U | four passes: missed  mean µm  sd µm  sd/s  sd/U  sd/bound")
	var lines []string
	for _, contact := range []simulator.Contact{simulator.TwoPoint, simulator.ThreePoint, simulator.Air} {
		for _, rate := range simulator.Rates() {
			if *line != "" && *line != fmt.Sprintf("%s/%g", contactNames[contact], rate) {
				continue
			}
			rng := rand.New(rand.NewPCG(s, uint64(contact)<<32|uint64(rate)))
			t := newTally()
			for range *cycles {
				t.cycle(draw(contact, rate, rng), rng)
			}
			if line := t.print(contact, rate); line != "" {
				lines = append(lines, line)
			}
			if contact == simulator.TwoPoint && rate == 25 {
				_, rel := t.rel4.stats()
				b.ReportMetric(float64(t.outside+t.off), "false")
				b.ReportMetric(percent(t.missed, t.must), "missed-%")
				b.ReportMetric(rel, "sd/s")
			}
		}
	}
	fmt.Println("simpler ways, on the same good visits of four passes and more (share taken, mean and sd of the error in µm):")
	fmt.Println("   /s   smallest sample     last stable window      median of parabolas")
	for _, l := range lines {
		fmt.Println(l)
	}
}

var contactNames = map[simulator.Contact]string{simulator.TwoPoint: "two-point", simulator.ThreePoint: "three-point", simulator.Air: "air"}

func (t *tally) print(contact simulator.Contact, rate float64) (simple string) {
	mean, sd := t.err.stats()
	_, rel := t.rel.stats()
	_, norm := t.norm.stats()
	fmt.Printf("%-11s %3g %6d %6.2f%% %7.2f%% %7.2f%% %6d %6d | %7.3f %6.3f %5.2f %5.2f |", contactNames[contact], rate, t.must,
		percent(t.missed, t.must), percent(t.beyond, t.must), percent(t.clearMissed, t.clear), t.outside+t.off, t.double, mean, sd, rel, norm)
	if contact == simulator.TwoPoint {
		mean, sd = t.err4.stats()
		_, rel = t.rel4.stats()
		_, norm = t.norm4.stats()
		_, bound := t.bound.stats()
		fmt.Printf(" %19.2f%% %8.3f %6.3f %5.2f %5.2f %9.2f", percent(t.fourMissed, t.four), mean, sd, rel, norm, bound)
		simple = fmt.Sprintf("%5g", rate)
		for _, s := range []sample{t.smallest, t.stable, t.first} {
			mean, sd := s.stats()
			simple += fmt.Sprintf("   %5.1f%% %6.3f %7.3f", percent(len(s), t.naive), mean, sd)
		}
	}
	if contact != simulator.TwoPoint {
		fmt.Printf(" late %d, within a step but over 1 µm %d; oracle misses %.2f%%, within 1 µm %.2f%%", t.late, t.wide,
			percent(unavoidable(t.chance, *cycles), t.must), percent(unavoidable(t.chance1, *cycles), t.must))
	}
	fmt.Println()
	if *kinds {
		fmt.Println("    false", t.falseBy, "missed", t.missBy)
		for _, step := range slices.Sorted(maps.Keys(t.byStep)) {
			d := t.byStep[step]
			fmt.Printf("    display of %5.3f µm: %5.2f%% missed of %d, %d false of %d visits\n",
				step.Micrometres(), percent(d.missed, d.must), d.must, d.wrong, d.visits)
		}
	}
	return simple
}
