package capture_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/capture"
)

// plateau makes a visit of a three-point gauge: free air, an exponential onto
// the size with time constant 0.25 s, a hold, free air again.
func plateau(rng *rand.Rand, size analysis.Length, hold, sd float64, slope float64) []capture.Sample {
	var out []capture.Sample
	at := 0.0
	add := func(v float64) {
		l, _ := analysis.FromMicrometres(math.Round(v*10) / 10)
		out = append(out, capture.Sample{At: time.Duration(at * 1e9), Value: l})
		at += 0.1
	}
	for range 10 {
		add(size.Micrometres() + 600)
	}
	for start := at; at < start+hold; {
		x := at - start
		add(size.Micrometres() - 60*math.Exp(-x/0.25) + slope*x + sd*rng.NormFloat64())
	}
	for _, v := range []float64{8, 70, 190, 370, 600, 600, 600, 600, 600, 600} { // drawn out
		add(size.Micrometres() + v)
	}
	return out
}

func TestSettledOnePerVisit(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	size := mm(t, "44.4537")
	c := newCapture(t, capture.Options{Mode: capture.Settled, Nominal: mm(t, "44.45"), Repeatability: 3000})
	for visit := range 20 {
		got := all(c, plateau(rng, size, 6, 0.15, 0), capture.Entered, capture.Taken, capture.Refused, capture.Left)
		if len(got) != 3 || got[0].Kind != capture.Entered || got[1].Kind != capture.Taken || got[2].Kind != capture.Left {
			t.Fatalf("visit %d: %+v, want entered, taken, left", visit, got)
		}
		if d := (got[1].Value - size).Abs(); d > um/2 {
			t.Errorf("visit %d: %s, want %s within 0.5 µm", visit, got[1].Value, size)
		}
		if got[1].U <= 0 || got[1].U > 3000 {
			t.Errorf("visit %d: U = %d, want above 0 and less than a sample's", visit, got[1].U)
		}
		c.Reset() // so that time may start anew
	}
}

func TestSettledRefuses(t *testing.T) {
	for _, tc := range []struct {
		name        string
		hold, slope float64
		sd          float64
		want        capture.Reason
	}{
		{"short", 0.7, 0, 0.1, capture.TooShort},
		{"shrinking", 5, -1.0, 0.1, capture.Falling},
		{"growing", 5, 1.0, 0.1, capture.Rising},
		{"shaking", 5, 0, 3, capture.TooShort},
		{"stuck", 5, 0, 0, capture.Stuck},
	} {
		t.Run(tc.name, func(t *testing.T) {
			rng := rand.New(rand.NewPCG(3, 4))
			c := newCapture(t, capture.Options{Mode: capture.Settled, Nominal: mm(t, "44.45"), Repeatability: 1500})
			got := all(c, plateau(rng, mm(t, "44.4537"), tc.hold, tc.sd, tc.slope), capture.Taken, capture.Refused)
			if len(got) != 1 || got[0].Reason != tc.want {
				t.Errorf("%+v, want only refused: %s", got, tc.want)
			}
		})
	}
}

// A wild value on the plateau neither ends the visit nor gets into the mean.
func TestSettledSpike(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	size := mm(t, "44.4537")
	s := plateau(rng, size, 4, 0.1, 0)
	s[24].Value += 30 * um
	s[30].Value = 0
	c := newCapture(t, capture.Options{Mode: capture.Settled, Nominal: mm(t, "44.45")})
	got := all(c, s, capture.Taken, capture.Refused)
	if len(got) != 1 || (got[0].Value-size).Abs() > um/4 {
		t.Errorf("%+v, want one reading of %s within 0.25 µm", got, size)
	}
}

// On to another depth without leaving: the value leaves the level, and a second
// reading is due.
func TestSettledMoves(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 8))
	first, second := mm(t, "44.4537"), mm(t, "44.4541")
	a, b := plateau(rng, first, 4, 0.1, 0), plateau(rng, second, 4, 0.1, 0)
	join := append([]capture.Sample{}, a[:50]...)
	for _, s := range b[10:] {
		s.At += a[50].At - b[10].At
		join = append(join, s)
	}
	c := newCapture(t, capture.Options{Mode: capture.Settled, Nominal: mm(t, "44.45")})
	got := all(c, join, capture.Taken, capture.Moved, capture.Refused)
	if len(got) != 3 || got[0].Kind != capture.Taken || got[1].Kind != capture.Moved || got[2].Kind != capture.Taken {
		t.Fatalf("%+v, want taken, moved, taken", got)
	}
	if (got[0].Value-first).Abs() > um/4 || (got[2].Value-second).Abs() > um/4 {
		t.Errorf("%s and %s, want %s and %s", got[0].Value, got[2].Value, first, second)
	}
}

