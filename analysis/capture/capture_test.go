package capture_test

import (
	"testing"
	"time"

	"pgregory.net/rapid"

	"fairbore/analysis"
	"fairbore/analysis/capture"
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
func all(c capture.Capture, samples []capture.Sample, kinds ...capture.ResultKind) []capture.Result {
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
