package picture

import (
	"slices"

	"fairbore/analysis"
)

// full extends a profile to both ends of the bore.
func (c *cut) full(p []knot) []knot {
	if p == nil {
		return nil
	}
	out := append([]knot{{c.x0, p[0].h}}, p...)
	return append(out, knot{c.x1, p[len(p)-1].h})
}

func (c *cut) flat(h float64) []knot { return []knot{{c.x0, h}, {c.x1, h}} }

// both returns a profile as the upper and the lower wall.
func (c *cut) both(p []knot) [][]Point {
	up, down := make([]Point, len(p)), make([]Point, len(p))
	for i, k := range p {
		up[i], down[i] = Point{k.x, c.axis - k.h}, Point{k.x, c.axis + k.h}
	}
	return [][]Point{up, down}
}

// band returns the area between two profiles, above and below the axis.
func (c *cut) band(p, q []knot) [][]Point {
	a, b := c.both(p), c.both(q)
	for side := range a {
		for i := len(b[side]) - 1; i >= 0; i-- {
			a[side] = append(a[side], b[side][i])
		}
	}
	return a
}

// metal draws the part: the metal that stays, what must still come off, and what was removed too
// much.
func (c *cut) metal() {
	edge := c.full(c.tight)
	stay := c.flat(c.hTarget)
	if edge != nil {
		stay = above(edge, c.hTarget)
	}
	part := c.band(c.flat(c.outer), stay)
	c.cv.Lines(Metal, true, part...)
	c.cv.Lines(Channel, true, c.band(c.flat(c.hHigh), c.flat(c.hLow))...)
	c.cv.Lines(Hatch, false, hatch(0.62*c.text, false, part...)...)
	if edge == nil {
		return
	}
	if off := below(edge, c.hTarget); len(off) > 0 {
		area := c.band(off, c.flat(c.hTarget))
		c.cv.Lines(Stock, true, area...)
		c.cv.Lines(Grain, false, hatch(0.34*c.text, true, area...)...)
	}
	c.uncertain()
	if c.Bore.Sizes != nil && c.Bore.Room < 0 {
		area := c.band(above(c.full(c.wide), c.hHigh), c.flat(c.hHigh))
		c.cv.Lines(Beyond, true, area...)
		c.cv.Lines(Cross, false, hatch(0.3*c.text, true, area...)...)
		c.cv.Lines(Cross, false, hatch(0.3*c.text, false, area...)...)
	}
}

// uncertain draws the uncertainty of the wall as a thickness.
func (c *cut) uncertain() {
	if c.doubt < 0.5 {
		return
	}
	lo, hi := make([]knot, len(c.tight)), make([]knot, len(c.tight))
	for i, k := range c.tight {
		lo[i], hi[i] = knot{k.x, k.h - c.doubt}, knot{k.x, k.h + c.doubt}
	}
	c.cv.Lines(Doubt, true, c.band(c.full(lo), c.full(hi))...)
}

// interrupts leaves out what is not wall: grooves, ports, holes.
func (c *cut) interrupts() {
	deep := c.outer + 2
	for _, in := range c.Bore.Job.Interrupts {
		x0, x1 := c.x(in.From), c.x(in.To)
		c.cv.Lines(Paper, true, rect(x0, c.axis-deep, x1, c.axis-c.core), rect(x0, c.axis+c.core, x1, c.axis+deep))
		foot := c.outer * 0.97
		for _, sign := range []float64{-1, 1} {
			c.cv.Lines(Frame, false, []Point{{x0, c.axis + sign*c.hTarget}, {x0, c.axis + sign*foot}, {x1, c.axis + sign*foot}, {x1, c.axis + sign*c.hTarget}})
		}
	}
}

func (c *cut) limits() {
	c.cv.Lines(Limit, false, append(c.pieces(c.flat(c.hLow)), c.pieces(c.flat(c.hHigh))...)...)
	c.cv.Lines(Target, false, c.pieces(c.flat(c.hTarget))...)
}

// walls draws the wall at its tightest and at its widest with its uncertainty, and the wall of the
// round before.
func (c *cut) walls() {
	if len(c.before) > 0 && c.inside(c.before) {
		c.cv.Lines(Ghost, false, c.pieces(c.full(c.before))...)
	}
	if c.tight == nil {
		return
	}
	gauged := Wall
	if c.Bore.Basis != c.Bore.Round { // honed since
		gauged = Unknown
	}
	c.cv.Lines(Unknown, false, c.pieces([]knot{{c.x0, c.tight[0].h}, c.tight[0]})...)
	c.cv.Lines(Unknown, false, c.pieces([]knot{c.tight[len(c.tight)-1], {c.x1, c.tight[len(c.tight)-1].h}})...)
	c.cv.Lines(gauged, false, c.pieces(c.tight)...)
	c.cv.Lines(Wide, false, c.pieces(c.wide)...)
	c.ticks()
}

