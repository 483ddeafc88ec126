package document

import "fairbore/daemon/picture"

// canvas draws pictures on a sheet. The pixels of a picture are converted to mm.
type canvas struct {
	*sheet
	x, y, scale float64
}

// pen sets the line and fill of a role. It returns how fpdf is to draw with them: D, F or DF.
func (c *canvas) pen(r picture.Role, filled bool) (style string) {
	st := r.Style()
	if st.Stroke >= 0 {
		style = "D"
		c.SetDrawColor(rgb(st.Stroke))
		c.SetLineWidth(st.Width * c.scale)
		dash := make([]float64, len(st.Dash))
		for i, d := range st.Dash {
			dash[i] = d * c.scale
		}
		c.SetDashPattern(dash, 0)
	}
	if filled && st.Fill >= 0 {
		style += "F"
		c.SetFillColor(rgb(st.Fill))
	}
	return style
}

func (c *canvas) at(p picture.Point) (x, y float64) { return c.x + p.X*c.scale, c.y + p.Y*c.scale }

// Lines implements [picture.Canvas].
func (c *canvas) Lines(r picture.Role, closed bool, lines ...[]picture.Point) {
	style := c.pen(r, closed)
	if style == "" {
		return
	}
	drawn := false
	for _, l := range lines {
		for i, p := range l {
			x, y := c.at(p)
			if i == 0 {
				c.MoveTo(x, y)
			} else {
				c.LineTo(x, y)
			}
			drawn = true
		}
		if closed && len(l) > 0 {
			c.ClosePath()
		}
	}
	if drawn {
		c.DrawPath(style)
	}
	c.SetDashPattern(nil, 0)
}

// Circle implements [picture.Canvas].
func (c *canvas) Circle(r picture.Role, at picture.Point, radius float64) {
	style := c.pen(r, true)
	if style == "" {
		return
	}
	x, y := c.at(at)
	c.sheet.Circle(x, y, max(0, radius)*c.scale, style)
	c.SetDashPattern(nil, 0)
}

// Text implements [picture.Canvas].
func (c *canvas) Text(r picture.Role, at picture.Point, height float64, a picture.Anchor, text string) {
	st := r.Style()
	weight := ""
	if st.Bold {
		weight = "B"
	}
	c.font(weight, height*c.scale*pointsPer, max(0, st.Fill))
	x, y := c.at(at)
	c.put(x, y, [...]string{"L", "C", "R"}[a], text)
}

// Open implements [picture.Canvas]. Groups are invisible.
func (c *canvas) Open(string) {}

// Close implements [picture.Canvas].
func (c *canvas) Close() {}
