// Package document sets headings, text, fields, tables, drawings and signatures as plain
// text, as a page and as PDF.
//
// A [Document] is put together once, without a word on how it looks; [Document.Text],
// [Document.HTML] and [Document.PDF] set it. The same document gives the same bytes.
package document

import (
	"strings"
	"time"

	"fairbore/analysis/notation"
	"fairbore/daemon/picture"
)

// Document is what is to be set.
type Document struct {
	Title   string // what it is: "Bore record"
	Subject string // of what: "job J-4112, part 003"
	Lead    string // the name of the thing, as its owners call it
	// At is the moment that the document speaks of. It is the creation date of the
	// file, whenever that is written.
	At      time.Time
	Outcome *Outcome // nil: there is none
	Foot    []string // small lines at the foot of every page
	Blocks  []Block
	Format  notation.Format
}

// Outcome is what it comes to, told by word and shape.
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

// Glyph is the mark as a character.
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
	pdf(*sheet)
}

// Heading begins a section.
type Heading string

// Para is running text.
type Para string

// Lines are sentences that stand each on a line of its own.
type Lines []string

// Fields are groups of names and values, set side by side.
type Fields []Group

// Group is one column of fields.
type Group struct {
	Name   string
	Fields []Field
}

// Field is a name with its value.
type Field struct{ Name, Value string }

// Table is a table; every row has as many cells as there are columns.
type Table struct {
	Caption string
	Columns []Column
	Over    [][]string // rows about the columns, between head and body
	Rows    [][]string
	Under   [][]string // rows that sum the body up
	Notes   []string
}

// Column is how a column is set.
type Column struct {
	Head string
	Left bool // text rather than numbers
	Wrap bool // takes the room that is left, and breaks its lines; one a table at most
}

// Drawing is a drawing of package picture.
type Drawing interface{ Draw(picture.Canvas) }

// Figure is a drawing of a width and height in pixels. Caption says what it
// shows, also to those who can't see it, or in plain text.
type Figure struct {
	Drawing Drawing
	W, H    float64
	Caption string
}

// Signature leaves room to sign for what the words say.
type Signature []string

// Add appends blocks.
func (d *Document) Add(blocks ...Block) { d.Blocks = append(d.Blocks, blocks...) }
