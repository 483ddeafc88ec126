package picture

import (
	"strconv"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/daemon/state"
)

// Cut is the lengthwise section of the bore, in the position on the machine, with the errors of its
// wall strongly magnified. Its bore must have a job. Without readings it shows what the job asks
// for.
type Cut struct {
	Bore   *state.Bore
	W, H   float64 // pixels
	Format notation.Format
	Plain  bool // only the wall, the limits and the stock, without text and cells
}

// cut is a Cut laid out.
type cut struct {
	*Cut
	cv            Canvas
	sections      []section
	text          float64 // height of text
	row           float64 // height of a row of cells
	x0, x1        float64 // of the bore's ends
	axis          float64 // y of the axis
	outer         float64 // from the axis to the outside of the metal
	core          float64 // from the axis; the cells are within
	hHigh         float64 // from the axis to the high limit
	perMicron     float64 // pixels, on the radius, per µm on the diameter
	perMM         float64 // pixels along the bore
	apart         bool    // the notes below have a line each
	magnified     float64
	tight, wide   []knot
	before        []knot
	hLow, hTarget float64
	doubt         float64 // pixels, on the radius
}

// SVG returns the cut for the page. The root element has what the page needs to draw a live
// pointer: the y of the axis and the x of the next place in pixels, the pixels per µm, the distance
// of the low limit from the axis, and the bounds of the pointer.
func (c Cut) SVG() []byte {
	d := c.lay()
	x := d.nextX()
	num := func(v float64) string { return strconv.FormatFloat(v, 'f', 3, 64) }
	s := NewSVG(c.W, c.H, d.title(),
		"axis", num(d.axis), "x", num(x), "scale", num(d.perMicron), "low", num(d.hLow), "core", num(d.core), "outer", num(d.outer))
	d.cv = s
	d.draw()
	return s.Bytes()
}

// Draw draws the cut on any canvas.
func (c Cut) Draw(cv Canvas) {
	d := c.lay()
	d.cv = cv
	d.draw()
}

func (c *cut) title() string {
	j := c.Bore.Job
	said := []analysis.Phrase{analysis.Say("picture.title.cut", j.ID, j.Length, grouped(c.magnified))}
	for _, s := range c.sections {
		if s.tight != 0 {
			said = append(said, analysis.Say("picture.title.section", s.depth, analysis.Size(s.tight), analysis.Size(s.wide)))
		}
	}
	return c.Format.SayAll(said...)
}

// Shares of the drawing's height and width.
const (
	metalShare = 0.10 // of half the height: least thickness of the metal outside the high limit
	gutters    = 4.7  // text heights left and right
)

// Drawable reports whether there is something to draw of a job: a broker may tell of one without a
// plan. The job may be nil.
func Drawable(j *analysis.Job) bool {
	return j != nil && len(j.Sections) > 0 && len(j.Orientations) > 0
}

func (c Cut) lay() *cut {
	b := c.Bore
	d := &cut{Cut: &c, sections: sections(b)}
	d.frame()
	length := max(b.Job.Length, 1)
	d.perMM = (d.x1 - d.x0) / (length.Micrometres() / 1000)
	all := spans(b)
	room := d.outer*(1-metalShare) - d.core - 0.2*d.text
	d.magnified = magnify(all, room, d.perMM/1000)
	d.perMicron = d.magnified * d.perMM / 1000 / 2
	top2 := all[len(all)-1].hi
	d.hHigh = d.outer*(1-metalShare) - d.perMicron*(top2-b.Job.High).Micrometres()
	d.hLow, d.hTarget = d.height(b.Job.Low), d.height(b.Job.Target)
	if b.U != nil {
		d.doubt = d.perMicron * analysis.Length(b.U.Expanded).Micrometres()
	}
	for _, s := range d.sections {
		x := d.x(s.depth)
		if s.tight != 0 {
			d.tight = append(d.tight, knot{x, d.height(s.tight)})
			d.wide = append(d.wide, knot{x, d.height(s.wide)})
		}
		if s.before != 0 {
			d.before = append(d.before, knot{x, d.height(s.before)})
		}
	}
	return d
}

// frame divides the drawing into the bore and the space for text.
func (c *cut) frame() {
	b := c.Bore.Job
	c.text = clamp(min(c.H/16, c.W/32), 12.5, 30)
	top, bottom, left, right := 0.4*c.text, 3.1*c.text, gutters*c.text, gutters*c.text
	if c.apart = c.notesApart(); c.apart {
		bottom += 1.1 * c.text
	}
	rows := float64(max(1, len(b.Orientations)))
	if b.Blind {
		right += bottomWide * c.text
	}
	if c.Plain {
		c.text = 9
		top, bottom, left, right, rows = 1, 1, 1, 1, 0
		if b.Blind {
			right += bottomWide * c.text
		}
	}
	c.axis = top + (c.H-top-bottom)/2
	c.outer = max(1, c.axis-top)
	c.x0, c.x1 = left, max(left+1, c.W-right)
	c.core = 0.12 * c.outer
	if rows > 0 {
		c.row = clamp(c.outer*0.56/rows, 11, 1.8*c.text)
		c.core = c.row*rows/2 + 0.35*c.row
	}
}

// height returns the distance of the wall from the axis for a size, limited to the drawing.
func (c *cut) height(l analysis.Length) float64 {
	h := c.hHigh + c.perMicron*(l-c.Bore.Job.High).Micrometres()
	return clamp(h, c.core, c.outer)
}

func (c *cut) x(depth analysis.Length) float64 { return c.x0 + c.perMM*depth.Micrometres()/1000 }

// nextX returns the x of the next place, -1 if there is none.
func (c *cut) nextX() float64 {
	for _, s := range c.sections {
		if s.next >= 0 {
			return c.x(s.depth)
		}
	}
	return -1
}

func (c *cut) draw() {
	c.metal()
	c.interrupts()
	c.limits()
	c.walls()
	c.ends()
	if c.Plain {
		return
	}
	c.work()
	c.cells()
	c.labels()
	c.pointer()
}

func clamp(v, lo, hi float64) float64 { return max(lo, min(hi, v)) }

// grouped formats a whole number with thin spaces between thousands.
func grouped(v float64) string {
	s := strconv.FormatFloat(v, 'f', -1, 64)
	for i := len(s) - 3; i > 0; i -= 3 {
		s = s[:i] + "\u202f" + s[i:]
	}
	return s
}
