package capture_test

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"pgregory.net/rapid"

	"fairbore/analysis"
	"fairbore/analysis/capture"
	"fairbore/drivers/simulator"
)

// rock is a visit of a two-point gauge made here from the geometry alone, not by
// the simulator: it shows size + (D-2r)(sec t - 1), and is rocked as a pure sine.
type rock struct {
	size           float64 // mm
	rate, half     float64 // values/s, s a swing
	amplitude, off float64 // degrees
	passes         int
	hold           float64 // s parked at the amplitude in the end
	sd             float64 // µm
}

func (r rock) tilt(t float64) float64 {
	t = min(t, float64(r.passes)*r.half)
	return (r.off + r.amplitude*math.Cos(math.Pi*t/r.half)) * math.Pi / 180
}

func (r rock) shown(tilt float64) float64 { return (r.size-4)*(1/math.Cos(tilt)-1)*1000 + r.size*1000 }

// samples go from free air through the rock to free air, from time at on.
func (r rock) samples(at float64, rng *rand.Rand) (out []capture.Sample) {
	add := func(um float64) {
		l, err := analysis.FromMicrometres(math.Round((um+r.sd*rng.NormFloat64())*10) / 10)
		if err != nil {
			panic(err)
		}
		out = append(out, capture.Sample{At: time.Duration(at * 1e9), Value: l})
		at += 1 / r.rate
	}
	for range int(r.rate) {
		add(r.size*1000 + 800)
	}
	start := at
	for at < start+1 { // the way in, held at a tilt
		add(r.shown(r.tilt(0)))
	}
	start = at
	for at < start+float64(r.passes)*r.half+r.hold {
		add(r.shown(r.tilt(at - start)))
	}
	for range int(r.rate) {
		add(r.size*1000 + 800)
	}
	return out
}

var good = rock{size: 22.2281, rate: 20, half: 1, amplitude: 3, off: 0.3, passes: 5, sd: 0.1}

func turning(t testing.TB) capture.Capture {
	return newCapture(t, capture.Options{Mode: capture.Turning, Nominal: mm(t, "22.23"), Repeatability: 1000})
}

func TestTurningFindsTheSize(t *testing.T) {
	for _, r := range []rock{
		good,
		{size: 22.2281, rate: 20, half: 1, amplitude: 3, passes: 5, sd: 0.001},
		{size: 22.2281, rate: 50, half: 0.5, amplitude: 4, passes: 5, off: -1, sd: 0.1},
		{size: 22.2281, rate: 10, half: 1.4, amplitude: 2, passes: 5, off: 0.4, sd: 0.1},
		{size: 22.2281, rate: 100, half: 1, amplitude: 2, passes: 4, off: 0.4, sd: 0.1},
	} {
		rng := rand.New(rand.NewPCG(1, 1))
		got := all(turning(t), r.samples(0, rng), capture.Entered, capture.Taken, capture.Refused, capture.Left)
		if len(got) != 3 || got[0].Kind != capture.Entered || got[1].Kind != capture.Taken || got[2].Kind != capture.Left {
			t.Errorf("%+v: %+v, want entered, taken, left", r, got)
			continue
		}
		taken, u := got[1], got[1].U
		if d := (taken.Value - mm(t, "22.2281")).Abs(); d > analysis.Length(4*u) || d > um/4 {
			t.Errorf("%+v: %s ± %d, off by %d", r, taken.Value, u, d)
		}
		if taken.Passes < 3 || u <= 0 || u > 2500 || taken.Quality <= 0 {
			t.Errorf("%+v: %+v", r, taken)
		}
		// The first pass is half a swing into the rock, 2 s after the start; the tone
		// comes within half a swing of the third.
		if third := 2 + 2.5*r.half; taken.Passes == 3 && taken.At.Seconds() > third+0.5*r.half+0.1 {
			t.Errorf("%+v: taken at %s, third pass at %.2f s", r, taken.At, third)
		}
	}
}

