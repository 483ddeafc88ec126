// Package report sets down what was done to a part, a job or a gauge, as plain
// text, a page, a PDF and CSV.
//
// What stands in a report is put together once, as a [Document]: headings,
// fields, tables, drawings, in order, without a word on how they look. The
// renderers set it: [Document.Text], [Document.HTML], [Document.PDF]. The same
// records give the same bytes in every format. CSV is written from the records
// themselves, with all decimals.
//
// Sizes stand in the unit of the drawing first and in the other beside it.
// Two-point readings are called what they are: nothing here is said of the axis
// or of odd lobes.
package report

import (
	"strings"
	"time"

	"fairbore/daemon/picture"
)

// Document is a report before it is set.
type Document struct {
	Title   string // what it is: "Bore record"
	Subject string // of what: "job J-4112, part 003"
	Lead    string // what the thing is called on the drawing
	// At is the moment that the report speaks of, that of the newest record it
	// rests on. It is the creation date of the file, whenever that is written.
	At     time.Time
	Trace  Trace
	Stamp  *Stamp
	Blocks []Block
}

// Trace says where in which journal a report comes from, so that a print can be
// held against it.
type Trace struct {
	Journal     string
	First, Last uint64
	Hash        string // of row Last, hexadecimal; it depends on every row before it
}

// Stamp is the outcome, told by word and shape.
type Stamp struct {
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

// Drawing is what package picture draws.
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

func (d *Document) add(blocks ...Block) { d.Blocks = append(d.Blocks, blocks...) }

// numbers makes columns of numbers.
func numbers(heads ...string) []Column {
	out := make([]Column, len(heads))
	for i, h := range heads {
		out[i].Head = h
	}
	return out
}
