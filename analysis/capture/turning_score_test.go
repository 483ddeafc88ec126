package capture_test

import (
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/capture"
	"fairbore/analysis/capture/pass"
	"fairbore/drivers/simulator"
)

var (
	family   = flag.String("family", "", "of BenchmarkHands: only families with this in their names")
	half     = flag.String("half", "score", "of BenchmarkHands: choose, the half of families and people on which constants are chosen; or score, the other")
	coarsest = flag.Float64("coarsest", 0, "of BenchmarkHands: the coarsest display, µm; 0: any up to 2.54")
	unstated = flag.Bool("unstated", false, "of BenchmarkHands: what a gauge averages over, and its lag, are not told")
	until    = flag.Int("passes", 0, "of BenchmarkHands: each hand rocks until the tone, or until so many passes")
)

// halves of the families: constants are chosen on one, figures are reported on the
// other. Those that are no style draw theirs from the styles of their half.
var halves = map[string]struct {
	styles, beside []simulator.Family
	people         []string
}{
	"choose": {
		styles: []simulator.Family{simulator.Pendulum, simulator.EndRests, simulator.Pausing, simulator.TwoSines, simulator.Skewed, simulator.Slow},
		beside: []simulator.Family{simulator.Fumbling, simulator.TwoPlaces, simulator.Stepping, simulator.Averaging, simulator.ShortTravel,
			simulator.NeverEqual, simulator.HeldOff, simulator.OnChamfer, simulator.Failing, simulator.Gritty},
		people: []string{"s1", "s2", "s3", "s4", "s5"},
	},
	"score": {
		styles: []simulator.Family{simulator.MinimumJerk, simulator.EvenSpeed, simulator.Jerky, simulator.OneShort, simulator.Changing,
			simulator.Quick, simulator.Process},
		beside: []simulator.Family{simulator.Fumbling, simulator.TurnsOnce, simulator.ToneStop, simulator.TwoPlaces, simulator.Tapered,
			simulator.Stepping, simulator.Averaging, simulator.Lagging, simulator.ShortTravel, simulator.NeverEqual, simulator.NeverScattered,
			simulator.HeldOff, simulator.OnChamfer, simulator.BesideAxis, simulator.Drawn, simulator.Failing, simulator.Gritty},
		people: []string{"s6", "s7", "s8", "s9", "s10"},
	},
}

// sheet has the options of a visit: the gauge's data sheet, with the repeatability
// right to a quarter, and the size of the ring as the nominal.
func sheet(v *simulator.Rocking, rng *rand.Rand) capture.Options {
	return capture.Options{
		Mode:          capture.Turning,
		Nominal:       analysis.Length(v.Ring),
		Tip:           analysis.Length(v.Gauge.Tip),
		Repeatability: analysis.Deviation(v.Gauge.Noise * (0.75 + 0.5*rng.Float64()) * float64(um)),
		Resolution:    analysis.Deviation(v.Gauge.Step),
		Averages:      stated(v.Gauge.Average),
		Lag:           stated(v.Gauge.Lag),
	}
}

// stated is a time, s, as the data sheet has it, or 0 where it says nothing.
func stated(s float64) time.Duration {
	if *unstated {
		return 0
	}
	return time.Duration(s * float64(time.Second))
}

// allowed is how far off a reading is false, µm: beyond a micrometre and a step of the display.
func allowed(v *simulator.Rocking) float64 {
	return 1 + v.Gauge.Step.Micrometres()
}

// plain reports whether a place is clear: three passes one after the other, each from
// an end to an end that both rise by three standard deviations of a value or more, with
// eight values or more from end to end.
func plain(v *simulator.Rocking, s simulator.Stay) bool {
	row := 0
	for _, p := range v.Course.Passes(s.From, s.To, simulator.MinPassTilt) {
		low := min(v.Gauge.Excess(s.Size, p.From), v.Gauge.Excess(s.Size, p.To))
		if low >= 3*sigma(v.Gauge) && (p.End-p.Begin)*v.Gauge.Rate >= 8 {
			row++
		} else {
			row = 0
		}
		if row == 3 {
			return true
		}
	}
	return false
}

