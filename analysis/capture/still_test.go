package capture_test

import (
	"math/rand/v2"
	"testing"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/capture"
)

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
	if p := c.Progress(); p.Hint != capture.Still || p.Done {
		t.Errorf("while it stands: %+v, want the hint %q", p, capture.Still)
	}
	got := all(c, s[out:], capture.Taken, capture.Refused)
	if len(got) != 1 || got[0].Kind != capture.Taken || (got[0].Value-size).Abs() > um {
		t.Fatalf("drawn out: %+v, want %s within half a step", got, size)
	}
	if last := s[out-1].At; got[0].Until > last || got[0].At <= last || got[0].Since >= got[0].Until {
		t.Errorf("rests on %s to %s, taken at %s; drawn out after %s", got[0].Since, got[0].Until, got[0].At, last)
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
