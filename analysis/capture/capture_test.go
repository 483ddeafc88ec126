package capture_test

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/capture"

	"pgregory.net/rapid"
)

const um = analysis.Micrometre

func mm(t testing.TB, s string) analysis.Length {
	t.Helper()
	l, err := analysis.ParseLength(s + " mm")
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func newCapture(t testing.TB, o capture.Options) capture.Capture {
	t.Helper()
	c, err := capture.New(o)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// all feeds the samples and returns the results that are of the kinds.
func all(c capture.Capture, samples []capture.Sample, kinds ...capture.Kind) []capture.Result {
	var out []capture.Result
	for _, s := range samples {
		for _, r := range c.Feed(s) {
			for _, k := range kinds {
				if r.Kind == k {
					out = append(out, r)
				}
			}
		}
	}
	return out
}

func TestButtonBounce(t *testing.T) {
	c := newCapture(t, capture.Options{Mode: capture.Button, Nominal: mm(t, "22.23")})
	v, w := mm(t, "22.2281"), mm(t, "22.2282")
	ms := func(n int) time.Duration { return time.Duration(n) * time.Millisecond }
	got := all(c, []capture.Sample{
		{ms(0), v}, {ms(100), v}, // a bounce
		{ms(250), w},                // another value: another press
		{ms(1000), w},               // the same value, but a new press
		{ms(1200), w},               // its bounce
		{ms(1400), w},               // and the bounce of that
		{ms(2000), mm(t, "0.8752")}, // inches read as mm
		{ms(1999), v},               // time ran backwards
	}, capture.Taken, capture.Refused)
	want := []capture.Result{
		{Kind: capture.Taken, At: ms(0), Value: v}, {Kind: capture.Taken, At: ms(250), Value: w},
		{Kind: capture.Taken, At: ms(1000), Value: w}, {Kind: capture.Refused, At: ms(2000), Reason: capture.Outside},
		{Kind: capture.Taken, At: ms(1999), Value: v},
	}
	if len(got) != len(want) {
		t.Fatalf("got %d results %v, want %d", len(got), got, len(want))
	}
	for i := range want {
		if g := got[i]; g.Kind != want[i].Kind || g.At != want[i].At || g.Value != want[i].Value || g.Reason != want[i].Reason {
			t.Errorf("result %d: %+v, want %+v", i, g, want[i])
		}
	}
	// 0.15 µm of gauge and a display step of 0.1 µm: √(0.15² + 0.1²/12) = 0.153 µm.
	if got[0].U != 1528 {
		t.Errorf("U = %d, want 1528 (0.1528 µm)", got[0].U)
	}
}

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
		{"short", 0.7, 0, 0.1, capture.Soon},
		{"shrinking", 5, -1.0, 0.1, capture.Shrinking},
		{"growing", 5, 1.0, 0.1, capture.Growing},
		{"shaking", 5, 0, 3, capture.Soon},
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

func TestOptions(t *testing.T) {
	for name, o := range map[string]capture.Options{
		"no nominal": {}, "huge": {Nominal: 2000 * analysis.Millimetre},
		"band":     {Nominal: analysis.Millimetre, Band: analysis.Deviation(analysis.Millimetre)},
		"tip":      {Nominal: 8 * analysis.Millimetre, Tip: 4 * analysis.Millimetre},
		"negative": {Nominal: analysis.Millimetre, Bounce: -1},
		"turns":    {Nominal: analysis.Millimetre, Turns: 2},
		"settle":   {Nominal: analysis.Millimetre, Settle: time.Minute},
		"mode":     {Nominal: analysis.Millimetre, Mode: 9},
	} {
		if _, err := capture.New(o); err == nil {
			t.Errorf("%s: accepted", name)
		}
	}
	for _, m := range []capture.Mode{capture.Button, capture.Settled, capture.Turning} {
		if got, err := capture.ParseMode(m.String()); got != m || err != nil {
			t.Errorf("ParseMode(%q) = %v, %v", m, got, err)
		}
	}
	if _, err := capture.ParseMode("sweep"); err == nil {
		t.Error("ParseMode accepts sweep")
	}
}

// Whatever comes, nothing panics, a visit gives at most one reading, and no
// reading lies outside the band.
func TestAnySequence(t *testing.T) {
	nominal := mm(t, "22.23")
	modes := []capture.Mode{capture.Button, capture.Settled}
	rapid.Check(t, func(t *rapid.T) {
		c, err := capture.New(capture.Options{Mode: rapid.SampledFrom(modes).Draw(t, "mode"), Nominal: nominal})
		if err != nil {
			t.Fatal(err)
		}
		at := time.Duration(rapid.Int64().Draw(t, "start"))
		v := nominal
		for range rapid.IntRange(1, 400).Draw(t, "n") {
			switch rapid.IntRange(0, 9).Draw(t, "step") {
			case 0:
				at = time.Duration(rapid.Int64().Draw(t, "at"))
			case 1:
				at += 3 * time.Hour
			case 2: // time stands still
			default:
				at += time.Duration(rapid.IntRange(1, 200).Draw(t, "ms")) * time.Millisecond
			}
			switch rapid.IntRange(0, 9).Draw(t, "jump") {
			case 0:
				v = analysis.Length(rapid.Int64().Draw(t, "v"))
			case 1: // repeats
			default:
				v = nominal + analysis.Length(rapid.IntRange(-20, 20).Draw(t, "near"))*um/10
			}
			for _, r := range c.Feed(capture.Sample{At: at, Value: v}) {
				if r.Kind == capture.Taken && ((r.Value-nominal).Abs() > 200*um || r.U < 0 || r.Quality < 0 || r.Quality > 1) {
					t.Fatalf("took %+v", r)
				}
				if r.Kind == capture.Refused && r.Reason == "" {
					t.Fatalf("refused without a reason: %+v", r)
				}
			}
			c.Progress()
		}
	})
}
