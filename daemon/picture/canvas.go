// Package picture draws the bore and what is known about it: the lengthwise cut, the approach to
// size, a tile for the wall of stations, and the charts of a report.
//
// A drawing consists of open and closed lines, circles and text on a [Canvas]. Each has a [Role]
// that says what it stands for. For the page the drawing becomes SVG ([SVG]) with roles as classes,
// so that the style sheet can colour them; for a report the same drawing becomes part of a PDF.
// Roles differ in line, hatching or shape as well as in colour, so that a drawing can be read in
// grey.
//
// Coordinates are pixels from the upper left corner, x to the right and y down. Every number in a
// drawing is finite.
package picture

import "math"

// Point is a place on the canvas.
type Point struct{ X, Y float64 }

// Anchor says which point of a text's base line is at the given point.
type Anchor uint8

// The anchors.
const (
	Start Anchor = iota
	Middle
	End
)

// Canvas takes a drawing. Later parts cover earlier ones.
type Canvas interface {
	// Lines draws lines of one role, open ones, or closed ones that are filled.
	Lines(r Role, closed bool, lines ...[]Point)
	// Circle draws a circle with a radius.
	Circle(r Role, at Point, radius float64)
	// Text writes one line of text with a height.
	Text(r Role, at Point, height float64, a Anchor, text string)
	// Open begins a named group and Close ends it. Groups are invisible.
	Open(name string)
	Close()
}

// rect returns the corners of a rectangle.
func rect(x0, y0, x1, y1 float64) []Point {
	return []Point{{x0, y0}, {x1, y0}, {x1, y1}, {x0, y1}}
}

// mostHatched is the most lines of a hatching. A drawing of some thousand pixels has a few hundred.
// A broker may tell of a bore without a length, whose drawing would have no end of them.
const mostHatched = 10_000

// hatch returns the lines at 45° that fill polygons by the even-odd rule, at a distance along x.
// They fall to the right if down is set. It returns none if there would be more than mostHatched.
func hatch(distance float64, down bool, polygons ...[]Point) (lines [][]Point) {
	sign := 1.0 // on the line x + y = c
	if down {
		sign = -1
	}
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, poly := range polygons {
		for _, p := range poly {
			c := p.X + sign*p.Y
			lo, hi = min(lo, c), max(hi, c)
		}
	}
	if !(distance > 0 && hi-lo <= mostHatched*distance) { // nor NaN
		return nil
	}
	for c := math.Ceil(lo/distance) * distance; c < hi; c += distance {
		xs := crossings(polygons, sign, c)
		for i := 0; i+1 < len(xs); i += 2 {
			if xs[i+1]-xs[i] > 0.5 {
				lines = append(lines, []Point{{xs[i], sign * (c - xs[i])}, {xs[i+1], sign * (c - xs[i+1])}})
			}
		}
	}
	return lines
}
