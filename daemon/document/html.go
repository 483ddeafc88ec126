package document

import (
	_ "embed"
	"encoding/base64"
	"html"
	"strings"

	"fairbore/daemon/picture"
)

// Style is the style sheet of a document's page. A server that forbids styles inside a page serves
// it as a file.
//
//go:embed document.css
var Style string

// page is HTML being written. It has no script, no style element and no style attribute, so that it
// can stand in a page that forbids those.
type page struct{ b strings.Builder }

// tag writes an element around text, which it escapes.
func (p *page) tag(name, class, text string) {
	p.open(name, class)
	p.b.WriteString(html.EscapeString(text))
	p.b.WriteString("</" + name + ">\n")
}

func (p *page) open(name, class string) {
	p.b.WriteString("<" + name)
	if class != "" {
		p.b.WriteString(` class="` + class + `"`)
	}
	p.b.WriteString(">")
}

func (p *page) close(name string) { p.b.WriteString("</" + name + ">\n") }

// Fragment returns the document as one <article> element, to be inserted into a page.
func (d *Document) Fragment() string {
	p := &page{}
	p.open("article", "report")
	d.simulatedHTML(p)
	p.open("header", "")
	p.tag("h1", "", d.Title)
	if d.Lead != "" {
		p.tag("p", "lead", d.Lead)
	}
	p.tag("p", "subject", d.Subject)
	if d.Number != "" {
		p.tag("p", "subject", d.Number)
	}
	if s := d.Outcome; s != nil {
		p.open("p", "stamp "+string(s.Mark))
		p.tag("span", "mark", s.Mark.Glyph())
		p.tag("strong", "", s.Word)
		p.tag("span", "why", s.Why)
		p.close("p")
	}
	p.close("header")
	for _, b := range d.Blocks {
		b.html(p)
	}
	d.simulatedHTML(p)
	p.close("article")
	return p.b.String()
}

// simulatedHTML writes, first and last, that the document is simulated.
func (d *Document) simulatedHTML(p *page) {
	if d.Simulated[0] == "" {
		return
	}
	p.open("p", "simulated")
	p.tag("strong", "", d.Simulated[0])
	p.tag("span", "", d.Simulated[1])
	p.close("p")
}

// HTML returns the document as a page. style is the address of the style sheet. If it is empty
// [Style] is put into the page's head as a data address, so that the file needs no other. The page
// forbids itself everything else.
func (d *Document) HTML(style string) string {
	from := "'self'"
	if style == "" {
		style, from = "data:text/css;base64,"+base64.StdEncoding.EncodeToString([]byte(Style)), "data:"
	}
	if d.Letterhead.Logo != nil {
		from += "; img-src data:"
	}
	var b strings.Builder
	b.WriteString("<!doctype html>\n<html lang=\"" + html.EscapeString(d.Format.Tag()) + "\">\n<head>\n<meta charset=\"utf-8\">\n" +
		"<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src " + from + "\">\n" +
		"<meta name=\"viewport\" content=\"width=device-width\">\n" +
		"<title>" + html.EscapeString(d.Title+", "+d.Subject) + "</title>\n" +
		"<link rel=\"stylesheet\" href=\"" + html.EscapeString(style) + "\">\n</head>\n<body>\n")
	d.Letterhead.html(&b)
	b.WriteString(d.Fragment())
	b.WriteString("</body>\n</html>\n")
	return b.String()
}

func (h Heading) html(p *page) { p.tag("h2", "", string(h)) }

func (s Para) html(p *page) { p.tag("p", "", string(s)) }

func (l Lines) html(p *page) {
	p.open("ul", "")
	for _, s := range l {
		p.tag("li", "", s)
	}
	p.close("ul")
}

func (f Fields) html(p *page) {
	p.open("div", "fields")
	for _, g := range f {
		p.open("section", "")
		p.tag("h3", "", g.Name)
		p.open("dl", "")
		for _, x := range g.Fields {
			p.tag("dt", "", x.Name)
			p.tag("dd", "", x.Value)
		}
		p.close("dl")
		p.close("section")
	}
	p.close("div")
}

func (f Figure) html(p *page) {
	svg := picture.NewSVG(f.W, f.H, f.Caption)
	f.Drawing.Draw(svg)
	p.open("figure", "")
	p.b.Write(svg.Bytes())
	p.tag("figcaption", "", f.Caption)
	p.close("figure")
}

func (s Signature) html(p *page) {
	p.open("p", "signature")
	for _, w := range s {
		p.tag("span", "", w)
	}
	p.close("p")
}

func (t *Table) html(p *page) {
	p.open("table", "")
	if t.Caption != "" {
		p.tag("caption", "", t.Caption)
	}
	p.open("thead", "")
	p.open("tr", "")
	for _, c := range t.Columns {
		p.b.WriteString(`<th scope="col"` + c.class() + ">" + html.EscapeString(c.Head) + "</th>")
	}
	p.close("tr")
	t.bodyRows(p, t.Over)
	p.close("thead")
	p.open("tbody", "")
	t.bodyRows(p, t.Rows)
	p.close("tbody")
	if t.Under != nil {
		p.open("tfoot", "")
		t.bodyRows(p, t.Under)
		p.close("tfoot")
	}
	p.close("table")
	for _, n := range t.Notes {
		p.tag("p", "note", n)
	}
}

func (t *Table) bodyRows(p *page, rows [][]string) {
	for _, r := range rows {
		p.open("tr", "")
		for i, c := range r {
			p.b.WriteString("<td" + t.Columns[i].class() + ">" + html.EscapeString(c) + "</td>")
		}
		p.close("tr")
	}
}

// class returns the CSS class of the cells of a column.
func (c *Column) class() string {
	switch {
	case c.Wrap:
		return ` class="left wrap"`
	case c.Left:
		return ` class="left"`
	}
	return ""
}
