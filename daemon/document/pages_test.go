package document

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"os/exec"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"fairbore/daemon/daemontest"
	"fairbore/daemon/picture"
)

// word is a word on a page, as another program finds it, in points.
type word struct {
	Text string  `xml:",chardata"`
	X0   float64 `xml:"xMin,attr"`
	Y0   float64 `xml:"yMin,attr"`
	X1   float64 `xml:"xMax,attr"`
	Y1   float64 `xml:"yMax,attr"`
}

// sheetRead is a page as another program finds it.
type sheetRead struct {
	W     float64 `xml:"width,attr"`
	H     float64 `xml:"height,attr"`
	Words []word  `xml:"word"`
}

// readPages takes the words of a PDF out with their places.
func readPages(t interface{ Fatalf(string, ...any) }, d *Document, paper Paper) []sheetRead {
	var file, complaints bytes.Buffer
	if err := d.PDF(&file, paper); err != nil {
		t.Fatalf("%v", err)
	}
	cmd := exec.Command("pdftotext", "-bbox", "-", "-")
	cmd.Stdin, cmd.Stderr = &file, &complaints
	out, err := cmd.Output()
	if err != nil || complaints.Len() > 0 {
		t.Fatalf("pdftotext: %v: %s", err, &complaints)
	}
	var doc struct {
		Pages []sheetRead `xml:"body>doc>page"`
	}
	dec := xml.NewDecoder(bytes.NewReader(out))
	dec.Strict, dec.Entity = false, xml.HTMLEntity
	if err := dec.Decode(&doc); err != nil {
		t.Fatalf("pdftotext -bbox: %v", err)
	}
	return doc.Pages
}

// blocks draws a document of random blocks. Each word of it says what it is of: R3.12.0 is in row 12
// of table 3, P5.7 word 7 of paragraph 5.
func blocks(t *rapid.T) (all []Block) {
	n := rapid.IntRange(1, 12).Draw(t, "blocks")
	for b := range n {
		switch rapid.IntRange(0, 9).Draw(t, "kind") {
		case 0, 1, 2, 3, 4:
			all = append(all, table(t, b))
		case 5:
			all = append(all, Heading(fmt.Sprintf("D%d", b)))
		case 6:
			all = append(all, Para(running(t, "P", b)))
		case 7:
			all = append(all, Lines{running(t, "P", b), running(t, "L", b)})
		case 8:
			var f Fields
			for g := range rapid.IntRange(1, 4).Draw(t, "groups") {
				group := Group{Name: fmt.Sprintf("G%d.%d", b, g)}
				for k := range rapid.IntRange(0, 12).Draw(t, "fields") {
					group.Fields = append(group.Fields, Field{fmt.Sprintf("N%d.%d.%d", b, g, k), running(t, fmt.Sprintf("V%d.%d.", g, k), b)})
				}
				f = append(f, group)
			}
			all = append(all, f)
		default:
			all = append(all, Figure{nothing{}, 1000, float64(rapid.IntRange(100, 3000).Draw(t, "height")), fmt.Sprintf("C%d", b)})
		}
		if rapid.IntRange(0, 3).Draw(t, "heading") == 0 {
			all = append(all, Heading(fmt.Sprintf("D%d", b+100)), table(t, b+100))
		}
	}
	return append(all, Signature{"S0 by", "S1"})
}

// nothing is a drawing without a line.
type nothing struct{}

func (nothing) Draw(picture.Canvas) {}

func running(t *rapid.T, kind string, b int) string {
	words := make([]string, rapid.IntRange(2, 120).Draw(t, "words"))
	for i := range words {
		words[i] = fmt.Sprintf("%s%d.%d", kind, b, i)
	}
	words[len(words)-1] = fmt.Sprintf("%s%d.end", kind, b)
	return strings.Join(words, " ")
}