// coarse shows samples on a display of two micrometres.
func coarse(s []capture.Sample) []capture.Sample {
	const step = 2 * um
	for i := range s {
		s[i].Value = (s[i].Value + step/2) / step * step
	}
	return s
}

func coarseCapture(t *testing.T) capture.Capture {
	return newCapture(t, capture.Options{Mode: capture.Settled, Nominal: mm(t, "44.45"), Repeatability: 500, Resolution: analysis.Deviation(2 * um)})
}

// On a display coarser than the gauge's noise a good level shows one value for as
// long as it lasts. It is said to be level, and taken when the gauge is drawn out.
func TestSettledStandsStill(t *testing.T) {
	c, size := coarseCapture(t), mm(t, "44.4537")
	s := coarse(plateau(rand.New(rand.NewPCG(21, 1)), size, 6, 0.05, 0))
	out := len(s) - 10
	if got := all(c, s[:out], capture.Taken, capture.Refused); len(got) != 0 {
		t.Fatalf("while it stands: %+v, want nothing yet", got)
	}
	if p := c.Progress(); p.Hint != capture.DrawOut || p.Done {
		t.Errorf("while it stands: %+v, want the hint %q", p, capture.DrawOut)
	}
	got := all(c, s[out:], capture.Taken, capture.Refused)
	if len(got) != 1 || got[0].Kind != capture.Taken || (got[0].Value-size).Abs() > um {
		t.Fatalf("drawn out: %+v, want %s within half a step", got, size)
	}
	if last := s[out-1].At; got[0].Until > last || got[0].At <= last || got[0].Since >= got[0].Until {
		t.Errorf("rests on %s to %s, taken at %s; drawn out after %s", got[0].Since, got[0].Until, got[0].At, last)
	}
}

// A stream that hangs until the gauge is out shows nothing of the way: such a level is
// not taken, as it may have hung anywhere.
func TestSettledHangsOut(t *testing.T) {
	s := coarse(plateau(rand.New(rand.NewPCG(21, 5)), mm(t, "44.4537"), 6, 0.05, 0))
	for i := len(s) - 10; i < len(s); i++ {
		s[i].Value = s[len(s)-1].Value
	}
	got := all(coarseCapture(t), s, capture.Taken, capture.Refused)
	if len(got) != 1 || got[0].Reason != capture.Stuck {
		t.Errorf("%+v, want only %q", got, capture.Stuck)
	}
}

// What is taken of a value that stands rests on the time when it came to stand, not on
// what a hanging stream shows after the gauge has left.
func TestSettledStandsFrom(t *testing.T) {
	s := coarse(plateau(rand.New(rand.NewPCG(21, 1)), mm(t, "44.4537"), 6, 0.05, 0))
	out := len(s) - 10
	long := append([]capture.Sample{}, s[:out]...)
	for i := range 12 {
		long = append(long, capture.Sample{At: s[out-1].At + time.Duration(i+1)*100*time.Millisecond, Value: s[out-1].Value})
	}
	for _, x := range s[out:] {
		long = append(long, capture.Sample{At: x.At + 1200*time.Millisecond, Value: x.Value})
	}
	got := all(coarseCapture(t), long, capture.Taken)
	if len(got) != 1 || got[0].Until >= s[out-1].At-2*time.Second {
		t.Errorf("%+v, want one that rests on the beginning of the %s in the bore", got, s[out-1].At-s[10].At)
	}
}

// shows is a value at ten a second, over and over.
type shows struct {
	times int
	off   float64 // µm from the size
}

func stream(size analysis.Length, values ...shows) (s []capture.Sample) {
	for _, v := range values {
		for range v.times {
			s = append(s, capture.Sample{At: time.Duration(len(s)) * 100 * time.Millisecond, Value: size + analysis.Length(v.off*float64(um))})
		}
	}
	return s
}

