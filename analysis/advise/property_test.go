package advise_test

import (
	"math"
	"math/rand/v2"
	"reflect"
	"testing"
	"time"

	"pgregory.net/rapid"

	"fairbore/analysis"
	"fairbore/analysis/advise"
	"fairbore/analysis/verdict"
)

func pcg(seed, n uint64) *rand.Rand { return rand.New(rand.NewPCG(seed, n)) }

// part is a drawn part: mean sizes by section of each round, µm from the target.
type part struct {
	job     shopJob
	rounds  [][]float64
	effort  []int
	dressed []bool
	timed   bool
}

func drawPart(t *rapid.T, tb testing.TB, straight bool) part {
	jobs := shopJobs(tb)
	p := part{job: jobs[rapid.IntRange(0, len(jobs)-1).Draw(t, "job")], timed: rapid.Bool().Draw(t, "timed")}
	now := make([]float64, len(p.job.Sections))
	start := rapid.Float64Range(-60, 2).Draw(t, "start")
	for i := range now {
		now[i] = start
		if !straight {
			now[i] += rapid.Float64Range(-4, 4).Draw(t, "off")
		}
	}
	p.rounds = [][]float64{now}
	for range rapid.IntRange(0, 6).Draw(t, "rounds") {
		take := rapid.Float64Range(0, 12).Draw(t, "take")
		next := make([]float64, len(now))
		for i := range now {
			next[i] = now[i] + take
			if !straight {
				next[i] += rapid.Float64Range(-1, 1).Draw(t, "uneven")
			}
		}
		now = next
		p.rounds = append(p.rounds, now)
		p.effort = append(p.effort, rapid.IntRange(0, 30).Draw(t, "effort"))
		p.dressed = append(p.dressed, rapid.IntRange(0, 5).Draw(t, "dressed") == 0)
	}
	return p
}

func (p *part) input() advise.Input {
	return sized(p.job, func(i int, r *advise.Round) {
		r.Dressed = p.dressed[i-1]
		if p.timed {
			r.Seconds = float64(p.effort[i-1])
		} else {
			r.Strokes = p.effort[i-1]
		}
	}, p.rounds...)
}

// withU is the input with another uncertainty, judged anew.
func withU(p part, u float64) advise.Input {
	p.job.u = u
	return p.input()
}

// offLargest is what the round is expected to take off where the bore is largest.
func offLargest(in *advise.Input, a *advise.Advice) float64 {
	for i, e := range a.Expected {
		if e.Depth == in.Form.Largest.Depth {
			return (e.Mean - in.Form.Sections[i].Mean).Micrometres()
		}
	}
	return 0
}

// More uncertainty never makes a round that takes more off where there is least
// room; in a straight bore never a longer round at all.
func TestMoreUncertaintyIsNoLonger(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		straight := rapid.Bool().Draw(rt, "straight")
		p := drawPart(rt, t, straight)
		u := rapid.Float64Range(0.1, 2).Draw(rt, "u")
		more := u + rapid.Float64Range(0, 2).Draw(rt, "more")
		a, b := withU(p, u), withU(p, more)
		x, y := advise.Next(a), advise.Next(b)
		if !x.Kind.Honing() || !y.Kind.Honing() {
			return // in size with less of it, it is not honed at all
		}
		if off, was := offLargest(&b, &y), offLargest(&a, &x); off > was+0.002 {
			rt.Fatalf("with u %.2f %.3f µm (%s), with %.2f %.3f µm (%s)", u, was, x.Sentence, more, off, y.Sentence)
		}
		if straight && y.Take > x.Take+20 {
			rt.Fatalf("with u %.2f %s, with %.2f %s", u, x.Sentence, more, y.Sentence)
		}
	})
}

// Nothing depends on where the sizes lie, nor on the unit but the words.
func TestShiftAndUnit(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		p := drawPart(rt, t, false)
		a := advise.Next(p.input())
		shift := analysis.Length(rapid.Int64Range(-int64(5*mm), int64(20*mm)).Draw(rt, "shift"))
		j := *p.job.Job
		j.Nominal, j.Low, j.High, j.Target = j.Nominal+shift, j.Low+shift, j.High+shift, j.Target+shift
		q := p
		q.job.Job = &j
		b := advise.Next(q.input())
		if !reflect.DeepEqual(a.Sentence, b.Sentence) || a.Most != b.Most || a.Risk != b.Risk || a.Kind != b.Kind {
			rt.Fatalf("%s (%g), moved by %s: %s (%g)", a.Sentence, a.Risk, shift, b.Sentence, b.Risk)
		}
		for i := range a.Expected {
			if a.Expected[i].High+shift != b.Expected[i].High {
				rt.Fatalf("expects %s, moved %s", a.Expected[i].High, b.Expected[i].High)
			}
		}
		inch := *p.job.Job
		inch.Unit = analysis.IN + analysis.MM - p.job.Unit // the other one
		p.job.Job = &inch
		c := advise.Next(p.input())
		if c.Kind != a.Kind || c.Strokes != a.Strokes || c.Seconds != a.Seconds || c.Take != a.Take || c.Risk != a.Risk {
			rt.Fatalf("in inches %s, in mm %s", c.Sentence, a.Sentence)
		}
		if !reflect.DeepEqual(c.Sentence, a.Sentence) || !reflect.DeepEqual(c.Reason, a.Reason) || !reflect.DeepEqual(c.NotSaved, a.NotSaved) {
			rt.Fatalf("drawn in %s: %q %q, in %s: %q %q", inch.Unit, c.Sentence, c.Reason, j.Unit, a.Sentence, a.Reason)
		}
	})
}

