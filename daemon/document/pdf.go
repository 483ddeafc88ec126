package document

import (
	"bytes"
	_ "embed"
	"fmt"
	"io"
	"strings"
	"time"

	"codeberg.org/go-pdf/fpdf"
)

//go:embed font/DejaVuSans.ttf
var regular []byte

//go:embed font/DejaVuSans-Bold.ttf
var bold []byte

// Paper is a size of paper.
type Paper string

// The papers.
const (
	A4     Paper = "a4"
	Letter Paper = "letter"
)

// ParsePaper reads the name of a paper; empty text is A4.
func ParsePaper(s string) (Paper, error) {
	switch p := Paper(strings.ToLower(s)); p {
	case "":
		return A4, nil
	case A4, Letter:
		return p, nil
	}
	return "", fmt.Errorf("paper %q is not valid: give a4 or letter", s)
}

func (p Paper) name() string {
	if p == Letter {
		return "Letter"
	}
	return "A4"
}

// Measures of a sheet in mm, and of text in points.
const (
	margin    = 15.0
	headRoom  = margin + 4 // y below the head of the second and later pages
	footRoom  = 15.0
	textSize  = 8.0
	lineStep  = 3.9
	pointsPer = 72 / 25.4 // points in a millimetre
)

// Colours, as 0xRRGGBB.
const (
	ink   = 0x14191c
	grey  = 0x505c63
	thin  = 0x8b979d
	faint = 0xdfe4e6
	band  = 0xf2f5f6
)

// pages stands for the number of pages until that is known.
const pages = "{pages}"

// sheet is a PDF being written.
type sheet struct {
	*fpdf.Fpdf
	doc    *Document
	left   float64
	width  float64 // between the margins
	bottom float64 // y at which the foot begins
	top    bool    // nothing stands on the page yet except its head
	titled string  // the newest heading
}

// PDF returns the document as a PDF. The same document gives the same bytes, since the date in it
// is [Document.At]. The typeface is embedded, as far as it is used.
func (d *Document) PDF(w io.Writer, paper Paper) error {
	s := &sheet{Fpdf: fpdf.New("P", "mm", paper.name(), ""), doc: d, left: margin}
	s.SetMargins(margin, margin, margin)
	s.SetAutoPageBreak(false, 0)
	s.SetCellMargin(0)
	s.SetCatalogSort(true)
	at := d.At.UTC()
	if at.IsZero() { // otherwise fpdf takes the time from the clock
		at = time.Unix(0, 0).UTC()
	}
	s.SetCreationDate(at)
	s.SetModificationDate(at)
	s.SetTitle(shown(d.Title+", "+d.Subject), true)
	s.SetSubject(shown(d.Lead), true)
	s.SetKeywords(d.Head, false) // plain, so that it is found without taking the file apart
	s.SetCreator("fairbore", true)
	s.SetProducer("fairbore", true)
	s.SetLang(d.Format.Tag())
	s.AddUTF8FontFromBytes("sans", "", bytes.Clone(regular))
	s.AddUTF8FontFromBytes("sans", "B", bytes.Clone(bold))
	s.AliasNbPages(pages)
	wide, high := s.GetPageSize()
	s.width, s.bottom = wide-2*margin, high-footRoom
	s.SetHeaderFunc(s.head)
	s.SetFooterFunc(s.foot)
	s.AddPage()
	s.letterhead()
	s.title()
	s.flow(d.Blocks)
	return s.Output(w)
}

// font selects a size in points and a colour.
func (s *sheet) font(style string, points float64, colour int) {
	s.SetFont("sans", style, points)
	s.SetTextColor(rgb(colour))
}

func rgb(c int) (r, g, b int) { return c >> 16, c >> 8 & 0xff, c & 0xff }

// GetStringWidth returns the width in mm of text as it is shown.
func (s *sheet) GetStringWidth(text string) float64 { return s.Fpdf.GetStringWidth(shown(text)) }

// SplitText breaks text, as it is shown, into lines of a width in mm.
func (s *sheet) SplitText(text string, w float64) []string { return s.Fpdf.SplitText(shown(text), w) }

// put writes one line of text with its base line at y. align says whether x is its left end (L),
// centre (C) or right end (R).
func (s *sheet) put(x, y float64, align, text string) {
	switch align {
	case "R":
		x -= s.GetStringWidth(text)
	case "C":
		x -= s.GetStringWidth(text) / 2
	}
	s.Text(x, y, shown(text))
}

// rule draws a horizontal line from x0 to x1.
func (s *sheet) rule(x0, x1, y, width float64, colour int) {
	s.SetDrawColor(rgb(colour))
	s.SetLineWidth(width)
	s.SetDashPattern(nil, 0)
	s.Line(x0, y, x1, y)
}

// head writes the head of the second and later pages.
func (s *sheet) head() {
	s.simulated()
	if s.PageNo() == 1 {
		s.SetY(margin)
		return
	}
	s.font("B", 7.5, ink)
	s.put(s.left, margin-1, "L", s.doc.Title)
	right := s.width - s.GetStringWidth(s.doc.Title) - 6
	s.font("", 7.5, grey)
	s.put(s.left+s.width, margin-1, "R", s.short(strings.TrimPrefix(s.doc.Lead+" · "+s.doc.Subject, " · "), right))
	s.rule(s.left, s.left+s.width, margin+0.8, 0.2, thin)
	s.SetY(headRoom)
}

