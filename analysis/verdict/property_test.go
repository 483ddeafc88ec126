package verdict

import (
	"math/rand/v2"
	"reflect"
	"testing"

	"pgregory.net/rapid"

	"fairbore/analysis"
	"fairbore/analysis/uncertainty"
)

var rules = []Rule{Simple, Confidence95, Expanded}

// draw makes an input with readings about the limits of the sleeve.
func draw(t *rapid.T, tb testing.TB) Input {
	in := input(tb)
	in.Rule = rapid.SampledFrom(rules).Draw(t, "rule")
	in.Job.Ovality, in.Job.Taper = µm/2, µm
	size := rapid.Int64Range(int64(in.Job.Low)-20_000, int64(in.Job.High)+20_000)
	for _, p := range in.Job.Plan() {
		for range rapid.IntRange(0, 2).Draw(t, "repeats") {
			in.Readings = append(in.Readings, analysis.Reading{Place: p, Size: analysis.Length(size.Draw(t, "size"))})
		}
	}
	u := rapid.Int64Range(1, 30_000)
	in.Size, in.Form = pairOf(u.Draw(t, "u")), pairOf(u.Draw(t, "u of form"))
	return in
}

func pairOf(u int64) uncertainty.Stated {
	return stated(analysis.Deviation(u), analysis.Deviation(2*u))
}

// More uncertainty never turns a rejection or "uncertain" into acceptance, nor
// doubt into a rejection.
func TestMoreUncertainty(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		in := draw(rt, t)
		more := in
		more.Size = pairOf(int64(in.Size.Standard) + rapid.Int64Range(0, 30_000).Draw(rt, "more"))
		more.Form = pairOf(int64(in.Form.Standard) + rapid.Int64Range(0, 30_000).Draw(rt, "more of form"))
		a, b := Judge(in), Judge(more)
		if b.Decision == Conforms && a.Decision != Conforms {
			rt.Fatalf("from %s to %s with u from %d to %d", a.Decision, b.Decision, in.Size.Standard, more.Size.Standard)
		}
		if b.State == InSize && a.State != InSize || b.Stop.Action == Finished && a.Stop.Action != Finished {
			rt.Fatalf("from %s to %s", a.State, b.State)
		}
		for i := range a.Sizes.Locals {
			x, y := a.Sizes.Locals[i].Decision, b.Sizes.Locals[i].Decision
			if y == Conforms && x != Conforms || y == DoesNotConform && x != DoesNotConform {
				rt.Fatalf("%v: from %s to %s", a.Sizes.Locals[i].Place, x, y)
			}
		}
	})
}

// A further reading never makes a bore conform that was rejected or in doubt.
func TestMoreReadings(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		in := draw(rt, t)
		more := in
		p := rapid.SampledFrom(in.Job.Plan()).Draw(rt, "place")
		size := rapid.Int64Range(int64(in.Job.Low)-20_000, int64(in.Job.High)+20_000).Draw(rt, "size")
		more.Readings = append(append([]analysis.Reading(nil), in.Readings...), analysis.Reading{Place: p, Size: analysis.Length(size)})
		a, b := Judge(in), Judge(more)
		if b.Decision == Conforms && (a.Decision == Uncertain || a.Decision == DoesNotConform) {
			rt.Fatalf("from %s to %s by another reading", a.Decision, b.Decision)
		}
		if a.State == Over && b.State != Over {
			rt.Fatalf("from over to %s by another reading", b.State)
		}
	})
}

func TestPermutation(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		in := draw(rt, t)
		a := Judge(in)
		seed := rapid.Uint64().Draw(rt, "seed")
		rand.New(rand.NewPCG(seed, 1)).Shuffle(len(in.Readings), func(i, j int) {
			in.Readings[i], in.Readings[j] = in.Readings[j], in.Readings[i]
		})
		if b := Judge(in); !reflect.DeepEqual(a, b) {
			rt.Fatalf("%+v\nin another order\n%+v", a, b)
		}
	})
}