func TestTurningRefuses(t *testing.T) {
	with := func(change func(*rock)) rock { r := good; change(&r); return r }
	for _, tc := range []struct {
		name string
		r    rock
		want capture.Reason
	}{
		{"too short", with(func(r *rock) { r.passes, r.hold = 0, 0.1 }), capture.TooShort},
		{"parked at 2°", with(func(r *rock) { r.passes, r.amplitude, r.hold = 0, 2, 8 }), capture.NotRocked},
		{"parked square", with(func(r *rock) { r.passes, r.amplitude, r.off, r.hold = 0, 0, 0, 8 }), capture.NotRocked},
		{"one pass", with(func(r *rock) { r.passes = 1 }), capture.OnePass},
		{"two passes", with(func(r *rock) { r.passes = 2 }), capture.FewPasses},
		{"fast for 5/s", with(func(r *rock) { r.rate, r.half = 5, 0.7 }), capture.TooFast},
	} {
		rng := rand.New(rand.NewPCG(2, 2))
		got := all(turning(t), tc.r.samples(0, rng), capture.Taken, capture.Refused)
		if len(got) != 1 || got[0].Kind != capture.Refused || got[0].Reason != tc.want {
			t.Errorf("%s: %+v, want refused: %s", tc.name, got, tc.want)
		}
	}
}

// Frames that are lost, sent twice or wild cost little.
func TestTurningBadFrames(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 3))
	for n := range 50 {
		s := good.samples(0, rng)
		for range 3 {
			i := 41 + rng.IntN(len(s)-80)
			switch rng.IntN(3) {
			case 0:
				s = append(s[:i], s[i+1:]...)
			case 1:
				s[i].Value = s[i-1].Value
			case 2:
				s[i].Value += 30 * um
			}
		}
		got := all(turning(t), s, capture.Taken, capture.Refused)
		if len(got) != 1 || got[0].Kind != capture.Taken || (got[0].Value-mm(t, "22.2281")).Abs() > um/3 {
			t.Errorf("%d: %+v, want one reading of 22.2281 mm", n, got)
		}
	}
}

// A value that the gauge sends twice lies well off where the tilt is large. In a
// short rock it is one sample of a few dozen, and must not pass for an unsteady
// hand: the scatter of the others tells how steady it was.
func TestTurningOneStray(t *testing.T) {
	taken := 0
	const tries = 100
	for n := range uint64(tries) {
		rng := rand.New(rand.NewPCG(10, n))
		r := rock{size: 22.2281, rate: 20, half: 0.5, amplitude: 3, off: 0.3, passes: 3, sd: 0.1}
		s := r.samples(0, rng)
		i := 40 + 1 + rng.IntN(28) // within the rock
		s[i].Value = s[i-1].Value
		for _, x := range all(turning(t), s, capture.Taken) {
			taken++
			if d := (x.Value - mm(t, "22.2281")).Abs(); d > um {
				t.Errorf("%d: took %s ± %d", n, x.Value, x.U)
			}
		}
	}
	if taken < 80 { // a cap of five standard deviations took 32
		t.Errorf("%d of %d taken", taken, tries)
	}
}

// A busy computer hands a value over late, and the next close behind it: the
// passes before it still count. A stall and all of its values at once do not.
func TestTurningLateValues(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	s := good.samples(0, rng)
	for _, i := range []int{52, 68, 85, 101} {
		s[i].At += 47 * time.Millisecond // of 50 between values
	}
	got := all(turning(t), s, capture.Taken, capture.Refused)
	if len(got) != 1 || got[0].Kind != capture.Taken || (got[0].Value-mm(t, "22.2281")).Abs() > um/2 {
		t.Errorf("late values: %+v, want one reading of 22.2281 mm", got)
	}
	s = good.samples(0, rng)
	for _, i := range []int{60, 80, 100, 120} {
		for j := i; j < i+10; j++ {
			s[j].At = s[i+10].At
		}
	}
	if got := all(turning(t), s, capture.Taken); len(got) != 0 {
		t.Errorf("stalls: took %+v", got)
	}
}

