package document

import (
	"fmt"
	"html"
	"strings"

	"fairbore/daemon/code"
)

// Codes are QR codes side by side, each with what it does.
type Codes []Coded

// Coded is a text for a scanner, and what a person reads below its code. A text that is no code, see
// [code.New], stands without one.
type Coded struct{ Text, Says string }

// Measures of codes in mm.
const (
	codeSide   = 18.0 // with the quiet edge
	codeAcross = 8
	codeLines  = 3 // below a code, at most
)

func (c Codes) text(b *strings.Builder) {
	for _, x := range c {
		fmt.Fprintf(b, "  %-20s %s\n", x.Text, x.Says)
	}
}

func (c Codes) html(p *page) {
	p.open("ul", "codes")
	for _, x := range c {
		p.open("li", "")
		if q, err := code.New(x.Text); err == nil {
			p.b.WriteString(q.SVG(html.EscapeString(x.Text)))
		}
		p.tag("strong", "", x.Text)
		p.tag("span", "", x.Says)
		p.close("li")
	}
	p.close("ul")
}

// pdf lays the codes out in rows, none of which is parted.
func (c Codes) pdf(s *sheet) (all []piece) {
	const points, step = 6.4, 2.9
	w := s.width / codeAcross
	for from := 0; from < len(c); from += codeAcross {
		row := c[from:min(from+codeAcross, len(c))]
		says, most := make([][]string, len(row)), 0
		for i, x := range row {
			s.font("", points, ink)
			if x.Says != "" {
				says[i] = s.SplitText(x.Says, w-2)
				says[i] = says[i][:min(len(says[i]), codeLines)]
			}
			most = max(most, len(says[i]))
		}
		all = append(all, piece{h: codeSide + 3.4 + step*float64(most) + 2, draw: func(y float64) {
			for i, x := range row {
				at := s.left + float64(i)*w
				s.code(x.Text, at, y)
				s.font("B", 7.2, ink)
				s.put(at, y+codeSide+2.4, "L", s.short(x.Text, w-2))
				s.font("", points, ink)
				for k, l := range says[i] {
					s.put(at, y+codeSide+5.4+step*float64(k), "L", l)
				}
			}
		}})
	}
	return all
}

// code draws the code of a text.
func (s *sheet) code(text string, x, y float64) {
	q, err := code.New(text)
	if err != nil {
		return
	}
	m := codeSide / float64(q.Size()+2*code.Quiet)
	s.SetFillColor(0, 0, 0)
	for r := range q.Runs {
		s.Rect(x+m*float64(r.X), y+m*float64(r.Y+code.Quiet), m*float64(r.N), m, "F")
	}
}
