package settle_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"fairbore/analysis/capture/settle"
)

// fine and coarse are a display much finer, and one much coarser, than the gauge's noise.
var (
	fine   = settle.Options{Repeatability: 0.15, Step: 0.1, Settle: 0.6, Slope: 0.2, Range: 1.35, Rearm: 30}
	coarse = settle.Options{Repeatability: 0.1, Step: 2, Settle: 0.6, Slope: 0.2, Range: 3, Rearm: 30}
)

// feed gives the finder a way (µm, of the seconds from one time to another) at 20 values a second, with noise and
// display as its options say, and returns what it has shown.
func feed(f *settle.Finder, o settle.Options, from, to float64, rng *rand.Rand, way func(t float64) float64) (events []settle.Event) {
	for i := math.Ceil(from*20 - 1e-9); i < to*20-1e-9; i++ {
		v := way(i/20) + o.Repeatability*rng.NormFloat64()
		events = append(events, f.Add(i/20, math.Round(v/o.Step)*o.Step)...)
	}
	return events
}

// home comes to a size by an exponential.
func home(size float64) func(float64) float64 {
	return func(t float64) float64 { return size + 40*math.Exp(-t/0.15) }
}

func TestLevelIsReadOnceWithItsUncertainty(t *testing.T) {
	for seed := range uint64(50) {
		rng := rand.New(rand.NewPCG(81, seed))
		f := settle.New(fine)
		got := feed(f, fine, 0, 6, rng, home(5))
		if len(got) != 1 || got[0].Moved {
			t.Fatalf("seed %d: %+v, want one reading", seed, got)
		}
		r := got[0].Reading
		if e := r.Size - 5; math.Abs(e) > 4*r.U || r.U > 0.5 || r.Over < 0.5 || r.Until > 6 || r.Scatter < 0.3 || r.Scatter > 2 {
			t.Errorf("seed %d: off by %.3f µm: %+v", seed, e, r)
		}
	}
}

func TestDoubtWhereThereIsNoLevel(t *testing.T) {
	for name, tc := range map[string]struct {
		lasts float64
		way   func(t float64) float64
		want  settle.Doubt
	}{
		"short visit": {0.3, home(0), settle.Short},
		"falling":     {4, func(t float64) float64 { return -t }, settle.Falling},
		"rising":      {4, func(t float64) float64 { return t }, settle.Rising},
		"shaking":     {4, func(t float64) float64 { return 20 * math.Sin(20*t) }, settle.Short},
		"not certain": {1.7, home(0), settle.Pending},
	} {
		f := settle.New(fine)
		if got := feed(f, fine, 0, tc.lasts, rand.New(rand.NewPCG(82, 1)), tc.way); len(got) > 0 || f.Doubt() != tc.want {
			t.Errorf("%s: %+v, doubt %d, want none and doubt %d", name, got, f.Doubt(), tc.want)
		}
	}
}

// On a coarse display a good level shows one value, and so does a stream that is stuck: what is seen of the way
// out tells one from the other.
func TestPendingLevelIsTakenIfItIsSeenToLeave(t *testing.T) {
	for name, tc := range map[string]struct {
		beyond float64
		want   settle.Doubt
	}{"a value on the way": {300, settle.None}, "a leap into the air": {600, settle.Stuck}} {
		f := settle.New(coarse)
		if got := feed(f, coarse, 0, 4, rand.New(rand.NewPCG(83, 1)), home(0)); len(got) > 0 || f.Doubt() != settle.Pending {
			t.Fatalf("%s: %+v, doubt %d, want a pending level", name, got, f.Doubt())
		}
		r, doubt := f.Leave(tc.beyond, 600)
		if doubt != tc.want || (doubt == settle.None) != (r.U > 0) {
			t.Errorf("%s: %+v, doubt %d, want %d", name, r, doubt, tc.want)
		}
	}
}

func TestNextPlaceIsReadWithoutLeaving(t *testing.T) {
	rng := rand.New(rand.NewPCG(84, 1))
	f := settle.New(fine)
	got := feed(f, fine, 0, 5, rng, home(0))
	got = append(got, feed(f, fine, 5, 6, rng, func(t float64) float64 { return 120 * math.Sin(math.Pi*(t-5)) })...)
	got = append(got, feed(f, fine, 6, 11, rng, func(float64) float64 { return 8 })...)
	if len(got) != 3 || got[0].Moved || !got[1].Moved || got[2].Moved || math.Abs(got[2].Reading.Size-8) > 0.5 {
		t.Errorf("%+v, want a reading, a move, and a reading of 8 µm", got)
	}
}

// After a stall nothing before counts, and a finder that has begun again reads as a new one does.
func TestRestartAndBeginForget(t *testing.T) {
	f := settle.New(fine)
	feed(f, fine, 0, 1.7, rand.New(rand.NewPCG(85, 1)), home(0))
	if f.Doubt() != settle.Pending {
		t.Fatalf("doubt %d, want a pending level", f.Doubt())
	}
	f.Restart(1.7)
	if f.Doubt() == settle.Pending {
		t.Error("a level is pending after the restart")
	}
	f.Begin()
	want := feed(settle.New(fine), fine, 0, 6, rand.New(rand.NewPCG(85, 2)), home(3))
	if got := feed(f, fine, 0, 6, rand.New(rand.NewPCG(85, 2)), home(3)); len(got) != 1 || got[0] != want[0] {
		t.Errorf("%+v, want %+v", got, want)
	}
}

func TestAddDoesNotAllocate(t *testing.T) {
	rng := rand.New(rand.NewPCG(86, 1))
	var values []float64
	for i := range 200 {
		values = append(values, math.Round(10*(home(0)(float64(i)/20)+0.15*rng.NormFloat64()))/10)
	}
	f := settle.New(fine)
	if n := testing.AllocsPerRun(5, func() {
		f.Begin()
		for i, v := range values {
			f.Add(float64(i)/20, v)
		}
		f.Leave(300, 600)
	}); n > 0 {
		t.Errorf("%v allocations", n)
	}
}