// However long it is rocked, a place gives one reading; another depth gives
// another, smaller or larger, but not of the same size: a hand that rests and rocks on shows no
// other. Leaving the bore begins anew.
func TestTurningOncePerPlace(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	long := good
	long.passes = 20
	if got := all(turning(t), long.samples(0, rng), capture.Taken, capture.Refused, capture.Moved); len(got) != 1 {
		t.Errorf("rocked on: %+v, want one reading", got)
	}
	for _, size := range []float64{22.2231, 22.2281, 22.2331} {
		next := good
		next.size = size
		a, b := good.samples(0, rng), next.samples(0, rng)
		join := a[:len(a)-int(good.rate)] // not out into the air
		shift := join[len(join)-1].At - b[int(good.rate)].At + time.Second/time.Duration(good.rate)
		for _, s := range b[int(good.rate):] {
			s.At += shift
			join = append(join, s)
		}
		got := all(turning(t), join, capture.Taken, capture.Refused, capture.Moved)
		if size == good.size {
			if len(got) != 1 {
				t.Errorf("on to the same size: %+v, want one reading", got)
			}
			continue
		}
		if len(got) != 3 || got[0].Kind != capture.Taken || got[1].Kind != capture.Moved || got[2].Kind != capture.Taken {
			t.Errorf("on to %.4f mm: %+v, want taken, moved, taken", size, got)
			continue
		}
		if d := math.Abs(got[2].Value.Micrometres() - size*1000); d > 0.3 {
			t.Errorf("on to %.4f mm: read %s", size, got[2].Value)
		}
	}
}

// After silence, and after Reset, the passes before don't count.
func TestTurningBegunAgain(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 5))
	s := good.samples(0, rng)
	cut := len(s) / 2
	for i := cut; i < len(s); i++ {
		s[i].At += 5 * time.Second
	}
	got := all(turning(t), s, capture.Refused)
	if len(got) == 0 || got[0].Reason != capture.Silent {
		t.Errorf("%+v, want refused: %s", got, capture.Silent)
	}
	c := turning(t)
	s = good.samples(0, rng)
	all(c, s[:cut])
	if p := c.Progress(); !p.In || p.Passes == 0 || p.Hint == "" && !p.Done {
		t.Errorf("halfway: %+v", p)
	}
	c.Reset()
	if p := c.Progress(); p != (capture.Progress{}) {
		t.Errorf("after Reset: %+v", p)
	}
}

// The simulated shop, a fixed sample of it: nothing false, next to nothing missed.
func TestTurningSimulated(t *testing.T) {
	rng := rand.New(rand.NewPCG(6, 6))
	got := newTally()
	for range 200 {
		got.cycle(draw(simulator.TwoPoint, 50, rng), rng)
	}
	if got.outside+got.off > 0 {
		t.Errorf("false: %v", got.falseBy)
	}
	if p := percent(got.missed, got.must); p > 7 {
		t.Errorf("missed %.1f %%: %v", p, got.missBy)
	}
	mean, _ := got.err.stats()
	_, rel := got.rel.stats()
	_, norm := got.norm.stats()
	if math.Abs(mean) > 0.05 || rel > 0.45 || norm < 0.8 || norm > 1.35 {
		t.Errorf("mean error %.3f µm, sd %.2f of a sample's, %.2f of U", mean, rel, norm)
	}
}

// Time stamps in steps of 16 ms leave the size unbiased. Of 150 readings the mean is known to 0.015 µm.
func TestTurningStampsInSteps(t *testing.T) {
	for _, rate := range []float64{20, 25, 50, 100} {
		sum, sum2, n := 0.0, 0.0, 0.0
		const tries = 150
		for i := range uint64(tries) {
			rng := rand.New(rand.NewPCG(73, i))
			r := rock{size: 22.2281, rate: rate, half: 0.6 + 0.5*rng.Float64(), amplitude: 2.5 + rng.Float64(), off: 0.3 * rng.NormFloat64(), passes: 6, sd: 0.15}
			s := r.samples(0, rng)
			for k := range s {
				s[k].At = (s[k].At/(16*time.Millisecond) + 1) * 16 * time.Millisecond
			}
			for _, x := range all(turning(t), s, capture.Taken) {
				d := x.Value.Micrometres() - 1000*r.size
				sum, sum2, n = sum+d, sum2+d*d, n+1
			}
		}
		if mean := sum / n; n < 0.97*tries || mean > 0.05 || mean < -0.05 || sum2/n > 0.25*0.25 {
			t.Errorf("%g/s: %g of %d read, mean error %.3f µm, mean square %.3f", rate, n, tries, mean, sum2/n)
		}
	}
}