func table(t *rapid.T, b int) *Table {
	x := &Table{}
	if rapid.Bool().Draw(t, "captioned") {
		x.Caption = fmt.Sprintf("T%d", b)
	}
	columns := rapid.IntRange(1, 9).Draw(t, "columns")
	for c := range columns {
		x.Columns = append(x.Columns, Column{Head: fmt.Sprintf("H%d.%d", b, c), Left: rapid.Bool().Draw(t, "left")})
	}
	wrap := rapid.IntRange(-1, columns-1).Draw(t, "wraps")
	if wrap >= 0 {
		x.Columns[wrap].Wrap = true
	}
	row := func(kind string, r int) (cells []string) {
		for c := range columns {
			cell := fmt.Sprintf("%s%d.%d.%d", kind, b, r, c)
			if kind == "R" && c == wrap && rapid.IntRange(0, 9).Draw(t, "long") == 0 {
				cell += " " + running(t, fmt.Sprintf("W%d.", r), b)
			}
			cells = append(cells, cell)
		}
		return cells
	}
	for r := range rapid.IntRange(0, 2).Draw(t, "over") {
		x.Over = append(x.Over, row("O", r))
	}
	for r := range rapid.OneOf(rapid.IntRange(1, 8), rapid.IntRange(1, 120)).Draw(t, "rows") {
		x.Rows = append(x.Rows, row("R", r))
	}
	for r := range rapid.IntRange(0, 2).Draw(t, "under") {
		x.Under = append(x.Under, row("U", r))
	}
	for r := range rapid.IntRange(0, 2).Draw(t, "notes") {
		x.Notes = append(x.Notes, running(t, fmt.Sprintf("M%d.", r), b))
	}
	return x
}

// lineOf is a line of a page: its words, those of one height.
type lineOf []word

// lines returns the lines of a page from the top down, without what stands at the head and foot of
// each page.
func (p *sheetRead) lines() (all []lineOf) {
	words := slices.DeleteFunc(slices.Clone(p.Words), func(w word) bool {
		return strings.HasPrefix(w.Text, "Z") || w.Y0 > p.H-footRoom*pointsPer
	})
	slices.SortStableFunc(words, func(a, b word) int { return int(10*a.Y0) - int(10*b.Y0) })
	for _, w := range words {
		if n := len(all); n > 0 && w.Y0-all[n-1][0].Y0 < 1 {
			all[n-1] = append(all[n-1], w)
			continue
		}
		all = append(all, lineOf{w})
	}
	return all
}

// Whatever a document has, its pages keep together what belongs together. Another program reads
// them.
func TestPagesKeepTogether(t *testing.T) {
	daemontest.Needs(t, "pdftotext")
	rapid.Check(t, func(t *rapid.T) {
		d := &Document{Title: "Ztitle", Subject: "Zsubject", At: time.Unix(0, 0), Foot: []string{"Zfoot"}, Blocks: blocks(t)}
		pages := readPages(t, d, rapid.SampledFrom([]Paper{A4, Letter}).Draw(t, "paper"))
		seen := map[string]int{}
		for n := range pages {
			p := &pages[n]
			for _, w := range p.Words {
				seen[w.Text]++
				if w.X0 < margin*pointsPer-1 || w.X1 > p.W-margin*pointsPer+1 || w.Y1 > p.H {
					t.Fatalf("page %d: %q stands at %.0f to %.0f, %.0f of %.0f × %.0f", n+1, w.Text, w.X0, w.X1, w.Y1, p.W, p.H)
				}
			}
			checkPage(t, d, n, p)
		}
		checkComplete(t, d, seen)
		if last := pages[len(pages)-1]; !slices.ContainsFunc(last.Words, func(w word) bool { return w.Text == "S0" }) {
			t.Fatalf("the signature is not on the last page")
		}
	})
}