// A round is never advised on a bore that is over, or past the safe high size,
// not mastered, or with less room than U and one small round; and none is longer
// than the longest, riskier than 1 %, or not a number.
func TestNeverUnsafe(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		p := drawPart(rt, t, rapid.Bool().Draw(rt, "straight"))
		in := p.input()
		in.Dressed = rapid.Bool().Draw(rt, "now dressed")
		a := advise.Next(in)
		for _, v := range []float64{a.Risk, rateOf(a)} {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				rt.Fatalf("not a number in %+v", a)
			}
		}
		if a.Kind == "" || a.Sentence.IsZero() || a.Reason.IsZero() {
			rt.Fatalf("nothing said: %+v", a)
		}
		if !a.Kind.Honing() {
			if a.Strokes != 0 || a.Seconds != 0 || a.Take != 0 {
				rt.Fatalf("%s with %d strokes", a.Kind, a.Strokes)
			}
			return
		}
		z := in.Judged.Sizes.Zone
		room := min(z.AcceptHigh, in.Job.High-analysis.Length(in.U.Expanded)) - in.Form.Largest.Size
		if in.Judged.State == verdict.Over || in.Form.Largest.Size > z.AcceptHigh || room <= 0 {
			rt.Fatalf("%s with %s of room to the safe size: %s", in.Judged.State, room, a.Sentence)
		}
		if a.Rate != nil && !a.Light && float64(room) < float64(a.Rate.Per)*0.8 {
			rt.Fatalf("room %s, a stroke takes %d: %s", room, a.Rate.Per, a.Sentence)
		}
		if a.Risk > 0.01 || a.Strokes > a.Most || a.Seconds > a.Most || a.Short > max(a.Strokes, a.Seconds) {
			rt.Fatalf("risk %g, %d of %d: %s", a.Risk, a.Strokes, a.Most, a.Sentence)
		}
		if short := a.Short > 0 || a.Kind == advise.Correct; short != (a.Where != "") || short != (len(a.At) > 0) {
			rt.Fatalf("%d short strokes, at %q %v: %s", a.Short, a.Where, a.At, a.Sentence)
		}
	})
}

func rateOf(a advise.Advice) float64 {
	if a.Rate == nil {
		return 0
	}
	return a.Rate.Spread + a.Rate.Falling
}

// Nonsense in the rounds is no panic, and no number that isn't one.
func TestNonsense(t *testing.T) {
	_, in := sleeveWorked(t)
	for _, change := range []func(*advise.Round){
		func(r *advise.Round) { r.Strokes = math.MinInt },
		func(r *advise.Round) { r.Strokes = math.MaxInt },
		func(r *advise.Round) { r.Strokes, r.Seconds = 0, math.NaN() },
		func(r *advise.Round) { r.Strokes, r.Seconds = 0, math.Inf(1) },
		func(r *advise.Round) { r.Sections = nil },
		func(r *advise.Round) { r.Sections = []advise.SectionMean{{Depth: 5 * mm, Mean: math.MaxInt64, N: 1}} },
		func(r *advise.Round) { r.Sections = []advise.SectionMean{{Depth: 5 * mm, Mean: 1, N: -3}} },
		func(r *advise.Round) { r.At = time.Unix(1<<40, 0) },
	} {
		for i := range in.Rounds {
			bad := in
			bad.Rounds = append([]advise.Round(nil), in.Rounds...)
			change(&bad.Rounds[i])
			a := advise.Next(bad)
			if math.IsNaN(a.Risk) || math.IsNaN(rateOf(a)) || a.Sentence.IsZero() || a.Risk > 0.01 {
				t.Errorf("round %d: %+v", i, a)
			}
		}
	}
	for _, p := range []analysis.RatePrior{
		{Log: math.NaN(), Spread: math.Inf(1)}, {Scatter: 1e-300, ScatterSpread: 1e-9}, {Scatter: math.NaN(), ScatterSpread: math.Inf(1), Strays: math.NaN()}, {Scatter: 1e9, Strays: -1},
	} {
		in.Prior = &p
		if a := advise.Next(in); math.IsNaN(a.Risk) || math.IsNaN(rateOf(a)) || a.Strokes < 4 || a.Strokes > 6 {
			t.Errorf("with a prior that is no number, %+v: %s", p, a.Sentence)
		}
	}
}

// BenchmarkNext is one call with ten rounds; wanted are 200 µs at most.
func BenchmarkNext(b *testing.B) {
	j := job(b, "J-4120")
	var rounds [][]float64
	for i := range 11 {
		v := -34 + 3.0*float64(i)
		rounds = append(rounds, []float64{v + 1, v + 0.5, v, v - 0.6, v - 3})
	}
	in := sized(j, func(_ int, r *advise.Round) { r.Strokes = 4 }, rounds...)
	b.ReportAllocs()
	for b.Loop() {
		advise.Next(in)
	}
}
