// Package export makes the files that a person takes away from the pages: records of parts and
// jobs, tables of readings, a check of the journal. It makes one at a time, so that the gauges keep
// the machine, and keeps the file for a while to be fetched.
package export

import (
	"cmp"
	"context"
	"io"
	"slices"
	"strings"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/notation"
)

// Maker makes the files: records, exports, a check of the journal.
type Maker interface {
	// Make writes what is wanted, and calls progress from time to time. It ends soon after ctx
	// does. Its error is for a person to read. It may be called from any goroutine.
	Make(ctx context.Context, out io.Writer, w Wanted, progress func(done, total uint64)) error
}

// Wanted is what a person wants. Empty fields leave the choice open.
type Wanted struct {
	What               string // the name of one of [Offers]
	Format             string // one of those offered with it
	Paper              string // a4 or letter
	Station, Job, Part string
	Seq                uint64             // of the event that began the part, 0: not given
	From, To           time.Time          // from the first moment up to the second
	Language           *notation.Language // of a record; nil is the shop's
}

// Offer is something that can be made.
type Offer struct {
	Name    string
	Formats []string // the first is the usual one
	By      string   // by what it can be narrowed
}

// Offers returns all offers in the order of the page.
func Offers() []Offer {
	papers := []string{"pdf", "html", "text", "csv", "xlsx"}
	return []Offer{
		{"lot", papers, "job station from to"},
		{"part", papers, "job part station from to"},
		{"first-article", papers, "job part station from to"},
		{"masterings", papers, "station from to"},
		{"study", papers, "job station from to"},
		{"readings", []string{"csv", "xlsx"}, "job part station from to"},
		{"events", []string{"ndjson"}, "job part station from to"},
		{"verify", []string{"text"}, ""},
	}
}

// Format is a kind of file.
type Format struct{ Name, End, Kind string }

// Formats returns all kinds of file.
func Formats() []Format {
	return []Format{
		{"pdf", "pdf", "application/pdf"},
		{"html", "html", "text/html; charset=utf-8"},
		{"text", "txt", "text/plain; charset=utf-8"},
		{"csv", "csv", "text/csv; charset=utf-8"},
		{"xlsx", "xlsx", "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"},
		{"ndjson", "ndjson", "application/x-ndjson"},
	}
}

// Order is a [Wanted] as the page posts it.
type Order struct {
	What    string `json:"what"`
	Format  string `json:"format"`
	Paper   string `json:"paper"`
	Lang    string `json:"lang"` // tag of the language of a record; "" is the shop's
	Station string `json:"station"`
	Job     string `json:"job"`
	Part    string `json:"part"`
	From    string `json:"from"` // days such as 2026-11-25, both inclusive
	To      string `json:"to"`
}

// Wanted converts an order whose days are those of a time zone, or says why it can't be carried out.
func (o *Order) Wanted(zone *time.Location) (Wanted, error) {
	w := Wanted{What: o.What, Format: o.Format, Paper: o.Paper, Language: notation.Spoken(o.Lang), Station: o.Station, Job: strings.TrimSpace(o.Job), Part: strings.TrimSpace(o.Part)}
	i := slices.IndexFunc(Offers(), func(f Offer) bool { return f.Name == w.What })
	if i < 0 {
		return w, analysis.Say("page.order.unknown", w.What)
	}
	f := Offers()[i]
	w.Format = cmp.Or(w.Format, f.Formats[0])
	switch {
	case !slices.Contains(f.Formats, w.Format):
		return w, analysis.Say("page.order.format", w.Format, strings.Join(f.Formats, ", "))
	case w.Paper != "" && w.Paper != "a4" && w.Paper != "letter":
		return w, analysis.Say("page.order.paper", w.Paper)
	case o.Lang != "" && w.Language == nil:
		return w, analysis.Say("page.order.language", o.Lang)
	case w.Job == "" && (w.What == "lot" || w.What == "first-article"):
		return w, analysis.Say("page.order.job")
	}
	var err error
	w.From, w.To, err = Days(o.From, o.To, zone)
	return w, err
}

// Days returns when a first day begins and when a last day ends in a time zone. A day that is ""
// sets no bound. Its error is for a person to read.
func Days(first, last string, zone *time.Location) (from, to time.Time, err error) {
	if from, err = day(first, 0, zone); err != nil {
		return from, to, err
	}
	if to, err = day(last, 1, zone); err != nil {
		return from, to, err
	}
	if !to.IsZero() && !from.Before(to) {
		err = analysis.Say("page.order.days")
	}
	return from, to, err
}

// day returns when a day begins in a time zone, or so many days later.
func day(s string, later int, zone *time.Location) (time.Time, error) {
	if s == "" {
		return time.Time{}, nil
	}
	t, err := time.ParseInLocation(time.DateOnly, s, zone)
	if err != nil {
		return t, analysis.Say("page.order.day", s)
	}
	return t.AddDate(0, 0, later), nil
}

// file returns the name of the file, in characters that every system accepts, and its media type.
func (w *Wanted) file() (name, kind string) {
	list := Formats()
	f := list[slices.IndexFunc(list, func(f Format) bool { return f.Name == w.Format })]
	name = "fairbore"
	for _, part := range []string{w.What, w.Job, w.Part, w.Station} {
		if part != "" {
			name += "-" + strings.Map(func(r rune) rune {
				if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || strings.ContainsRune("-_.", r) {
					return r
				}
				return '_'
			}, part)
		}
	}
	return name[:min(len(name), 100)] + "." + f.End, f.Kind
}