// The same samples after other visits and a Reset, or from another origin of time, give the same readings.
func TestTurningResetForgets(t *testing.T) {
	used := turning(t)
	for n := range uint64(20) {
		rng := rand.New(rand.NewPCG(74, n))
		s := quick.samples(0, rng)
		if n%2 == 0 {
			s = good.samples(0, rng)
		}
		fresh := turning(t)
		fresh.Feed(capture.Sample{At: 0, Value: mm(t, "23.03")}) // which learns where free air is, too
		want := all(fresh, s, capture.Entered, capture.Taken, capture.Refused, capture.Left)
		used.Reset()
		later := make([]capture.Sample, len(s))
		for i, x := range s {
			later[i] = capture.Sample{At: x.At + 3*time.Hour, Value: x.Value}
		}
		got := all(used, later, capture.Entered, capture.Taken, capture.Refused, capture.Left)
		if len(got) != len(want) {
			t.Fatalf("%d: %+v, want %+v", n, got, want)
		}
		for i := range got {
			if g, w := got[i], want[i]; g.Kind != w.Kind || g.Value != w.Value || g.U != w.U || g.At-3*time.Hour != w.At || g.Reason != w.Reason {
				t.Errorf("%d: %+v, want %+v", n, g, w)
			}
		}
		all(used, s[:len(s)/2]) // half a visit, to be forgotten
	}
}

// Whatever is done to a rock, nothing panics and what is taken lies in the band.
func TestTurningAnySequence(t *testing.T) {
	base := good.samples(0, rand.New(rand.NewPCG(7, 7)))
	rapid.Check(t, func(t *rapid.T) {
		c, err := capture.New(capture.Options{Mode: capture.Turning, Nominal: 222_300_000})
		if err != nil {
			t.Fatal(err)
		}
		shift := time.Duration(rapid.Int64Range(-1e18, 1e18).Draw(t, "origin"))
		stretch := rapid.Float64Range(0, 4).Draw(t, "stretch")
		for i := 0; i < len(base); i++ {
			s := base[i]
			s.At = shift + time.Duration(float64(s.At)*stretch)
			switch rapid.IntRange(0, 60).Draw(t, "what") {
			case 0:
				s.Value = analysis.Length(rapid.Int64().Draw(t, "v"))
			case 1:
				shift += time.Duration(rapid.Int64Range(-1e12, 1e13).Draw(t, "jump"))
			case 2:
				i -= rapid.IntRange(0, min(i, 40)).Draw(t, "back")
			case 3:
				i += rapid.IntRange(0, 40).Draw(t, "skip")
			case 4:
				s.Value += analysis.Length(rapid.IntRange(-100, 100).Draw(t, "off")) * um
			}
			for _, r := range c.Feed(s) {
				if r.Kind == capture.Taken && ((r.Value-222_300_000).Abs() > 400*um || r.U <= 0 || r.Passes < 3) {
					t.Fatalf("took %+v", r)
				}
			}
			c.Progress()
		}
	})
}

// Feeding never allocates, so memory can't grow.
func TestFeedDoesNotAllocate(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 8))
	s := good.samples(0, rng)
	for _, m := range []capture.Mode{capture.Button, capture.Settled, capture.Turning} {
		c := newCapture(t, capture.Options{Mode: m, Nominal: mm(t, "22.23")})
		if n := testing.AllocsPerRun(5, func() {
			for _, x := range s {
				c.Feed(x)
			}
		}); n > 0 {
			t.Errorf("%v: %v allocations", m, n)
		}
	}
}

// What a sample costs.
func BenchmarkFeed(b *testing.B) {
	rng := rand.New(rand.NewPCG(9, 9))
	for _, m := range []capture.Mode{capture.Button, capture.Settled, capture.Turning} {
		for _, rate := range []float64{20, 50} {
			r := good
			r.rate = rate
			name := m.String() + "/" + time.Duration(float64(time.Second)/rate).String()
			benchmarkFeed(b, name, r.samples(0, rng), capture.Options{Mode: m})
			if m == capture.Turning {
				benchmarkFeed(b, name+"/coarse", coarse(r.samples(0, rng)), capture.Options{Mode: m, Resolution: analysis.Deviation(2 * um)})
			}
		}
	}
}

func benchmarkFeed(b *testing.B, name string, s []capture.Sample, o capture.Options) {
	b.Run(name, func(b *testing.B) {
		o.Nominal = mm(b, "22.23")
		c := newCapture(b, o)
		b.ReportAllocs()
		at := time.Duration(0)
		for i := 0; b.Loop(); i++ {
			x := s[i%len(s)]
			if i%len(s) == 0 {
				at += s[len(s)-1].At + time.Second
			}
			x.At += at
			c.Feed(x)
		}
	})
}
