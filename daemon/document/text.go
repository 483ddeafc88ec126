package document

import (
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"
)

// textWidth is the width of plain text, if the numbers of a table fit into it.
const textWidth = 100

// Text returns the document as plain text: UTF-8, in lines of at most about 100 columns, aligned
// with spaces only.
func (d *Document) Text() string {
	var b strings.Builder
	for _, l := range d.Letterhead.Lines {
		writeWrapped(&b, "", l)
	}
	if d.Letterhead.Lines != nil {
		b.WriteString("\n")
	}
	title := strings.ToUpper(d.Title)
	if d.Lead != "" {
		title += "  " + d.Lead
	}
	d.simulatedText(&b)
	fmt.Fprintf(&b, "%s\n%s\n", title, d.Subject)
	if d.Number != "" {
		fmt.Fprintf(&b, "%s\n", d.Number)
	}
	if s := d.Outcome; s != nil {
		fmt.Fprintf(&b, "\n%s %s\n", s.Mark.Glyph(), s.Word)
		if s.Why != "" {
			writeWrapped(&b, "  ", s.Why)
		}
	}
	for _, x := range d.Blocks {
		x.text(&b)
	}
	d.simulatedText(&b)
	return b.String()
}

// simulatedText writes, first and last, that the document is simulated.
func (d *Document) simulatedText(b *strings.Builder) {
	if d.Simulated[0] == "" {
		return
	}
	b.WriteString(strings.Repeat("/", textWidth) + "\n")
	writeWrapped(b, "/// ", d.Simulated[0]+"  "+d.Simulated[1])
	b.WriteString(strings.Repeat("/", textWidth) + "\n")
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

func (f Figure) text(*strings.Builder) {} // the tables have what it shows

func (s Signature) text(b *strings.Builder) {
	b.WriteString("\n")
	for _, w := range s {
		fmt.Fprintf(b, "%s %s   ", w, strings.Repeat(".", 28))
	}
	b.WriteString("\n")
}

// tableWidth is the width up to which a table is not split, a little more than that of the text.
const tableWidth = textWidth + 10

// spread returns the width of a table with columns of widths w.
func spread(w []int) int {
	n := 2 * (len(w) - 1)
	for _, x := range w {
		n += x
	}
	return n
}

// across splits a table that is too wide into several, each with the first column. The fuller ones
// come last.
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

// columns returns a table of the first column and a range of the others.
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

// breakHeads breaks heads that are wider than their column into lines. The last line is the one
// above the rule.
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

// headLines is the largest number of lines in a head.
const headLines = 2

// widths gives each column the width of its widest cell and of its head in two lines. A column that
// wraps gets the rest.
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

// wrap breaks text into lines of at most a width in characters, between words if possible.
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