// simulated writes a band in the upper margin of every page of a document that is simulated: a word
// and a sentence between hatched ends, which stay readable in grey.
func (s *sheet) simulated() {
	if s.doc.Simulated[0] == "" {
		return
	}
	const top, high, end = 3.5, 6.0, 18.0
	s.SetDrawColor(rgb(ink))
	s.SetLineWidth(0.4)
	s.SetDashPattern(nil, 0)
	s.Rect(s.left, top, s.width, high, "D")
	for _, from := range []float64{s.left, s.left + s.width - end} {
		for x := from; x < from+end-high; x += 2 {
			s.Line(x, top+high, x+high, top)
		}
	}
	s.font("B", 10, ink)
	word, middle := s.doc.Simulated[0], s.left+s.width/2
	wide := s.GetStringWidth(word)
	s.font("", 7.5, ink)
	says := s.GetStringWidth(s.doc.Simulated[1])
	x := middle - (wide+4+says)/2
	s.put(x+wide+4, top+4.1, "L", s.doc.Simulated[1])
	s.font("B", 10, ink)
	s.put(x, top+4.3, "L", word)
}

// short cuts text in the present font to a width, and says so by an ellipsis in front: a subject ends
// with what tells it from others.
func (s *sheet) short(text string, w float64) string {
	if s.GetStringWidth(text) <= w {
		return text
	}
	r := []rune(text)
	for len(r) > 0 && s.GetStringWidth("…"+string(r)) > w {
		r = r[1:]
	}
	return "…" + string(r)
}

// foot writes the foot of every page.
func (s *sheet) foot() {
	y := s.bottom + 4
	s.rule(s.left, s.left+s.width, y, 0.2, thin)
	s.font("", 6, grey)
	for i, l := range s.doc.Foot {
		s.put(s.left, y+3.2+2.8*float64(i), "L", l)
	}
	s.font("", 7.5, grey)
	// The number of pages is filled in at the end; its width is not known here.
	page := func(of string) string { return s.doc.Format.Text("document.page", s.PageNo(), of) }
	s.put(s.left+s.width-s.GetStringWidth(page("99")), y+4, "L", page(pages))
	s.font("", 6.5, grey)
	s.put(s.left+s.width, y+7.2, "R", s.doc.Number)
}

// title writes the title of the document, and the outcome beside it.
func (s *sheet) title() {
	const stampWidth = 70.0
	top := s.GetY()
	right := s.width
	if s.doc.Outcome != nil {
		right = s.width - stampWidth - 6
	}
	s.font("B", 20, ink)
	s.put(s.left, top+6.5, "L", s.doc.Title)
	y := top + 13
	if s.doc.Lead != "" {
		s.font("", 11, ink)
		for _, l := range s.SplitText(s.doc.Lead, right) {
			s.put(s.left, y, "L", l)
			y += 5
		}
	}
	s.font("", 9, grey)
	for _, l := range s.SplitText(s.doc.Subject, right) {
		s.put(s.left, y, "L", l)
		y += 4.2
	}
	if s.doc.Number != "" {
		for _, l := range s.SplitText(s.doc.Number, right) {
			s.put(s.left, y, "L", l)
			y += 4.2
		}
	}
	if st := s.doc.Outcome; st != nil {
		y = max(y, s.outcome(st, s.left+s.width-stampWidth, top, stampWidth))
	}
	s.rule(s.left, s.left+s.width, y, 0.7, ink)
	s.SetY(y + 4)
}

// outcomeColours are the frame and the fill of a mark.
func outcomeColours(m Mark) (frame, ground int, dash []float64) {
	switch m {
	case Good:
		return 0x1f7a5c, 0xd5ebe2, nil
	case Bad:
		return 0xb3261e, 0xf9e1db, nil
	}
	return 0x14191c, 0xfbf3df, []float64{1.6, 1}
}

// outcome draws the outcome in a box and returns the y below it.
func (s *sheet) outcome(st *Outcome, x, y, w float64) float64 {
	frame, ground, dash := outcomeColours(st.Mark)
	s.font("", 7, ink)
	why := s.SplitText(st.Why, w-18)
	if st.Why == "" {
		why = nil
	}
	points := 13.0
	s.font("B", points, ink)
	if n := s.GetStringWidth(st.Word); n > w-18 {
		points *= (w - 18) / n
	}
	h := max(13, 8+3.2*float64(len(why))+1.5)
	s.SetDrawColor(rgb(frame))
	s.SetFillColor(rgb(ground))
	s.SetLineWidth(0.7)
	s.SetDashPattern(dash, 0)
	s.Rect(x, y, w, h, "DF")
	s.SetDashPattern(nil, 0)
	s.font("", 20, frame)
	s.put(x+8, y+h/2+2.6, "C", st.Mark.Glyph())
	s.font("B", points, ink)
	base := y + 6
	if why == nil {
		base = y + h/2 + 1.8
	}
	s.put(x+15, base, "L", st.Word)
	s.font("", 7, ink)
	for i, l := range why {
		s.put(x+15, base+3.6+3.2*float64(i), "L", l)
	}
	return y + h + 3
}