// A job drawn in inch, its limits and readings entered in inch, has the verdict
// of the same one entered in mm.
func TestInchAndMetric(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		in := input(t)
		in.Rule = rapid.SampledFrom(rules).Draw(rt, "rule")
		metric := in
		job := *in.Job
		metric.Job = &job
		convert := func(millionths int) (inch, mm analysis.Length) {
			l, err := analysis.FromDecimal(int64(millionths), 6, analysis.IN)
			if err != nil {
				rt.Fatal(err)
			}
			text, err := l.Exact(analysis.MM)
			if err != nil {
				rt.Fatal(err)
			}
			return l, length(t, text+" mm")
		}
		low := rapid.IntRange(1_249_900, 1_250_000).Draw(rt, "low")
		high := low + rapid.IntRange(50, 200).Draw(rt, "tolerance")
		in.Job.Low, metric.Job.Low = convert(low)
		in.Job.High, metric.Job.High = convert(high)
		in.Job.Nominal, metric.Job.Nominal = convert(low)
		for _, p := range in.Job.Plan() {
			a, b := convert(rapid.IntRange(low-40, high+40).Draw(rt, "size"))
			in.Readings = append(in.Readings, analysis.Reading{Place: p, Size: a})
			metric.Readings = append(metric.Readings, analysis.Reading{Place: p, Size: b})
		}
		if a, b := Judge(in), Judge(metric); !reflect.DeepEqual(a, b) {
			rt.Fatalf("%+v\nin mm\n%+v", a, b)
		}
	})
}

// Whatever the 95 % rule accepts conforms with that probability, whatever it
// rejects fails with that probability, and it accepts nothing less than it may.
func TestConfidence95(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		tol := rapid.Int64Range(2, 100_000).Draw(rt, "tolerance")
		u := rapid.Int64Range(1, 60_000).Draw(rt, "u")
		z, err := NewZone(0, analysis.Length(tol), Confidence95, pairOf(u))
		if err != nil {
			rt.Fatal(err)
		}
		v := analysis.Length(rapid.Int64Range(-60_000, 160_000).Draw(rt, "value"))
		p := z.Probability(v)
		d, _ := z.Decide(v)
		if d == Conforms && p < 0.95-2e-9 || d == DoesNotConform && p > 0.05+2e-9 || d != Conforms && p > 0.95+1e-3 && float64(u) > 1000 {
			rt.Fatalf("%s at a probability of %v", d, p)
		}
		if g := float64(z.Guard); g < z95*float64(u) {
			rt.Fatalf("guard band %v is less than 1.645 × %d", g, u)
		}
	})
}

func BenchmarkBudgetAndVerdict100(b *testing.B) {
	j := sleeve(b)
	j.Ovality, j.Taper = µm, µm
	j.Sections = j.Sections[:0]
	for i := range 25 {
		j.Sections = append(j.Sections, analysis.Length(i+1)*2*analysis.Millimetre)
	}
	j.Orientations = []analysis.Angle{0, 45_000, 90_000, 135_000}
	in := Input{Job: j, Rule: Confidence95}
	for i, p := range j.Plan() {
		in.Readings = append(in.Readings, analysis.Reading{Place: p, Size: j.Low + 10_000 + analysis.Length(i*37%50)*100})
	}
	bore := uncertainty.BoreInput{Size: j.Nominal, RingU: 2500, Repeat: 1500, RepeatFreedom: 14, Readings: 1, Master: 3, Drift: 3000, Contact: 500, PartWithin: analysis.Celsius,
		Ring: uncertainty.Expansion{Alpha: 11.5, U: 0.6}, Part: uncertainty.Expansion{Alpha: 11, U: 0.6}}
	form := uncertainty.DifferenceInput{Size: j.Nominal, Repeat: 1500, RepeatFreedom: 14, Readings: 1, Part: bore.Part}
	b.ReportAllocs()
	for b.Loop() {
		size, err := uncertainty.Bore(bore)
		if err != nil {
			b.Fatal(err)
		}
		diff, err := uncertainty.Difference(form)
		if err != nil {
			b.Fatal(err)
		}
		in.Size, in.Form = size.Stated, diff.Stated
		if v := Judge(in); v.Decision == NotJudged {
			b.Fatal(v.Sentence)
		}
	}
}
