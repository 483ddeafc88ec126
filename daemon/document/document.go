// Package document lays out headings, text, fields, tables, drawings and signatures as plain text,
// HTML and PDF.
//
// A [Document] has the content, without anything about its looks; [Document.Text], [Document.HTML]
// and [Document.PDF] lay it out. The same document gives the same bytes.
package document

import (
	"strings"
	"time"

	"fairbore/analysis/notation"
	"fairbore/daemon/picture"
)

// Document is the content of a document.
type Document struct {
	Title   string // what it is: "Bore record"
	Subject string // what it is about: "job J-4112, part 003"
	Lead    string // the name that the owners use for the part
	// Number identifies the document, with its issue: "report P-0f1e2d3c-8, issue 1". It stands on
	// every page.
	Number     string
	Letterhead Letterhead
	// At is the moment that the document describes. It is also the creation date of the PDF,
	// whenever that is written.
	At      time.Time
	Outcome *Outcome // nil: there is none
	Foot    []string // small lines at the foot of every page
	// Simulated says, in a word and a sentence, that nothing in the document was measured. It stands
	// on every page; empty if it was measured.
	Simulated [2]string
	Head      string // of the journal that it is from, in one line; in a PDF also where programs find it
	Blocks    []Block
	Format    notation.Format
}

// Outcome is the result, shown by a word and a shape.
type Outcome struct {
	Mark Mark
	Word string
	Why  string
}

// Mark is the shape beside an outcome.
type Mark string

// The marks.
const (
	Good Mark = "good"
	Bad  Mark = "bad"
	Open Mark = "open" // neither
)

// Glyph returns the mark as a character.
func (m Mark) Glyph() string {
	switch m {
	case Good:
		return "✔"
	case Bad:
		return "✖"
	}
	return "◇"
}

// Block is a piece of a document: [Heading], [Para], [Lines], [Fields], [Table],
// [Figure] or [Signature].
type Block interface {
	text(*strings.Builder)
	html(*page)
	pdf(*sheet) []piece
}

// Heading begins a section.
type Heading string

// Para is a paragraph of running text.
type Para string

// Lines are sentences, each on its own line.
type Lines []string

// Fields are groups of names and values, side by side.
type Fields []Group

// Group is one column of fields.
type Group struct {
	Name   string
	Fields []Field
}

// Field is a name with its value.
type Field struct{ Name, Value string }

// Table is a table. Every row has a cell for each column.
type Table struct {
	Caption string
	Columns []Column
	Over    [][]string // rows about the columns, between head and body
	Rows    [][]string
	Under   [][]string // rows that summarise the body
	Notes   []string
}

// Column says how a column is laid out.
type Column struct {
	Head string
	Left bool // text rather than numbers
	Wrap bool // gets the remaining width, and breaks its lines; at most one in a table
}

// Drawing is a drawing of package picture.
type Drawing interface{ Draw(picture.Canvas) }

// Figure is a drawing with its width and height in pixels. Caption describes it, also for plain
// text and for people who can't see it.
type Figure struct {
	Drawing Drawing
	W, H    float64
	Caption string
}

// Signature leaves room to sign for the statements.
type Signature []string

// Add appends blocks.
func (d *Document) Add(blocks ...Block) { d.Blocks = append(d.Blocks, blocks...) }
