package report

import (
	"strings"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/daemon/document"
	"fairbore/daemon/event"
)

// writer puts together a document in the unit of a drawing and in the reader's language.
type writer struct {
	notation.Format // for what the record itself says; see [notation.Format.Full]
	// plain is the format of the page at the machine, for drawings.
	plain notation.Format
	doc   *document.Document
}

// newWriter begins a document. It takes the language and the decimal sign from the reader's format,
// and the unit from the job's drawing, or metric if there is none.
func newWriter(j *analysis.Job, reader notation.Format) writer {
	plain := notation.ForJob(j)
	plain.Sign, plain.Language = reader.Sign, reader.Language
	full := plain
	full.Fine, full.Full = plain.Inch, true
	return writer{full, plain, &document.Document{Format: plain}}
}

// say returns a phrase of the bore or the journal on one line, with its lengths as the tables of the
// record have them.
func (w *writer) say(p analysis.Phrase) string { return clean(w.Say(p)) }

func (w *writer) lines(all []analysis.Phrase) document.Lines {
	out := make(document.Lines, len(all))
	for i, p := range all {
		out[i] = w.say(p)
	}
	return out
}

// metric returns the format in millimetres, for what is in µm on every record.
func (w *writer) metric() notation.Format {
	f := w.Format
	f.Inch = false
	return f
}

// section begins a section with blocks.
func (w *writer) section(heading string, blocks ...document.Block) {
	w.doc.Add(document.Heading(heading))
	w.doc.Add(blocks...)
}

// both formats a size in both systems of units.
func (w *writer) both(l analysis.Length) string { return w.Text("record.size", analysis.Size(l)) }

// small formats a deviation in both systems of units.
func (w *writer) small(d analysis.Deviation) string { return w.Text("record.deviation", d) }

// moment formats a time in full.
func (w *writer) moment(t time.Time) string {
	if t.IsZero() {
		return w.Text("record.not_known")
	}
	return w.Moment(t)
}

// source returns where an event came from: the gauge, the page and so on, or the name of the
// client.
func (w *writer) source(s string) string {
	if code := "record.source." + s; notation.English().Has(code) {
		return w.Text(code)
	}
	return clean(s)
}

// material returns the word for a material, or the name that a person gave it.
func (w *writer) material(name string) string {
	if code := "material." + name; notation.English().Has(code) {
		return w.Text(code)
	}
	return clean(name)
}

// spelt returns the unit of the drawing, spelt out.
func (w *writer) spelt() analysis.Phrase {
	if w.Inch {
		return analysis.Say("record.inches")
	}
	return analysis.Say("record.millimetres")
}

// because returns a statement with its reason, or without one if there is none.
func (w *writer) because(what string, why analysis.Phrase) string {
	if why.IsZero() {
		return what
	}
	return w.Text("record.because", what, w.say(why))
}

func field(name, value string) document.Field { return document.Field{Name: name, Value: value} }

func group(name string, fields ...document.Field) document.Group {
	return document.Group{Name: name, Fields: fields}
}

func figure(d document.Drawing, w, h float64, caption string) document.Figure {
	return document.Figure{Drawing: d, W: w, H: h, Caption: caption}
}

func outcome(mark document.Mark, word, why string) *document.Outcome {
	return &document.Outcome{Mark: mark, Word: word, Why: why}
}

// numbers returns columns of numbers.
func numbers(heads ...string) []document.Column {
	out := make([]document.Column, len(heads))
	for i, h := range heads {
		out[i].Head = h
	}
	return out
}

// words returns columns of text.
func words(heads ...string) []document.Column {
	out := numbers(heads...)
	for i := range out {
		out[i].Left = true
	}
	return out
}

// wrapped returns the column of text that gets the remaining width.
func wrapped(head string) []document.Column {
	return []document.Column{{Head: head, Left: true, Wrap: true}}
}

// span formats a period of which either end may be open.
func (w *writer) span(from, to time.Time) string {
	switch {
	case from.IsZero():
		return w.Text("record.before", to)
	case to.IsZero():
		return w.Text("record.since", from)
	}
	return w.Text("record.period", from, to)
}

// dates formats times of day, each with its date if that has changed.
type dates struct {
	*writer
	last string
}

func (d *dates) write(t time.Time) string {
	now := d.Day(t)
	if now == d.last {
		return clock(t)
	}
	d.last = now
	return now + " " + clock(t)
}

func clock(t time.Time) string { return t.Format("15:04:05") }

// none fills a cell without content.
const none = "–"

func orDash(s string) string {
	if s == "" {
		return none
	}
	return s
}

// clean makes text of a record fit for one line: characters that break the line or are invisible
// become spaces. A serial number comes from a scanner, a reason from a keyboard.
func clean(s string) string {
	return strings.TrimSpace(strings.Map(func(r rune) rune {
		if r < 0x20 || r >= 0x7f && r < 0xa0 || r == '\u2028' || r == '\u2029' || r >= 0x202a && r <= 0x202e || r >= 0x2066 && r <= 0x2069 {
			return ' '
		}
		return r
	}, s))
}

// Trace says where in which journal a record comes from, so that a printed record can be compared
// with it.
type Trace struct {
	First uint64     // the first row that the record is of
	Head  event.Head // at the last one
	// Simulated says that some of what the record is of was not measured.
	Simulated bool
}

// end writes at the end of the document, and at the foot of its pages, where the record comes from
// and to what its sizes are traceable, and leaves room to sign.
func (w *writer) end(t Trace, traced document.Lines, sign ...string) {
	if t.Simulated {
		w.doc.Simulated = [2]string{w.Text("record.simulated"), w.Text("record.simulated.says")}
	}
	h := &t.Head
	if h.Journal != "" {
		w.doc.Foot = []string{
			w.Text("record.from.foot", h.Journal, int(t.First), int(h.Seq)),
			w.Text("record.from.foot_hash", int(h.Seq), orDash(h.Hash)),
		}
	}
	w.doc.Head = h.Line()
	w.section(w.Text("record.from"), traced, document.Lines{
		w.Text("record.from.journal", orDash(h.Journal), int(t.First), int(h.Seq)), orDash(h.Line()), w.Text("record.from.why"), w.Text("record.number.why"),
	})
	w.doc.Add(document.Signature(sign))
}