// A value that hangs on the way home and comes back is not taken, whether the gauge is
// drawn out soon after or late.
func TestSettledHangsOnTheWay(t *testing.T) {
	fine := capture.Options{Mode: capture.Settled, Nominal: mm(t, "44.45")}
	display := fine
	display.Repeatability, display.Resolution = 500, analysis.Deviation(2*um)
	home := []shows{{9, 600}, {1, -184}, {1, -96}, {1, -52}, {1, -28}, {1, -16}, {1, -10}, {1, -8}, {1, -6}} // but for the last 4 µm
	for _, tc := range []struct {
		name   string
		o      capture.Options
		values []shows
	}{
		{"steady way", display, []shows{{9, 600}, {1, -12}, {1, -10}, {1, -8}, {1, -6}, {12, -4}, {1, 8}, {1, 150}, {9, 600}}},
		{"on the way in", display, []shows{{9, 600}, {8, 150}, {1, 190}, {1, 370}, {9, 600}}},
		{"back with a leap", display, slices.Concat(home, []shows{{16, -4}, {2, 0}, {1, 8}, {1, 150}, {9, 600}})},
		{"back by steps", display, slices.Concat(home, []shows{{16, -4}, {1, -2}, {6, 0}, {1, 8}, {1, 150}, {9, 600}})},
		{"a step short", display, slices.Concat(home, []shows{{1, -4}, {16, -2}, {40, 0}, {1, 8}, {1, 150}, {9, 600}})},
		{"back from afar", display, []shows{{9, 600}, {1, 180}, {1, 122}, {1, 92}, {1, 76}, {1, 68}, {1, 64}, {1, 62}, {16, 60}, {1, 50}, {20, 0}, {1, 8}, {1, 150}, {9, 600}}},
		{"fine display", fine, slices.Concat(home, []shows{{1, -4.9}, {1, -4.4}, {1, -4.1}, {8, -4}, {1, 8}, {1, 150}, {9, 600}})},
	} {
		c := newCapture(t, tc.o)
		for _, x := range all(c, stream(mm(t, "44.454"), tc.values...), capture.Taken) {
			if (x.Value - mm(t, "44.454")).Abs() > um/2 {
				t.Errorf("%s: took %+v", tc.name, x)
			}
		}
	}
}

// A hand that sways slowly keeps the value from standing level for a second and more, though the gauge has
// long come home: it is taken when the gauge is drawn out.
func TestSettledSways(t *testing.T) {
	size := mm(t, "44.4537")
	c := newCapture(t, capture.Options{Mode: capture.Settled, Nominal: mm(t, "44.45")})
	s := plateau(rand.New(rand.NewPCG(21, 7)), size, 2.5, 0.15, 0)
	out := len(s) - 10
	for i := 10; i < out; i++ {
		s[i].Value += analysis.Length(0.12 * math.Sin(2*math.Pi*0.4*float64(i)*0.1) * float64(um))
	}
	for _, r := range all(c, s[:out], capture.Taken) {
		t.Fatalf("while it sways: took %+v", r)
	}
	if got := all(c, s[out:], capture.Taken, capture.Refused); len(got) != 1 || got[0].Kind != capture.Taken || (got[0].Value-size).Abs() > um/2 {
		t.Errorf("drawn out: %+v, want %s", got, size)
	}
}

// A gauge that is drawn out slowly, with many values on the way, has not gone on to
// another place, and nothing is missing after its reading.
func TestSettledDrawnOutSlowly(t *testing.T) {
	s := plateau(rand.New(rand.NewPCG(21, 8)), mm(t, "44.4537"), 4, 0.1, 0)
	out := len(s) - 10
	for i := out; i < len(s); i++ {
		s[i].Value = mm(t, "44.4537") + analysis.Length((i-out+1)*(i-out+1))*7*um
	}
	got := all(newCapture(t, capture.Options{Mode: capture.Settled, Nominal: mm(t, "44.45")}), s, capture.Taken, capture.Refused, capture.Moved, capture.Left)
	if len(got) != 2 || got[0].Kind != capture.Taken || got[1].Kind != capture.Left {
		t.Fatalf("%+v, want taken, left", got)
	}
	if late := got[0].At - got[0].Until; late.Round(time.Millisecond) != 100*time.Millisecond {
		t.Errorf("rests on samples up to %s before it was told, want those but the newest, 100ms", late)
	}
}

// A display much coarser than the noise is looked at for longer, as its first signs of
// life come when the value is near the edge of a step.
func TestSettledGrainy(t *testing.T) {
	size := mm(t, "44.45345")
	c := newCapture(t, capture.Options{Mode: capture.Settled, Nominal: mm(t, "44.45"), Repeatability: 1000, Resolution: analysis.Deviation(um)})
	rng := rand.New(rand.NewPCG(21, 10))
	var s []capture.Sample
	for i := range 200 {
		v := size + analysis.Length((0.1*rng.NormFloat64()-60*math.Exp(-float64(i)/5))*float64(um))
		s = append(s, capture.Sample{At: time.Duration(i) * 20 * time.Millisecond, Value: (v + um/2) / um * um})
	}
	got := all(c, s, capture.Taken)
	if len(got) != 1 || got[0].Until < 1800*time.Millisecond || got[0].Until-got[0].Since < 730*time.Millisecond {
		t.Errorf("%+v, want the mean of the later half of 1.5 s and more at rest", got)
	}
}

// A wild value that is sent twice is no move to another place, before a reading or after it.
func TestSettledSpikeSentTwice(t *testing.T) {
	for _, at := range []int{28, 52} {
		s := coarse(plateau(rand.New(rand.NewPCG(21, 9)), mm(t, "44.4537"), 6, 0.6, 0))
		s[at].Value += 40 * um
		s[at+1].Value = s[at].Value
		c := newCapture(t, capture.Options{Mode: capture.Settled, Nominal: mm(t, "44.45"), Repeatability: 6000, Resolution: analysis.Deviation(2 * um)})
		if got := all(c, s, capture.Taken, capture.Moved); len(got) != 1 || got[0].Kind != capture.Taken {
			t.Errorf("sent at %d: %+v, want one reading", at, got)
		}
	}
}

