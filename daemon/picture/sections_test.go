package picture_test

import (
	"math"
	"strconv"
	"strings"
	"testing"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/advise"
	"fairbore/analysis/notation"
	"fairbore/daemon/event"
	"fairbore/daemon/picture"
	"fairbore/daemon/state"
)

// Each section has a chart of its own with the limits in it, at the left the one
// nearest the face; its dot stands the higher the larger the section is, and
// what is predicted stands where it is predicted.
func TestSections(t *testing.T) {
	job := valve()
	b := gauged(job, -20, -20, -22, -22, -24, -24, -26, -26, -30, -30)
	b.Advice = &advise.Advice{Expected: []advise.Expected{{Depth: job.Sections[4], Low: job.Low - 12*um, High: job.Low - 8*um}}}
	shapes := parse(t, picture.Sections{Bore: b, W: 500, H: 160}.SVG())
	if n := len(of(shapes, "path", "channel")); n != 5 {
		t.Fatalf("%d bands of limits for 5 sections", n)
	}
	dots := of(shapes, "circle", "mark")
	if len(dots) != 5 {
		t.Fatalf("%d dots for 5 sections", len(dots))
	}
	at := func(s shape, name string) float64 {
		v, err := strconv.ParseFloat(s.attr[name], 64)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	for i := 1; i < 5; i++ {
		if at(dots[i], "cx") <= at(dots[i-1], "cx") {
			t.Errorf("section %d stands left of the one before it", i)
		}
		if at(dots[i], "cy") <= at(dots[i-1], "cy") {
			t.Errorf("section %d, which is smaller, does not stand lower", i)
		}
	}
	ahead := of(shapes, "path", "ahead")
	if len(ahead) != 1 {
		t.Fatalf("%d sections are predicted, want the one that is", len(ahead))
	}
	box := points(t, ahead[0].attr["d"])
	if box[0].X < at(dots[4], "cx") || box[0].Y > at(dots[4], "cy") {
		t.Errorf("what is predicted, %v, lies neither ahead of nor above %v", box, dots[4].attr)
	}
	all := string(picture.Sections{Bore: b, W: 500, H: 160}.SVG())
	for _, d := range job.Sections {
		if !strings.Contains(all, ">"+(notation.Format{}).Depth(d)+"<") {
			t.Errorf("the section at %s is not named", d)
		}
	}
}

// Nothing gauged is nothing drawn but the limits.
func TestSectionsOfNothing(t *testing.T) {
	shapes := parse(t, picture.Sections{Bore: &state.Bore{Job: valve()}, W: 300, H: 100}.SVG())
	if len(of(shapes, "circle", "mark")) != 0 || len(of(shapes, "path", "limit")) != 5 {
		t.Error("a bore that was not gauged has sizes, or no limits")
	}
}

// A round that was begun and not gauged leaves the scale as it was, so that the
// drawing does not jump to and fro.
func TestScaleWaitsForTheRound(t *testing.T) {
	job := valve()
	b := gauged(job, -20, -20, -22, -22, -24, -24, -26, -26, -30, -30)
	b.Rounds = append([]state.RoundSum{{Round: event.Round{Number: 0}, Smallest: job.Low - 90*um, Largest: job.High}}, b.Rounds...)
	b.Rounds[1].Number, b.Round, b.Basis = 1, 1, 1
	before := magnification(t, b)
	b.Round, b.Complete = 2, false // honed since
	if after := magnification(t, b); after != before {
		t.Errorf("errors were drawn %s times too large, and after honing %s times", before, after)
	}
}

func magnification(t *testing.T, b *state.Bore) string {
	t.Helper()
	svg := string(picture.Cut{Bore: b, W: 1000, H: 400, Format: notation.Format{Language: notation.Codes()}}.SVG())
	_, rest, ok := strings.Cut(svg, ">⟦picture.magnified ")
	times, _, _ := strings.Cut(rest, "⟧")
	if !ok || times == "" {
		t.Fatal("the magnification is not stated")
	}
	return times
}

// How long was honed stands under a round, in strokes or in seconds.
func TestApproachSaysHowLong(t *testing.T) {
	b := &state.Bore{Job: valve()}
	for i, r := range []event.Round{{}, {Number: 1, Strokes: 12}, {Number: 2, Seconds: 7.5}} {
		size := b.Job.Low - analysis.Length(3-i)*um
		b.Rounds = append(b.Rounds, state.RoundSum{Round: r, Smallest: size, Largest: size, Mean: size})
	}
	svg := string(picture.Approach{Bore: b, W: 400, H: 250}.SVG())
	if !strings.Contains(svg, ">12×<") || !strings.Contains(svg, ">7.5 s<") {
		t.Error("strokes or seconds of a round are not said")
	}
}

// Against rounds they stand equally far apart, against honing as the strokes, and
// against the clock as the time between them; each says which it is, and the time
// of each round.
func TestApproachAgainst(t *testing.T) {
	b := &state.Bore{Job: valve(), Advice: &advise.Advice{Strokes: 3}}
	at := time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC)
	for i, r := range []event.Round{{}, {Number: 1, Strokes: 12}, {Number: 2, Strokes: 6}} {
		size := b.Job.Low - analysis.Length(3-i)*um
		b.Rounds = append(b.Rounds, state.RoundSum{Round: r, At: at.Add(time.Duration(i*i) * 10 * time.Minute), Smallest: size, Largest: size, Mean: size})
	}
	e := [2]analysis.Length{b.Job.Low, b.Job.Low + um}
	for against, want := range map[picture.Against][2]float64{picture.ByRound: {1, 1}, picture.ByHoning: {2, 4}, picture.ByClock: {1. / 3, 1. / 3}} {
		shapes := parse(t, picture.Approach{Bore: b, W: 900, H: 300, Against: against, Expected: &e}.SVG())
		var x []float64
		for _, s := range append(of(shapes, "path", "bar"), of(shapes, "path", "ahead")[0]) {
			p := points(t, s.attr["d"])
			x = append(x, (p[0].X+p[1].X)/2)
		}
		first, second, third := x[1]-x[0], x[2]-x[1], x[3]-x[2]
		if math.Abs(first/second-want[0]) > 0.02 || math.Abs(first/third-want[1]) > 0.03 {
			t.Errorf("%d: steps of %.1f, %.1f and %.1f", against, first, second, third)
		}
	}
	svg := string(picture.Approach{Bore: b, W: 900, H: 300, Against: picture.ByClock, Format: notation.Format{Language: notation.Codes()}}.SVG())
	if !strings.Contains(svg, ">⟦picture.approach.clock µm⟧<") || !strings.Contains(svg, ">0:40<") {
		t.Error("the times are not said")
	}
}
