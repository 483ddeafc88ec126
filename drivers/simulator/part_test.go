package simulator

import (
	"bytes"
	"math"
	"slices"
	"testing"
	"time"

	"fairbore/analysis"
)

// Parts differ as they were said to, one from the other; the same seed draws the
// same part. Checked on the moments of 4000 parts.
func TestPartsDiffer(t *testing.T) {
	job, err := FindJob("J-4112")
	if err != nil {
		t.Fatal(err)
	}
	const n = 4000
	story := job.StoryPart()
	rng := seeded(3)
	var starts, rates, squares float64
	for range n {
		b, h := job.Part(rng)
		starts += (b.Start - story.Start).Micrometres() / n
		squares += math.Pow((b.Start-story.Start).Micrometres(), 2) / n
		rates += math.Log(b.FreshRate/story.FreshRate) / n
		if ratio := b.GlazedRate / story.GlazedRate; math.Abs(ratio-b.FreshRate/story.FreshRate) > 1e-9 {
			t.Fatalf("a stone that cuts %.3f as fast fresh and %.3f glazed", b.FreshRate/story.FreshRate, ratio)
		}
		if h.Scatter < 0.10 || h.Scatter > 0.20 || h.Rest < 0.35 || h.Rest > 0.65 {
			t.Fatalf("a hand of %+v", h)
		}
	}
	// five standard errors
	if math.Abs(starts) > 5*3/math.Sqrt(n) || math.Abs(math.Sqrt(squares)-3) > 0.2 || math.Abs(rates) > 5*0.15/math.Sqrt(n) {
		t.Errorf("starts %.3f ± %.3f µm from the story's, rates e^%.4f", starts, math.Sqrt(squares), rates)
	}
	a, _ := job.Part(seeded(9))
	b, _ := job.Part(seeded(9))
	c, _ := job.Part(seeded(10))
	if a.Start != b.Start || !slices.Equal(a.Profile, b.Profile) || a.FreshRate != b.FreshRate {
		t.Error("one seed, two parts")
	}
	if a.Start == c.Start || a.FreshRate == c.FreshRate {
		t.Error("two seeds, one part")
	}
}

// A visit shows the size it was asked for: by a button at once, with the gauge's
// noise; rocked nowhere less but for noise and spikes, and at least once near it.
func TestVisitShowsItsSize(t *testing.T) {
	job, err := FindJob("J-4112")
	if err != nil {
		t.Fatal(err)
	}
	const size = 317_480_000
	at := 7 * time.Second
	rng, sum := seeded(1), 0.0
	const n = 2000
	for range n {
		s := job.Visit(Play{Button: true}, Measure, size, at, rng)
		if len(s.Frames) != 1 || s.Frames[0].At < at || s.Size != size {
			t.Fatalf("a press sends %d lines, the first at %s, of %d", len(s.Frames), s.Frames[0].At, s.Size)
		}
		sum += math.Pow((parseLine(t, s.Frames[0].Bytes) - size).Micrometres(), 2)
	}
	// the noise of 0.15 µm and the rounding to 0.1 µm, ± four standard errors
	if sd, want := math.Sqrt(sum/n), math.Hypot(0.15, 0.1/math.Sqrt(12)); math.Abs(sd-want) > 4*want/math.Sqrt(2*n) {
		t.Errorf("presses scatter by %.3f µm, want %.3f", sd, want)
	}
	s := job.Visit(Play{Zero: 2 * analysis.Micrometre}, Master, size, at, seeded(1))
	near := 0
	for _, c := range s.Frames {
		off := (parseLine(t, c.Bytes) - size - 2*analysis.Micrometre).Micrometres()
		if off < -1.5 && off > -25 { // a spike is 30 µm
			t.Errorf("%.1f µm under the size", off)
		}
		if math.Abs(off) < 0.5 {
			near++
		}
		if c.At < at {
			t.Errorf("a value at %s, before the visit", c.At)
		}
	}
	brisk := job.Visit(Play{Brisk: true}, Master, size, at, seeded(1))
	if first, last := parseLine(t, brisk.Frames[0].Bytes), parseLine(t, brisk.Frames[len(brisk.Frames)-1].Bytes); (first-size).Micrometres() < 500 || (last-size).Micrometres() < 500 {
		t.Error("a brisk visit does not begin and end in free air")
	}
	if saved := (s.To - s.From) - (brisk.To - brisk.From); saved < time.Second || saved > 4*time.Second {
		t.Errorf("a brisk visit takes %s less", saved)
	}
	if near < 5 || s.Act != Master || s.Truth.Places[0].Size != size+2*analysis.Micrometre {
		t.Errorf("%v: %d values near the size, truth %+v", s.Act, near, s.Truth.Places)
	}
}

// Hands of a family rock about the size with the zero, in free air before and after; who
// hears a tone stops, and the same seed gives the same bytes.
func TestGauging(t *testing.T) {
	job, err := FindJob("J-4112")
	if err != nil {
		t.Fatal(err)
	}
	const size, zero = 317_480_000, 2 * analysis.Micrometre
	for _, f := range []Family{MinimumJerk, EndRests, Pausing, TurnsOnce} {
		play := Play{Brisk: true, Zero: zero, Hands: []Family{f}}
		gauge := func(tone time.Duration) (out []Frame) {
			job.Gauging(play, Measure, size, seeded(5), func(c Frame) bool {
				out = append(out, c)
				return c.At >= tone
			})
			return out
		}
		whole, again, short := gauge(time.Hour), gauge(time.Hour), gauge(5*time.Second)
		if !slices.EqualFunc(whole, again, func(a, b Frame) bool { return a.At == b.At && bytes.Equal(a.Bytes, b.Bytes) }) {
			t.Errorf("%v: one seed, two visits", f)
		}
		if end := short[len(short)-1].At; end < 6*time.Second || end > 9*time.Second || end > whole[len(whole)-1].At {
			t.Errorf("%v: with a tone at 5 s it ends at %s, without at %s", f, end, whole[len(whole)-1].At)
		}
		for _, chunks := range [][]Frame{whole, short} {
			near, under := 0, 0
			for i, c := range chunks {
				off := (parseLine(t, c.Bytes) - size - zero).Micrometres()
				if math.Abs(off) < 1 {
					near++
				}
				if off < -1.5 {
					under++ // a wild value, of which there is one in 2,000
				}
				if (i == 0 || i == len(chunks)-1) && off < 500 {
					t.Errorf("%v: value %d of %d is %.1f µm above: not free air", f, i, len(chunks), off)
				}
			}
			if under > 1 || len(chunks) == len(whole) && near < 5 {
				t.Errorf("%v: %d values near the size, %d under it", f, near, under)
			}
		}
		step := job.Visit(play, Measure, size, time.Minute, seeded(5))
		if pl := step.Truth.Places[0]; step.Size != size || pl.Size != size+zero || len(pl.Turns) < 3 || step.Frames[0].At < time.Minute {
			t.Errorf("%v: a visit from %s of %d, %+v", f, step.Frames[0].At, step.Size, pl)
		}
	}
	presses := 0
	job.Gauging(Play{Button: true, Hands: []Family{MinimumJerk}}, Measure, size, seeded(5), func(Frame) bool { presses++; return false })
	if presses != 1 {
		t.Errorf("a button sends %d lines a press", presses)
	}
}