func (h Heading) pdf(s *sheet) []piece {
	s.titled = string(h)
	return []piece{{h: 6.9, keep: true, draw: func(y float64) {
		s.font("B", 9.5, ink)
		s.put(s.left, y+4.3, "L", string(h))
		s.rule(s.left, s.left+s.width, y+5.7, 0.3, ink)
	}}}
}

func (p Para) pdf(s *sheet) []piece { return s.paragraph(string(p), textSize, ink) }

func (l Lines) pdf(s *sheet) (all []piece) {
	for _, x := range l {
		all = append(all, s.paragraph(x, textSize, ink)...)
	}
	return all
}

// paragraph lays out text over the whole width. At least two lines of it stay on a page.
func (s *sheet) paragraph(text string, points float64, colour int) (all []piece) {
	step := lineStep * points / textSize
	s.font("", points, colour)
	lines := s.SplitText(text, s.width)
	for i, l := range lines {
		all = append(all, piece{h: step, keep: i < len(lines)-1 && (i == 0 || i == len(lines)-2), draw: func(y float64) {
			s.font("", points, colour)
			s.put(s.left, y+step*0.78, "L", l)
		}})
	}
	return all
}

// fieldLine is a line in a column of fields: a name, and the whole or a part of its value.
type fieldLine struct {
	Field
	at float64 // x of the value, from that of the name
}

// pdf lays the groups out side by side, line by line.
func (f Fields) pdf(s *sheet) []piece {
	const gap, points, step = 4.0, 7.1, 3.6
	w := (s.width - gap*float64(len(f)-1)) / float64(max(len(f), 1))
	all := []piece{{h: 5, keep: true, draw: func(y float64) {
		for i, g := range f {
			x := s.left + float64(i)*(w+gap)
			s.font("B", 8.5, ink)
			s.put(x, y+3, "L", g.Name)
			s.rule(x, x+w, y+4.2, 0.2, thin)
		}
	}}}
	columns, most := make([][]fieldLine, len(f)), 0
	for i, g := range f {
		columns[i] = s.fieldLines(g, points, w)
		most = max(most, len(columns[i]))
	}
	for k := range most {
		all = append(all, piece{h: step, draw: func(y float64) {
			for i, c := range columns {
				if k >= len(c) {
					continue
				}
				x := s.left + float64(i)*(w+gap)
				s.font("", points, grey)
				s.put(x, y+2.6, "L", c[k].Name)
				s.font("", points, ink)
				s.put(x+c[k].at, y+2.6, "L", c[k].Value)
			}
		}})
	}
	all = append(all, space(1.5))
	all[len(all)-2].keep = true
	return s.whole(all)
}

// fieldLines breaks the fields of a group into lines of a column of width w.
func (s *sheet) fieldLines(g Group, points, w float64) (lines []fieldLine) {
	at := min(s.nameWidth(g, points), w/2)
	for _, fd := range g.Fields {
		s.font("", points, ink)
		names, values := s.SplitText(fd.Name, at-1), s.SplitText(fd.Value, w-at)
		for i := range max(len(names), len(values)) {
			l := fieldLine{at: at}
			if i < len(names) {
				l.Name = names[i]
			}
			if i < len(values) {
				l.Value = values[i]
			}
			lines = append(lines, l)
		}
	}
	return lines
}

// nameWidth returns the width for the names of a group.
func (s *sheet) nameWidth(g Group, points float64) (w float64) {
	s.font("", points, grey)
	for _, f := range g.Fields {
		w = max(w, s.GetStringWidth(f.Name))
	}
	return w + 2.5
}

func (f Figure) pdf(s *sheet) []piece {
	const above = 2.0
	caption := s.paragraph(f.Caption, 6.8, grey)
	scale := min(s.width/f.W, (s.full()-30-height(caption))/f.H)
	all := append([]piece{space(above)}, caption...)
	for i := range all {
		all[i].keep = true
	}
	return append(all, piece{h: f.H*scale + 1, draw: func(y float64) {
		f.Drawing.Draw(&canvas{sheet: s, x: s.left, y: y + 1, scale: scale})
	}})
}

func (g Signature) pdf(s *sheet) []piece {
	w := s.width / float64(len(g))
	s.font("", 7, grey)
	most := 1
	for _, word := range g {
		most = max(most, len(s.SplitText(word, w-8)))
	}
	return []piece{{h: 14 + 3*float64(most), draw: func(y float64) {
		for i, word := range g {
			x := s.left + float64(i)*w
			s.rule(x, x+w-8, y+11, 0.2, ink)
			s.font("", 7, grey)
			for k, l := range s.SplitText(word, w-8) {
				s.put(x, y+14+3*float64(k), "L", l)
			}
		}
	}}}
}