// handTally is the score of one family at one rate.
type handTally struct {
	visits, samples         int
	must, missed            int // places that must be read
	told                    int // of them, those that are not known well enough by one who is told when each pass was
	clear, clearMissed      int // of them, those that are plain
	fine, fineMissed        int // of them, those on displays of 0.5 µm and finer
	wrong, lucky, double    int // readings: false; right though the gauge was never square; a second one of a place
	never                   int // hands that rocked on until the tone and heard none
	err, norm               sample
	passes, sincePass, late sample // until the reading, of places that must be read; s from square, and from the end of the swing
	spent                   time.Duration
}

// visit plays a visit, and counts. A hand that hears stops at the tone.
func (t *handTally) visit(v *simulator.Rocking, hears bool, rng *rand.Rand) {
	c, err := capture.New(sheet(v, rng))
	if err != nil {
		panic(err) // a fault of the score itself
	}
	var before time.Duration
	if v.Family == simulator.ShortTravel { // whose leaving must be seen: it was at the ring before
		before = t.ring(v, c, rng)
	}
	var taken []capture.Result
	var shown []pass.Sample
	tr := v.Run(rng, func(p simulator.Point) (tone bool) {
		if p.Text != "" {
			return false
		}
		t.samples++
		shown = append(shown, pass.Sample{T: p.T.Seconds(), V: analysis.Length(p.Value - v.Ring).Micrometres()})
		begun := time.Now()
		for _, r := range c.Feed(capture.Sample{At: before + p.T, Value: analysis.Length(p.Value)}) {
			if r.Kind == capture.Taken {
				r.At, r.Since, r.Until = r.At-before, r.Since-before, r.Until-before
				taken, tone = append(taken, r), hears
			}
		}
		t.spent += time.Since(begun)
		return tone
	})
	t.visits++
	got := make([]int, len(tr.Places))
	for _, r := range taken {
		at := whose(tr, r)
		pl := tr.Places[at]
		mid := min(max((r.Since+r.Until)/2, pl.From), pl.To)
		e := (r.Value - analysis.Length(pl.SeenAt(mid))).Micrometres()
		switch {
		case math.Abs(e) > allowed(v):
			t.wrong++
			if *kinds {
				fmt.Printf("    false: %v, %v: off by %.2f µm, U %.2f, %d passes, taken at %.2f s of %.2f to %.2f; display %.3f µm, noise %.2f, stamps %g s, fault %v\n",
					v.Family, v.Style, e, analysis.Length(r.U).Micrometres(), r.Passes, r.At.Seconds(), pl.From.Seconds(), pl.To.Seconds(),
					v.Gauge.Step.Micrometres(), v.Gauge.Noise, v.Stream.Tick, v.Stream.Fault)
			}
		case v.Family.Never():
			t.lucky++
		}
		if got[at]++; got[at] > 1 {
			t.double++
			continue
		}
		if pl.Must {
			t.err.add(e)
			t.norm.add(e / analysis.Length(r.U).Micrometres())
			t.delay(v, tr, pl, r)
		}
	}
	for i, pl := range tr.Places {
		if !pl.Must {
			continue
		}
		t.must++
		if *until > 0 && got[i] == 0 {
			t.never++
			t.passes.add(math.Inf(1))
		}
		if u := toldPasses(v, tr, pl, shown); u > 0.25*allowed(v) {
			t.told++
		}
		missed := 1 - min(1, got[i])
		t.missed += missed
		if plain(v, v.Stays[i]) {
			t.clear++
			t.clearMissed += missed
			if v.Gauge.Step <= analysis.Micrometre/2 {
				t.fine++
				t.fineMissed += missed
			}
		}
	}
}

