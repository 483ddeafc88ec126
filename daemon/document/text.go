package document

import (
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"
)

// textWidth is how wide plain text is set, as long as a table's numbers fit.
const textWidth = 100

// Text sets the document as plain text: UTF-8, lines of at most about 100 columns,
// nothing but spaces to align with.
func (d *Document) Text() string {
	var b strings.Builder
	title := strings.ToUpper(d.Title)
	if d.Lead != "" {
		title += "  " + d.Lead
	}
	fmt.Fprintf(&b, "%s\n%s\n", title, d.Subject)
	if s := d.Outcome; s != nil {
		fmt.Fprintf(&b, "\n%s %s\n", s.Mark.Glyph(), s.Word)
		if s.Why != "" {
			writeWrapped(&b, "  ", s.Why)
		}
	}
	for _, x := range d.Blocks {
		x.text(&b)
	}
	return b.String()
}

func (h Heading) text(b *strings.Builder) {
	fmt.Fprintf(b, "\n%s\n%s\n", string(h), strings.Repeat("-", utf8.RuneCountInString(string(h))))
}

func (p Para) text(b *strings.Builder) { writeWrapped(b, "", string(p)) }

func (l Lines) text(b *strings.Builder) {
	for _, s := range l {
		writeWrapped(b, "", s)
	}
}

func (f Fields) text(b *strings.Builder) {
	for _, g := range f {
		fmt.Fprintf(b, "\n%s\n", g.Name)
		for _, x := range g.Fields {
			lines := wrap(x.Value, textWidth-20)
			for i, l := range lines {
				name := ""
				if i == 0 {
					name = x.Name
				}
				b.WriteString(strings.TrimRight("  "+pad(name, 17, true)+" "+l, " ") + "\n")
			}
		}
	}
}

func (f Figure) text(*strings.Builder) {} // what it shows stands in the tables

func (s Signature) text(b *strings.Builder) {
	b.WriteString("\n")
	for _, w := range s {
		fmt.Fprintf(b, "%s %s   ", w, strings.Repeat(".", 28))
	}
	b.WriteString("\n")
}

// tableWidth is how far a table may pass the width of the text, so that a wide one
// stays whole as long as it can.
const tableWidth = textWidth + 10

// spread is how wide a table of columns of widths w is.
func spread(w []int) int {
	n := 2 * (len(w) - 1)
	for _, x := range w {
		n += x
	}
	return n
}

// across parts a table that is too wide into several, each with the first column,
// the fuller ones last.
func (t *Table) across() []*Table {
	w := t.widths()
	if spread(w) <= tableWidth || slices.ContainsFunc(t.Columns, func(c Column) bool { return c.Wrap }) {
		return []*Table{t}
	}
	var parts []*Table
	for end := len(w); end > 1; {
		from := end - 1
		for from > 1 && w[0]+2+spread(w[from-1:end]) <= textWidth {
			from--
		}
		parts = append(parts, t.columns(from, end))
		end = from
	}
	slices.Reverse(parts)
	parts[0].Caption, parts[len(parts)-1].Notes = t.Caption, t.Notes
	return parts
}

// columns is a table of the first column and of those of a range.
func (t *Table) columns(from, end int) *Table {
	cut := func(rows [][]string) (out [][]string) {
		for _, r := range rows {
			out = append(out, append([]string{r[0]}, r[from:end]...))
		}
		return out
	}
	return &Table{Columns: append([]Column{t.Columns[0]}, t.Columns[from:end]...), Over: cut(t.Over), Rows: cut(t.Rows), Under: cut(t.Under)}
}

func (t *Table) text(b *strings.Builder) {
	for _, part := range t.across() {
		part.whole(b)
	}
}

