package picture_test

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"fairbore/daemon/picture"
)

// drawing counts what is drawn of each role and keeps its points.
type drawing struct {
	closed map[picture.Role][][]picture.Point
	open   map[picture.Role][][]picture.Point
	texts  map[string]picture.Point
}

func drawn(d interface{ Draw(picture.Canvas) }) *drawing {
	c := &drawing{map[picture.Role][][]picture.Point{}, map[picture.Role][][]picture.Point{}, map[string]picture.Point{}}
	d.Draw(c)
	return c
}

func (d *drawing) Lines(r picture.Role, closed bool, lines ...[]picture.Point) {
	if closed {
		d.closed[r] = append(d.closed[r], lines...)
	} else {
		d.open[r] = append(d.open[r], lines...)
	}
}
func (d *drawing) Circle(picture.Role, picture.Point, float64) {}
func (d *drawing) Text(_ picture.Role, at picture.Point, _ float64, _ picture.Anchor, s string) {
	d.texts[s] = at
}
func (d *drawing) Open(string) {}
func (d *drawing) Close()      {}

// A study has a bar for each person and part, a mark for each reading, at its height,
// a line at the mean of each part, and a frame about what is out, and no other.
func TestStudyDrawsEachReading(t *testing.T) {
	s := picture.Study{
		Parts: []string{"001", "002"}, Operators: []string{"day", "night"}, Limit: 0.5, Title: "µm", W: 1000, H: 300,
		Values: [][][]float64{{{1, 2}, {1.5, 1.5}}, {{3, 3.25}, {2.75, 3}}},
	}
	d := drawn(s)
	if n := len(d.closed[picture.Cell]) + len(d.closed[picture.Bar]); n != 4+2 { // and the legend
		t.Errorf("%d bars", n)
	}
	marks := d.open[picture.Mark]
	if len(marks) != 8 || len(d.open[picture.Target]) != 2 || len(d.closed[picture.Cross]) != 1 {
		t.Fatalf("%d readings, %d means, %d out", len(marks), len(d.open[picture.Target]), len(d.closed[picture.Cross]))
	}
	y := func(i int) float64 { return marks[i][0].Y }
	scale := (y(0) - y(1)) / 1 // of 1 and 2, pixels a µm
	for i, v := range []float64{1, 2, 1.5, 1.5, 3, 3.25, 2.75, 3} {
		if want := y(0) - (v-1)*scale; math.Abs(y(i)-want) > 1e-9 || scale <= 0 {
			t.Errorf("reading %d, %g µm: at %g, want %g", i, v, y(i), want)
		}
	}
	if mean := d.open[picture.Target][0][0].Y; math.Abs(mean-(y(0)-0.5*scale)) > 1e-9 {
		t.Errorf("the mean 1.5 of the first part is at %g", mean)
	}
}

// The bars end at their value on the scale of the marks, and one that is too long
// stays on the picture and says its value.
func TestSharesEndAtTheirValue(t *testing.T) {
	s := picture.Shares{Title: "of tolerance", Good: 10, Worst: 30, W: 1000, H: 250, Bars: []picture.Share{{"repeats", 5, false}, {"gauge", 20, true}, {"parts", 400, false}}}
	d := drawn(s)
	good, worst := d.open[picture.Limit][0][0].X, d.open[picture.Limit][1][0].X
	zero := good - (worst-good)/2
	at := func(v float64) float64 { return zero + (worst-good)*v/20 }
	if end := d.closed[picture.Bar][0][1].X; math.Abs(end-at(20)) > 1e-9 {
		t.Errorf("20 %% ends at %g, want %g", end, at(20))
	}
	if end := d.closed[picture.Cell][0][1].X; math.Abs(end-at(5)) > 1e-9 {
		t.Errorf("5 %% ends at %g, want %g", end, at(5))
	}
	if end := d.closed[picture.Cell][1][1].X; end > 1000 || d.texts["400.0 %"].X == 0 {
		t.Errorf("400 %% ends at %g of 1000", end)
	}
}

// Whatever is studied, no picture has a number that is not finite, or leaves its room.
func TestStudyIsFinite(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.OneOf(rapid.Just(7.0), rapid.Float64Range(-1e6, 1e6))
		s := picture.Study{Title: "µm", W: rapid.Float64Range(50, 2000).Draw(t, "w"), H: rapid.Float64Range(50, 900).Draw(t, "h")}
		people, trials := rapid.IntRange(1, 6).Draw(t, "people"), rapid.IntRange(0, 4).Draw(t, "trials")
		for range people {
			s.Operators = append(s.Operators, "x")
		}
		for range rapid.IntRange(0, 40).Draw(t, "parts") {
			row := make([][]float64, people)
			for k := range row {
				for range trials {
					row[k] = append(row[k], v.Draw(t, "v"))
				}
			}
			s.Parts, s.Values = append(s.Parts, "a part"), append(s.Values, row)
		}
		d := drawn(s)
		for _, set := range []map[picture.Role][][]picture.Point{d.open, d.closed} {
			for role, lines := range set {
				for _, l := range lines {
					for _, p := range l {
						if !(p.X >= -s.W && p.X <= 2*s.W) || math.IsNaN(p.Y) || math.IsInf(p.Y, 0) {
							t.Fatalf("role %d at %v", role, p)
						}
					}
				}
			}
		}
		svg := picture.NewSVG(s.W, s.H, "a study")
		s.Draw(svg)
		if strings.Contains(string(svg.Bytes()), "NaN") {
			t.Fatal("no number")
		}
	})
}