// inside reports whether a profile lies within the drawing.
func (c *cut) inside(p []knot) bool {
	return !slices.ContainsFunc(p, func(k knot) bool { return k.h <= c.core || k.h >= c.outer })
}

// work marks the lengths that are to be honed separately.
func (c *cut) work() {
	if c.Bore.Advice == nil || c.tight == nil || !c.Bore.Advice.Kind.Honing() || !c.Bore.Recording {
		return
	}
	t := 0.5 * c.text
	for _, s := range c.Bore.Advice.At {
		x0, x1, h := c.x(s.From), c.x(s.To), c.core-0.15*c.text
		for _, y := range []float64{c.axis - h, c.axis + h} {
			c.cv.Lines(Next, false, []Point{{x0, y}, {x1, y}}, []Point{{x0 + t, y - t/2}, {x0, y}, {x0 + t, y + t/2}}, []Point{{x1 - t, y - t/2}, {x1, y}, {x1 - t, y + t/2}})
		}
	}
}

// ticks marks each reading on the wall. A reading that a newer one replaced is a ring, a void one a
// cross.
func (c *cut) ticks() {
	half := 0.32 * c.text
	var taken, void [][]Point
	for _, s := range c.sections {
		x := c.x(s.depth)
		for _, sign := range []float64{-1, 1} {
			at := func(l analysis.Length) float64 { return c.axis + sign*c.height(l) }
			for _, l := range s.sizes {
				taken = append(taken, []Point{{x - half, at(l)}, {x + half, at(l)}})
			}
			for _, l := range s.void {
				y, r := at(l), 0.7*half
				void = append(void, []Point{{x - r, y - r}, {x + r, y + r}}, []Point{{x - r, y + r}, {x + r, y - r}})
			}
			for _, l := range s.old {
				c.cv.Circle(Past, Point{x, at(l)}, 0.5*half)
			}
		}
	}
	c.cv.Lines(Mark, false, taken...)
	c.cv.Lines(Struck, false, void...)
}

// pieces returns a profile as upper and lower wall, without the lengths that the job says have no
// wall.
func (c *cut) pieces(p []knot) (lines [][]Point) {
	rest := p
	for _, in := range c.Bore.Job.Interrupts {
		x0, x1 := c.x(in.From), c.x(in.To)
		head, tail := split(rest, x0)
		if len(head) > 1 {
			lines = append(lines, c.both(head)...)
		}
		_, rest = split(tail, x1)
	}
	if len(rest) > 1 {
		lines = append(lines, c.both(rest)...)
	}
	return lines
}

// split cuts a profile at x.
func split(p []knot, x float64) (head, tail []knot) {
	for i, k := range p {
		if k.x < x {
			continue
		}
		head = p[:i:i]
		tail = p[i:]
		if i > 0 {
			q := p[i-1]
			at := knot{x, q.h + (k.h-q.h)*(x-q.x)/max(k.x-q.x, 1e-9)}
			head = append(head, at)
			tail = append([]knot{at}, tail...)
		}
		return head, tail
	}
	return p, nil
}

// bottomWide is the thickness of the bottom of a blind bore, in text heights.
const bottomWide = 0.9

// ends draws the faces of the part, and the bottom of a blind bore.
func (c *cut) ends() {
	y0, y1 := c.axis-c.outer, c.axis+c.outer
	inner := c.hTarget
	faces := func(x float64) {
		c.cv.Lines(Frame, false, []Point{{x, y0}, {x, c.axis - inner}}, []Point{{x, c.axis + inner}, {x, y1}})
	}
	faces(c.x0)
	if !c.Bore.Job.Blind {
		faces(c.x1)
		return
	}
	bottom := rect(c.x1, y0, c.x1+bottomWide*c.text, y1)
	c.cv.Lines(Metal, true, bottom)
	c.cv.Lines(Hatch, false, hatch(0.62*c.text, false, bottom)...)
	c.cv.Lines(Wide, false, []Point{{c.x1, c.axis - inner}, {c.x1, c.axis + inner}})
}

func (c *cut) far() string {
	far := "far end"
	switch job := c.Bore.Job; {
	case job.Blind:
		far = "bottom"
	case job.Face == "back":
		far = "front"
	case job.Face == "" || job.Face == "front":
		far = "back"
	}
	return c.Format.Say(analysis.FaceName(far))
}

func (c *cut) near() string { return c.Format.Say(analysis.FaceName(c.Bore.Job.Face)) }

// tightest reports whether a place is the one that the stock is stated for.
func (c *cut) tightest(p analysis.Place) bool {
	return c.Bore.Sizes != nil && c.Bore.Sizes.Smallest.Place == p && c.Bore.Basis == c.Bore.Round
}