func (t *Table) whole(b *strings.Builder) {
	if t.Caption != "" {
		fmt.Fprintf(b, "\n%s\n", t.Caption)
	}
	w := t.widths()
	heads := make([]string, len(t.Columns))
	for i, c := range t.Columns {
		heads[i] = c.Head
	}
	for _, line := range t.breakHeads(heads, w) {
		b.WriteString(t.line(line, w))
	}
	line := strings.Repeat("-", spread(w)) + "\n"
	t.rows(b, t.Over, w)
	b.WriteString(line)
	t.rows(b, t.Rows, w)
	if t.Under != nil {
		b.WriteString(line)
		t.rows(b, t.Under, w)
	}
	for _, n := range t.Notes {
		writeWrapped(b, "", n)
	}
	b.WriteString("\n")
}

func (t *Table) rows(b *strings.Builder, rows [][]string, w []int) {
	for _, r := range rows {
		cells := make([][]string, len(r))
		n := 1
		for i, c := range r {
			cells[i] = []string{c}
			if t.Columns[i].Wrap {
				cells[i] = wrap(c, w[i])
			}
			n = max(n, len(cells[i]))
		}
		for k := range n {
			line := make([]string, len(r))
			for i := range cells {
				if k < len(cells[i]) {
					line[i] = cells[i][k]
				}
			}
			b.WriteString(t.line(line, w))
		}
	}
}

// breakHeads sets heads that are wider than their column in several lines, the
// last word on the line above the rule.
func (t *Table) breakHeads(heads []string, w []int) [][]string {
	broken, n := make([][]string, len(heads)), 1
	for i, h := range heads {
		broken[i] = wrap(h, w[i])
		n = max(n, len(broken[i]))
	}
	lines := make([][]string, n)
	for k := range n {
		lines[k] = make([]string, len(heads))
		for i := range heads {
			if from := n - len(broken[i]); k >= from {
				lines[k][i] = broken[i][k-from]
			}
		}
	}
	return lines
}

func (t *Table) line(cells []string, w []int) string {
	var b strings.Builder
	for i, c := range cells {
		if i > 0 {
			b.WriteString("  ")
		}
		b.WriteString(pad(c, w[i], t.Columns[i].Left))
	}
	return strings.TrimRight(b.String(), " ") + "\n"
}

// headLines is how many lines a column's head may take.
const headLines = 2

// widths gives each column what its widest cell and its head
// in two lines need, and a column that wraps what is left.
func (t *Table) widths() []int {
	w := make([]int, len(t.Columns))
	left, wide := textWidth-2*(len(w)-1), -1
	for i, c := range t.Columns {
		for word := range strings.FieldsSeq(c.Head) {
			w[i] = max(w[i], utf8.RuneCountInString(word))
		}
		for len(wrap(c.Head, w[i])) > headLines {
			w[i]++
		}
		for _, rows := range [][][]string{t.Over, t.Rows, t.Under} {
			for _, r := range rows {
				w[i] = max(w[i], utf8.RuneCountInString(r[i]))
			}
		}
		if c.Wrap {
			wide = i
			continue
		}
		left -= w[i]
	}
	if wide >= 0 {
		w[wide] = min(w[wide], max(left, 20))
	}
	return w
}

func pad(s string, n int, left bool) string {
	space := strings.Repeat(" ", max(0, n-utf8.RuneCountInString(s)))
	if left {
		return s + space
	}
	return space + s
}

func writeWrapped(b *strings.Builder, indent, s string) {
	for _, l := range wrap(s, textWidth-len(indent)) {
		b.WriteString(indent + l + "\n")
	}
}

// wrap breaks text into lines of at most a width in characters, between words
// where it can.
func wrap(s string, width int) []string {
	var lines []string
	line, n := "", 0
	for word := range strings.FieldsSeq(s) {
		m := utf8.RuneCountInString(word)
		for m > width { // a word wider than the line
			if n > 0 {
				lines, line, n = append(lines, line), "", 0
			}
			r := []rune(word)
			lines, word = append(lines, string(r[:width])), string(r[width:])
			m -= width
		}
		switch {
		case n == 0:
			line, n = word, m
		case n+1+m <= width:
			line, n = line+" "+word, n+1+m
		default:
			lines, line, n = append(lines, line), word, m
		}
	}
	if n > 0 || lines == nil {
		lines = append(lines, line)
	}
	return lines
}