// toldPasses is the standard uncertainty of a place, µm, for one who is told when each pass began and ended, and
// how noisy the gauge is: what the fit of a pass makes of all of them.
func toldPasses(v *simulator.Rocking, tr simulator.Truth, pl simulator.TruePlace, shown []pass.Sample) float64 {
	ps := v.Course.Passes((pl.From - tr.In).Seconds(), (pl.To - tr.In).Seconds(), simulator.MinPassTilt)
	var work pass.Workspace
	sum := 0.0
	for i, p := range ps {
		var of []pass.Sample
		from, to := p.Begin, p.End // and a little beyond, up to three quarters of the way to the passes beside it
		gap := p.End - p.Begin
		if i > 0 {
			from, gap = p.At-0.75*(p.At-ps[i-1].At), p.At-ps[i-1].At
		}
		if i+1 < len(ps) {
			to = p.At + 0.75*(ps[i+1].At-p.At)
		}
		for _, x := range shown {
			if at := x.T - tr.In.Seconds(); at >= from && at <= to && len(of) < pass.MaxSamples {
				of = append(of, x)
			}
		}
		f, ok := work.Fit(of, pass.Noise{Sigma: sigma(v.Gauge), Time: max(0.0015, v.Stream.Tick/math.Sqrt(12))}, math.Pi/gap, pass.TypicalRoughness)
		if ok && f.U[1] > 0 {
			sum += 1 / (f.U[1] * f.U[1])
		}
	}
	return 1 / math.Sqrt(sum)
}

// ring plays a visit of the gauge to the ring, and returns how long it took.
func (t *handTally) ring(v *simulator.Rocking, c capture.Capture, rng *rand.Rand) (end time.Duration) {
	r := simulator.DrawRocking(v.Style, simulator.DrawOptions{Rate: v.Gauge.Rate}, rng)
	r.Gauge, r.Ring, r.Size = v.Gauge, v.Ring, v.Ring
	r.Run(rng, func(p simulator.Point) bool {
		c.Feed(capture.Sample{At: p.T, Value: analysis.Length(p.Value)})
		end = p.T
		return false
	})
	return end
}

// whose is the place that a reading is of: the last that was come to before the middle of its time.
func whose(tr simulator.Truth, r capture.Result) (at int) {
	for i, pl := range tr.Places {
		if pl.From <= (r.Since+r.Until)/2 {
			at = i
		}
	}
	return at
}

// delay adds the passes up to the reading, and the times since the last pass that it
// rests on: since the gauge was square, and since its swing ended.
func (t *handTally) delay(v *simulator.Rocking, tr simulator.Truth, pl simulator.TruePlace, r capture.Result) {
	n, since, late := 0, math.NaN(), math.NaN()
	for _, p := range v.Course.Passes((pl.From - tr.In).Seconds(), (pl.To - tr.In).Seconds(), simulator.MinPassTilt) {
		at, end := tr.In.Seconds()+p.At, tr.In.Seconds()+p.End
		if at > r.At.Seconds() {
			break
		}
		n++
		if at <= r.Until.Seconds() {
			since, late = r.At.Seconds()-at, r.At.Seconds()-end
		}
	}
	if !math.IsNaN(since) {
		t.sincePass.add(since)
		t.late.add(late)
	}
	t.passes.add(float64(n))
}

// share is the value below which a part of the sample lies.
func (s sample) share(part float64) float64 {
	if len(s) == 0 {
		return math.NaN()
	}
	sorted := slices.Sorted(slices.Values(s))
	return sorted[min(len(s)-1, int(part*float64(len(s))))]
}

func (s sample) rms() float64 {
	sum := 0.0
	for _, v := range s {
		sum += v * v
	}
	return math.Sqrt(sum / float64(len(s)))
}

func (t *handTally) add(o *handTally) {
	t.visits, t.samples, t.must, t.missed, t.told = t.visits+o.visits, t.samples+o.samples, t.must+o.must, t.missed+o.missed, t.told+o.told
	t.clear, t.clearMissed = t.clear+o.clear, t.clearMissed+o.clearMissed
	t.fine, t.fineMissed = t.fine+o.fine, t.fineMissed+o.fineMissed
	t.wrong, t.lucky, t.double, t.never = t.wrong+o.wrong, t.lucky+o.lucky, t.double+o.double, t.never+o.never
	t.err, t.norm, t.passes = append(t.err, o.err...), append(t.norm, o.norm...), append(t.passes, o.passes...)
	t.sincePass, t.late, t.spent = append(t.sincePass, o.sincePass...), append(t.late, o.late...), t.spent+o.spent
}

const handHeader = "                            /s visits   must  missed  (told)   clear missed  (fine)   false /1e4 lucky double |  mean    sd  rms/U | passes 50 %  95 % never | since square, end s |  µs"

