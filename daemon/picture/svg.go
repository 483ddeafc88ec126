package picture

import (
	"math"
	"strconv"
	"strings"
)

// SVG is a canvas that writes SVG. The role of an element is its class, and its style on white
// paper is given in presentation attributes, which a style sheet can override. There are no style
// attributes, since a page may forbid them.
type SVG struct {
	b    []byte
	open int
}

// NewSVG begins a picture with a width, a height, and a title that describes it for people who
// can't see it. data are attributes of the root element in pairs of name and value; each name gets
// the prefix data-.
func NewSVG(w, h float64, title string, data ...string) *SVG {
	s := &SVG{b: make([]byte, 0, 16<<10)}
	s.b = append(s.b, `<svg xmlns="http://www.w3.org/2000/svg" class="picture" role="img" viewBox="0 0`...)
	s.number(w)
	s.number(h)
	for i := 0; i+1 < len(data); i += 2 {
		s.raw(`" data-` + data[i] + `="`)
		s.escape(data[i+1])
	}
	s.raw(`" font-family="DejaVu Sans, sans-serif"><title>`)
	s.escape(title)
	s.raw("</title>")
	return s
}

// Bytes ends the picture and returns it as one line of XML.
func (s *SVG) Bytes() []byte {
	for s.open > 0 {
		s.Close()
	}
	s.raw("</svg>")
	return s.b
}

func (s *SVG) raw(t string) { s.b = append(s.b, t...) }

// number writes a coordinate to a tenth of a pixel, or nothing if it is not finite.
func (s *SVG) number(v float64) {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		v = 0
	}
	if n := len(s.b); n > 0 && s.b[n-1] != '"' && s.b[n-1] != 'M' && s.b[n-1] != 'L' {
		s.b = append(s.b, ' ')
	}
	v = math.Round(v*10)/10 + 0 // adding 0 turns a negative zero positive
	s.b = strconv.AppendFloat(s.b, v, 'f', -1, 64)
}

// escape writes text, escaped. Control characters become spaces.
func (s *SVG) escape(t string) {
	for _, r := range t {
		switch {
		case r == '<':
			s.raw("&lt;")
		case r == '>':
			s.raw("&gt;")
		case r == '&':
			s.raw("&amp;")
		case r == '"':
			s.raw("&quot;")
		case r == '\'':
			s.raw("&#39;")
		case r < 0x20, r == 0x7f, r == 0xfffe, r == 0xffff:
			s.b = append(s.b, ' ')
		default:
			s.b = append(s.b, string(r)...)
		}
	}
}

func (s *SVG) style(r Role, filled bool) {
	st := r.Style()
	s.raw(` class="` + st.Name + `"`)
	if st.Fill >= 0 && filled {
		s.raw(` fill="` + colour(st.Fill) + `"`)
	} else {
		s.raw(` fill="none"`)
	}
	if st.Stroke < 0 {
		return
	}
	s.raw(` stroke="` + colour(st.Stroke) + `" stroke-width="`)
	s.number(st.Width)
	s.raw(`"`)
	if st.Dash != nil {
		s.raw(` stroke-dasharray="`)
		for _, d := range st.Dash {
			s.number(d)
		}
		s.raw(`"`)
	}
}

func colour(c int) string {
	h := strconv.FormatInt(int64(c), 16)
	return "#" + strings.Repeat("0", 6-len(h)) + h
}

// Lines implements [Canvas].
func (s *SVG) Lines(r Role, closed bool, lines ...[]Point) {
	if len(lines) == 0 {
		return
	}
	s.raw("<path")
	s.style(r, closed)
	s.raw(` d="`)
	for _, l := range lines {
		for i, p := range l {
			s.raw([...]string{"M", "L"}[min(i, 1)])
			s.number(p.X)
			s.number(p.Y)
		}
		if closed {
			s.raw("Z")
		}
	}
	s.raw(`"/>`)
}

// Circle implements [Canvas].
func (s *SVG) Circle(r Role, at Point, radius float64) {
	s.raw("<circle")
	s.style(r, true)
	s.raw(` cx="`)
	s.number(at.X)
	s.raw(`" cy="`)
	s.number(at.Y)
	s.raw(`" r="`)
	s.number(max(0, radius))
	s.raw(`"/>`)
}

// Text implements [Canvas].
func (s *SVG) Text(r Role, at Point, height float64, a Anchor, text string) {
	st := r.Style()
	s.raw(`<text class="` + st.Name + `" fill="` + colour(max(0, st.Fill)) + `" x="`)
	s.number(at.X)
	s.raw(`" y="`)
	s.number(at.Y)
	s.raw(`" font-size="`)
	s.number(height)
	if st.Bold {
		s.raw(`" font-weight="700`)
	}
	if a != Start {
		s.raw(`" text-anchor="` + [...]string{"start", "middle", "end"}[a])
	}
	s.raw(`">`)
	s.escape(text)
	s.raw("</text>")
}

// Open implements [Canvas].
func (s *SVG) Open(name string) {
	s.raw(`<g class="`)
	s.escape(name)
	s.raw(`">`)
	s.open++
}

// Close implements [Canvas].
func (s *SVG) Close() {
	if s.open > 0 {
		s.raw("</g>")
		s.open--
	}
}