// At two values a second a move to another place shows in one sample, as a wild value
// does: no reading is of both sides of it.
func TestSettledSlowStreamMoves(t *testing.T) {
	c := newCapture(t, capture.Options{Mode: capture.Settled, Nominal: mm(t, "44.45")})
	a, b := mm(t, "44.4537"), mm(t, "44.4539")
	values := []analysis.Length{a + 300*um, a + 40*um, a + 5*um, a, a + 1000, a - 1000, b + 60*um, b, b + 1000, b, b - 1000, b, b + 90*um, b + 300*um, b + 300*um}
	var s []capture.Sample
	for i, v := range values {
		s = append(s, capture.Sample{At: time.Duration(i) * 500 * time.Millisecond, Value: v})
	}
	got := all(c, s, capture.Taken)
	for _, x := range got {
		if x.Since < 3*time.Second && x.Until > 3*time.Second {
			t.Errorf("took %s of %s to %s, moved at 3 s", x.Value, x.Since, x.Until)
		}
	}
	if len(got) == 0 {
		t.Error("took nothing")
	}
}

// A slow stream that stalls and comes in a bunch has no times to go by.
func TestSettledBunchOfFew(t *testing.T) {
	c := newCapture(t, capture.Options{Mode: capture.Settled, Nominal: mm(t, "44.45")})
	var s []capture.Sample
	for i, at := range []float64{0, 0.5, 1, 1.5, 2.9, 2.9, 2.9, 2.9} {
		v := []analysis.Length{300 * um, 60 * um, 9 * um, 1500, 500, 1500, 500, 1500}[i]
		s = append(s, capture.Sample{At: time.Duration(at * 1e9), Value: mm(t, "44.4537") + v})
	}
	if got := all(c, s, capture.Taken); len(got) != 0 {
		t.Errorf("took %+v of values that came at once", got)
	}
}

// A stream that sticks is never taken, wherever it sticks: on the way home or at
// rest, for good or until the gauge has long gone on.
func TestSettledStuckStream(t *testing.T) {
	for stick := 11; stick < 50; stick++ {
		s := coarse(plateau(rand.New(rand.NewPCG(21, 2)), mm(t, "44.4537"), 6, 0.05, 0))
		for i := stick; i < len(s); i++ {
			s[i].Value = s[stick].Value
		}
		if got := all(coarseCapture(t), s, capture.Taken); len(got) != 0 {
			t.Errorf("stuck for good from sample %d on: took %+v", stick, got)
		}
	}
	size := mm(t, "44.4537")
	for stick := 10; stick < 30; stick++ {
		s := coarse(plateau(rand.New(rand.NewPCG(21, 3)), size, 6, 0.05, 0))
		for i := stick; i < stick+15; i++ { // 1.5 s
			s[i].Value = s[stick].Value
		}
		got := all(coarseCapture(t), s, capture.Taken)
		if len(got) > 1 || len(got) == 1 && (got[0].Value-size).Abs() > 2*um {
			t.Errorf("stuck from sample %d for 1.5 s: took %+v, want at most one, of %s", stick, got, size)
		}
	}
}

// Drawn along the bore to another depth, the level before counts: the value went
// far up and came back.
func TestSettledStillMoves(t *testing.T) {
	rng := rand.New(rand.NewPCG(21, 4))
	a, b := plateau(rng, mm(t, "44.4537"), 4, 0.05, 0), plateau(rng, mm(t, "44.4597"), 4, 0.05, 0)
	join := append([]capture.Sample{}, a[:48]...)
	for i, v := range []analysis.Length{20 * um, 70 * um, 60 * um, 30 * um, 8 * um} {
		join = append(join, capture.Sample{At: a[47].At + time.Duration(i+1)*100*time.Millisecond, Value: mm(t, "44.4537") + v})
	}
	shift := join[len(join)-1].At - b[25].At
	for _, s := range b[26:] {
		s.At += shift
		join = append(join, s)
	}
	got := all(coarseCapture(t), coarse(join), capture.Taken, capture.Moved, capture.Refused)
	if len(got) != 3 || got[0].Kind != capture.Taken || got[1].Kind != capture.Moved || got[2].Kind != capture.Taken {
		t.Fatalf("%+v, want taken, moved, taken", got)
	}
	if (got[0].Value-mm(t, "44.4537")).Abs() > um || (got[2].Value-mm(t, "44.4597")).Abs() > um {
		t.Errorf("took %s and %s", got[0].Value, got[2].Value)
	}
}