func checkPage(t *rapid.T, d *Document, n int, p *sheetRead) {
	lines := p.lines()
	if len(lines) == 0 {
		if slices.ContainsFunc(p.Words, func(w word) bool { return w.Text == "Ztitle" }) && n == 0 {
			return // a first page whose figure or block needs a page of its own
		}
		t.Fatalf("page %d is empty", n+1)
	}
	heads, rows, bodies := map[string]int{}, map[string]int{}, map[string]bool{} // by table: its head's and newest row's line
	wrapped := map[string]int{}                                                  // by paragraph: its lines on the page
	for i, l := range lines {
		counted := map[string]bool{}
		for _, w := range l {
			of, _, _ := strings.Cut(w.Text[1:], ".")
			switch w.Text[0] {
			case 'H', 'O':
				begins := slices.ContainsFunc(p.Words, func(w word) bool { return strings.HasPrefix(w.Text, "R"+of+".0.") })
				if i == 0 && !begins && titled(d, of) {
					t.Fatalf("page %d: the head of table %s without its title above it", n+1, of)
				}
				heads[of] = i + 1
			case 'R', 'W':
				if w.Text[0] == 'W' {
					of = strings.Split(w.Text, ".")[1]
				}
				if heads[of] == 0 {
					t.Fatalf("page %d: row %s without its head above it", n+1, w.Text)
				}
				rows[of], bodies[of] = i+1, true
			case 'U':
				if !bodies[of] {
					t.Fatalf("page %d: %s without a row of its table above it", n+1, w.Text)
				}
			case 'D', 'T':
				if i == len(lines)-1 {
					t.Fatalf("page %d ends with %s", n+1, w.Text)
				}
			case 'P', 'L':
				if key := w.Text[:1] + of; !counted[key] {
					counted[key] = true
					wrapped[key]++
				}
			case 'S':
				if i == 0 {
					t.Fatalf("page %d: the signature stands alone", n+1)
				}
			}
		}
	}
	for of := range heads {
		if rows[of] == 0 {
			t.Fatalf("page %d: the head of table %s without a row below it", n+1, of)
		}
	}
	for key, lines := range wrapped {
		if lines == 1 && !wholeOn(p, key) {
			t.Fatalf("page %d: one line of paragraph %s alone", n+1, key)
		}
	}
}

// titled reports whether a table has a title, or stands below a heading.
func titled(d *Document, of string) bool {
	for _, b := range d.Blocks {
		switch b := b.(type) {
		case Heading:
			return true
		case *Table:
			if strings.HasPrefix(b.Columns[0].Head, "H"+of+".") {
				return b.Caption != ""
			}
		}
	}
	return false
}

// wholeOn reports whether both the first and the last word of a paragraph of one line are on the page.
func wholeOn(p *sheetRead, key string) bool {
	return slices.ContainsFunc(p.Words, func(w word) bool { return w.Text == key+".0" }) &&
		slices.ContainsFunc(p.Words, func(w word) bool { return w.Text == key+".end" })
}

// checkComplete holds that each word stands in the PDF once; heads and titles of tables stand on each page of them.
func checkComplete(t *rapid.T, d *Document, seen map[string]int) {
	for w := range strings.FieldsSeq(d.Text()) {
		if w == "" || strings.ContainsAny(w[:1], "HOZTD-.") || !strings.ContainsAny(w, "0123456789") {
			continue
		}
		if seen[w] != 1 {
			t.Fatalf("%s stands %d times in the PDF", w, seen[w])
		}
	}
}

// A long word in a column of text, such as a serial number of 64 characters, breaks there: the figures
// beside it stay whole.
func TestLongTextBreaksInItsColumn(t *testing.T) {
	daemontest.Needs(t, "pdftotext")
	x := &Table{Columns: []Column{{Head: "part", Left: true}}, Rows: [][]string{{strings.Repeat("W", 64)}}}
	for i := range 8 {
		x.Columns = append(x.Columns, Column{Head: fmt.Sprintf("column %d", i)})
		x.Rows[0] = append(x.Rows[0], "31.75127")
	}
	whole := 0
	for _, w := range readPages(t, &Document{Title: "Z", At: time.Unix(0, 0), Blocks: []Block{x}}, A4)[0].Words {
		if w.Text == "31.75127" {
			whole++
			if high := w.Y1 - w.Y0; high < 7 {
				t.Errorf("the figures are %.1f points high: the long word made them small", high)
			}
		}
	}
	if whole != 8 {
		t.Errorf("%d of 8 figures are whole", whole)
	}
}

// A table that is too wide in the smallest type breaks the lines of its cells and stays within the
// margins.
func TestTableTooWideForThePaper(t *testing.T) {
	daemontest.Needs(t, "pdftotext")
	x := &Table{Rows: [][]string{nil}}
	for i := range 40 {
		x.Columns = append(x.Columns, Column{Head: fmt.Sprintf("column %d", i)})
		x.Rows[0] = append(x.Rows[0], "31.75127")
	}
	for _, p := range readPages(t, &Document{Title: "Z", At: time.Unix(0, 0), Blocks: []Block{x}}, Letter) {
		for _, w := range p.Words {
			if w.X0 < margin*pointsPer-1 || w.X1 > p.W-margin*pointsPer+1 {
				t.Errorf("%q stands at %.0f to %.0f of %.0f", w.Text, w.X0, w.X1, p.W)
			}
		}
	}
}
