// Package sheet writes a table as a workbook of ECMA-376 (.xlsx), row by row and without keeping it in
// memory. Numbers and times are cells of their kind; all other text stays text, whatever it looks
// like.
package sheet

import (
	"archive/zip"
	"encoding/xml"
	"fmt"
	"io"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Kind is what a column has.
type Kind int

// The kinds.
const (
	Text Kind = iota
	Number
	Moment // RFC 3339; the cell has the time of day where it was, and a column beside it the whole text
	Day    // such as 2026-11-25
)

// KindOf returns the kind of a column of the exports by its name, which ends with the unit of a
// measurement.
func KindOf(column string) Kind {
	switch {
	case slices.Contains([]string{"at", "begun", "ended"}, column):
		return Moment
	case column == "due" || strings.HasSuffix(column, "_due"):
		return Day
	case slices.Contains([]string{"seq", "first_seq", "last_seq", "no", "round", "rounds", "strokes", "readings", "mastered", "mastering", "turns", "trial", "sent_value", "low_limit", "high_limit", "actual"}, column):
		return Number
	}
	for _, unit := range []string{"_mm", "_in", "_um", "_deg", "_cel"} {
		if strings.HasSuffix(column, unit) {
			return Number
		}
	}
	return Text
}

// mostRows is the largest number of rows of a worksheet, its head included (the limit of the common
// spreadsheet programs). Further rows go onto the next one.
const mostRows = 1 << 20

// Writer writes a workbook. It must be closed.
type Writer struct {
	zip     *zip.Writer
	out     io.Writer // the worksheet
	title   string
	columns []string
	kinds   []Kind
	sheets  int
	rows    int // on the worksheet
	all     int
	buf     strings.Builder
}

// New begins a workbook with the names of the columns. Its worksheets bear the title.
func New(w io.Writer, title string, columns []string) (*Writer, error) {
	s := &Writer{zip: zip.NewWriter(w), title: title, columns: columns}
	for _, c := range columns {
		s.kinds = append(s.kinds, KindOf(c))
	}
	return s, s.begin()
}

// Rows returns how many rows were written.
func (s *Writer) Rows() int { return s.all }

// part begins a part of the package. Parts have no time, so that the same table gives the same bytes.
func (s *Writer) part(name string) (io.Writer, error) {
	return s.zip.CreateHeader(&zip.FileHeader{Name: name, Method: zip.Deflate})
}

// The styles of a cell, by their index in styles.xml.
const (
	headStyle   = 1
	momentStyle = 2
	dayStyle    = 3
)

func (s *Writer) begin() (err error) {
	s.sheets++
	s.rows = 1
	if s.out, err = s.part(fmt.Sprintf("xl/worksheets/sheet%d.xml", s.sheets)); err != nil {
		return err
	}
	s.buf.Reset()
	s.buf.WriteString(xml.Header + `<worksheet xmlns="` + mainSpace + `"><sheetViews><sheetView workbookViewId="0"><pane ySplit="1" topLeftCell="A2" activePane="bottomLeft" state="frozen"/></sheetView></sheetViews><sheetFormatPr defaultRowHeight="15" baseColWidth="14"/><sheetData><row>`)
	for i, name := range s.columns {
		s.text(name, headStyle)
		if s.kinds[i] == Moment {
			s.text(name+"_iso", headStyle)
		}
	}
	s.buf.WriteString("</row>")
	return s.flush()
}

func (s *Writer) flush() error {
	_, err := io.WriteString(s.out, s.buf.String())
	return err
}

// Row writes a row. It has a cell for each column; an empty one stays empty.
func (s *Writer) Row(cells []string) error {
	if len(cells) != len(s.columns) {
		return fmt.Errorf("a row of %d cells for %d columns", len(cells), len(s.columns))
	}
	if s.rows >= mostRows {
		if err := s.end(); err != nil {
			return err
		}
		if err := s.begin(); err != nil {
			return err
		}
	}
	s.rows++
	s.all++
	s.buf.Reset()
	s.buf.WriteString("<row>")
	for i, c := range cells {
		s.cell(s.kinds[i], c)
	}
	s.buf.WriteString("</row>")
	return s.flush()
}

var plain = regexp.MustCompile(`^-?[0-9]+(\.[0-9]+)?$`)

func (s *Writer) cell(k Kind, c string) {
	switch k {
	case Number:
		if plain.MatchString(c) {
			s.buf.WriteString("<c><v>" + c + "</v></c>")
			return
		}
	case Moment:
		if t, err := time.Parse(time.RFC3339Nano, c); err == nil {
			s.serial(t, momentStyle)
		} else {
			s.text("", 0)
		}
	case Day:
		if t, err := time.Parse(time.DateOnly, c); err == nil {
			s.serial(t, dayStyle)
			return
		}
	}
	s.text(c, 0)
}

// serial writes a time as days since the end of 1899, as the clock on the wall showed it (the date
// system of 1900, ECMA-376-1 18.17.4.1).
func (s *Writer) serial(t time.Time, style int) {
	wall := time.Date(t.Year(), t.Month(), t.Day(), t.Hour(), t.Minute(), t.Second(), t.Nanosecond(), time.UTC)
	days := wall.Sub(time.Date(1899, 12, 30, 0, 0, 0, 0, time.UTC)).Seconds() / 86400
	fmt.Fprintf(&s.buf, `<c s="%d"><v>%s</v></c>`, style, strconv.FormatFloat(days, 'f', -1, 64))
}

// escaped is how a character is written by its number (ST_Xstring, ECMA-376-1 22.9.2.19).
var escaped = regexp.MustCompile(`_x[0-9A-Fa-f]{4}_`)

// text writes a cell of text. An empty one has nothing in it.
func (s *Writer) text(c string, style int) {
	if c == "" {
		s.buf.WriteString("<c/>")
		return
	}
	c = escaped.ReplaceAllStringFunc(c, func(m string) string { return "_x005F" + m })
	fmt.Fprintf(&s.buf, `<c t="inlineStr" s="%d"><is><t xml:space="preserve">`, style)
	_ = xml.EscapeText(&s.buf, []byte(c)) // a strings.Builder takes everything
	s.buf.WriteString("</t></is></c>")
}

func (s *Writer) end() error {
	_, err := io.WriteString(s.out, "</sheetData></worksheet>")
	return err
}

// The namespaces of the parts.
const (
	mainSpace    = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
	relSpace     = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
	packageSpace = "http://schemas.openxmlformats.org/package/2006/"
	mainType     = "application/vnd.openxmlformats-officedocument.spreadsheetml."
)

const styles = `<styleSheet xmlns="` + mainSpace + `"><numFmts count="2"><numFmt numFmtId="164" formatCode="yyyy\-mm\-dd&quot;T&quot;hh:mm:ss.000"/><numFmt numFmtId="165" formatCode="yyyy\-mm\-dd"/></numFmts>` +
	`<fonts count="2"><font><sz val="11"/></font><font><b/><sz val="11"/></font></fonts>` +
	`<fills count="2"><fill><patternFill patternType="none"/></fill><fill><patternFill patternType="gray125"/></fill></fills><borders count="1"><border/></borders>` +
	`<cellStyleXfs count="1"><xf/></cellStyleXfs><cellXfs count="4"><xf/><xf fontId="1" applyFont="1"/><xf numFmtId="164" applyNumberFormat="1"/><xf numFmtId="165" applyNumberFormat="1"/></cellXfs><cellStyles count="1"><cellStyle name="Normal" xfId="0" builtinId="0"/></cellStyles></styleSheet>`

// Close ends the workbook.
func (s *Writer) Close() error {
	if err := s.end(); err != nil {
		return err
	}
	var types, sheets, rels strings.Builder
	for i := range s.sheets {
		n, title := i+1, s.title
		if i > 0 {
			title += fmt.Sprintf(" %d", n)
		}
		fmt.Fprintf(&types, `<Override PartName="/xl/worksheets/sheet%d.xml" ContentType="%sworksheet+xml"/>`, n, mainType)
		fmt.Fprintf(&sheets, `<sheet name="%s" sheetId="%d" r:id="rId%d"/>`, title, n, n)
		fmt.Fprintf(&rels, `<Relationship Id="rId%d" Type="%s/worksheet" Target="worksheets/sheet%d.xml"/>`, n, relSpace, n)
	}
	for _, p := range [][2]string{
		{"xl/styles.xml", styles},
		{"xl/workbook.xml", `<workbook xmlns="` + mainSpace + `" xmlns:r="` + relSpace + `"><sheets>` + sheets.String() + `</sheets></workbook>`},
		{"xl/_rels/workbook.xml.rels", `<Relationships xmlns="` + packageSpace + `relationships">` + rels.String() + fmt.Sprintf(`<Relationship Id="rId%d" Type="%s/styles" Target="styles.xml"/>`, s.sheets+1, relSpace) + `</Relationships>`},
		{"_rels/.rels", `<Relationships xmlns="` + packageSpace + `relationships"><Relationship Id="rId1" Type="` + relSpace + `/officeDocument" Target="xl/workbook.xml"/></Relationships>`},
		{"[Content_Types].xml", `<Types xmlns="` + packageSpace + `content-types"><Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/><Default Extension="xml" ContentType="application/xml"/>` +
			`<Override PartName="/xl/workbook.xml" ContentType="` + mainType + `sheet.main+xml"/><Override PartName="/xl/styles.xml" ContentType="` + mainType + `styles+xml"/>` + types.String() + `</Types>`},
	} {
		out, err := s.part(p[0])
		if err != nil {
			return err
		}
		if _, err := io.WriteString(out, xml.Header+p[1]); err != nil {
			return err
		}
	}
	return s.zip.Close()
}