func (t *handTally) print(name string, rate float64) {
	mean, sd := t.err.stats()
	fmt.Printf("%-27s %3g %6d %6d %6.2f%% %6.2f%% %6d %6.2f%% %6.2f%% %5d %6.1f %5d %6d | %6.3f %5.3f %5.2f | %9.0f %6.0f %5.2f%% | %9.2f %8.2f | %5.2f\n", name, rate, t.visits,
		t.must, percent(t.missed, t.must), percent(t.told, t.must), t.clear, percent(t.clearMissed, t.clear), percent(t.fineMissed, t.fine), t.wrong, 1e4*float64(t.wrong)/float64(t.visits),
		t.lucky, t.double, mean, sd, t.norm.rms(), t.passes.share(0.5), t.passes.share(0.95), percent(t.never, t.must),
		t.sincePass.share(0.5), t.late.share(0.5), float64(t.spent.Microseconds())/float64(t.samples))
}

// BenchmarkHands scores the capture over families of hands, made and recorded, that the fit
// was not made from. Half of the made hands stop at the tone, half don't hear it.
func BenchmarkHands(b *testing.B) {
	h, ok := halves[*half]
	if !ok {
		b.Fatalf("half %q: want choose or score", *half)
	}
	var people []recordedHand
	if dir := os.Getenv("FAIRBORE_HANDS"); dir == "" {
		fmt.Println("FAIRBORE_HANDS names no folder of recordings: made hands only")
	} else {
		people = loadHands(b, dir, h.people)
		for _, p := range people {
			fmt.Printf("%s: %d stretches\n", p.name, len(p.stretches))
		}
	}
	s := *seed
	if s == 0 {
		s = rand.Uint64()
	}
	for range b.N {
		fmt.Printf("seed %d, half %q, %d visits a line, people %s\n%s\n", s, *half, *cycles, strings.Join(h.people, " "), handHeader)
		for _, rate := range []float64{10, 20, 25, 50} {
			if *line == "" || *line == fmt.Sprintf("hands/%g", rate) {
				scoreHands(h.styles, h.beside, people, rate, s)
			}
		}
	}
}

func scoreHands(styles, beside []simulator.Family, people []recordedHand, rate float64, s uint64) {
	good, bad := &handTally{}, &handTally{}
	play := func(f simulator.Family, draw func(*rand.Rand) *simulator.Rocking) {
		if !strings.Contains(f.String(), *family) {
			return
		}
		rng := rand.New(rand.NewPCG(s, uint64(f)<<32|uint64(rate)))
		t := &handTally{}
		for range *cycles {
			v := draw(rng)
			t.visit(v, f != simulator.TwoPlaces && (rng.Float64() < 0.5 || *until > 0), rng) // who has two places goes on to the next
		}
		t.print(f.String(), rate)
		switch {
		case apart(f):
		case f.Good():
			good.add(t)
		default:
			bad.add(t)
		}
	}
	d := simulator.DrawOptions{Styles: styles, Rate: rate, Passes: *until, Coarsest: analysis.Length(*coarsest * float64(analysis.Micrometre))}
	for _, f := range slices.Concat(styles, beside) {
		play(f, func(rng *rand.Rand) *simulator.Rocking {
			return simulator.DrawRocking(f, d, rng)
		})
	}
	if len(people) > 0 {
		play(simulator.Recorded, func(rng *rand.Rand) *simulator.Rocking {
			passes := *until
			if passes == 0 {
				passes = 3 + rng.IntN(6)
			}
			return simulator.PlayCourse(rockOn(people, passes, rng), d, rng)
		})
	}
	if good.visits > 0 {
		good.print("= good, none apart", rate)
	}
	if bad.visits > 0 {
		bad.print("= bad, none apart", rate)
	}
	if all := good; good.visits > 0 && bad.visits > 0 {
		all.add(bad)
		all.print("= all of both", rate)
	}
}

// apart reports whether the figures of a family stand alone: grit, which nothing shows, and
// gauges that are not quick or show little in free air.
func apart(f simulator.Family) bool {
	return slices.Contains([]simulator.Family{simulator.Gritty, simulator.Averaging, simulator.Lagging, simulator.ShortTravel}, f)
}
