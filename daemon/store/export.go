package store

import (
	"bytes"
	"cmp"
	"context"
	"encoding/csv"
	"fmt"
	"io"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"fairbore/analysis"
	"fairbore/daemon/event"
)

// Format is a file format that [Journal.Export] can write.
type Format string

// The formats of an export. CSV has one row for each reading. NDJSON has every event, one on each
// line, in JSON.
const (
	CSV    Format = "csv"
	NDJSON Format = "ndjson"
)

// ExportOptions say what to export, and how.
type ExportOptions struct {
	Format Format
	Filter
	// Guard keeps a spreadsheet from taking text for a formula, see [event.Guard].
	Guard bool
	// Progress, if not nil, is called now and then. done is the number of the event that the export
	// has come to, and total is the number of the last event.
	Progress func(done, total uint64)
}

// Export writes the events that a filter picks.
//
// CSV follows RFC 4180. It is in UTF-8, its lines end in CR LF (within a text too), and its header
// names the units. The column void has the reason why a reading was struck out, even if it was
// struck out after the time at which the filter ends. The column is empty for a reading that
// counts. The columns operator and trial say which trial of a gauge study a reading belongs to, and
// simulated has yes where nothing was measured.
// They are empty for a reading that belongs to no study.
func (j *Journal) Export(ctx context.Context, w io.Writer, o ExportOptions) error {
	var err error
	switch o.Format {
	case CSV:
		err = j.exportCSV(ctx, w, o)
	case NDJSON:
		err = j.exportNDJSON(ctx, w, o)
	default:
		err = fmt.Errorf("format %q is not valid: give csv or ndjson", o.Format)
	}
	if err != nil {
		return fmt.Errorf("export the journal: %w", err)
	}
	return nil
}

// lines writes the lines that line makes of the rows that a filter picks. It makes the lines of
// several steps at the same time, on all processors.
func (j *Journal) lines(ctx context.Context, w io.Writer, o *ExportOptions, f Filter, line func(*bytes.Buffer, *unpacker, []raw) error) error {
	type text struct {
		*bytes.Buffer
		last uint64
	}
	buffers := sync.Pool{New: func() any { return &bytes.Buffer{} }}
	last := j.Last()
	write := func(_ context.Context, rows []raw) (text, error) {
		u, b := j.packing.take(), buffers.Get().(*bytes.Buffer)
		defer j.packing.give(u)
		b.Reset()
		return text{b, rows[len(rows)-1].seq}, line(b, u, rows)
	}
	for t, err := range inOrder(ctx, runtime.GOMAXPROCS(0), j.scan(ctx, f), write) {
		if err != nil {
			return err
		}
		if _, err := w.Write(t.Bytes()); err != nil {
			return err
		}
		buffers.Put(t.Buffer)
		if o.Progress != nil {
			o.Progress(t.last, last)
		}
	}
	if o.Progress != nil {
		o.Progress(last, last)
	}
	return nil
}

// exportNDJSON puts the record's fields before those of the body, which is the
// event as it was written: the line is what encoding/json makes of the record.
func (j *Journal) exportNDJSON(ctx context.Context, w io.Writer, o ExportOptions) error {
	return j.lines(ctx, w, &o, o.Filter, func(out *bytes.Buffer, u *unpacker, rows []raw) error {
		for i := range rows {
			body, err := u.unpack(rows[i].packed)
			if err != nil {
				return fmt.Errorf("event %d: %w; run verify", rows[i].seq, err)
			}
			r := event.Record{Journal: j.id, Seq: rows[i].seq, Body: body}
			line, err := r.AppendJSON(out.AvailableBuffer())
			if err != nil {
				return err
			}
			out.Write(append(line, '\n'))
		}
		return nil
	})
}

var csvHeader = [...]string{
	"journal", "seq", "at", "station", "job", "part", "no", "round", "depth_mm", "angle_deg",
	"size_mm", "deviation_um", "raw_mm", "correction_um", "thermal_um", "part_temperature_from", "excess_u_um", "indentation_um", "mastered", "capture_u_um",
	"gauge", "channel", "how", "turns", "sent_value", "sent_unit", "void", "operator", "trial", "simulated", "person",
}

func (j *Journal) exportCSV(ctx context.Context, w io.Writer, o ExportOptions) error {
	voids, err := j.voids(ctx, o.Filter)
	if err != nil {
		return err
	}
	header := csv.NewWriter(w)
	header.UseCRLF = true
	if err := header.Write(csvHeader[:]); err != nil {
		return err
	}
	if header.Flush(); header.Error() != nil {
		return header.Error()
	}
	f := o.Filter
	f.Kinds = []event.Kind{event.Taken}
	return j.lines(ctx, w, &o, f, func(b *bytes.Buffer, u *unpacker, rows []raw) error {
		out := csv.NewWriter(b)
		out.UseCRLF = true
		for i := range rows {
			r, err := u.record(j.id, &rows[i])
			if err != nil {
				return err
			}
			if r.Reading == nil {
				return fmt.Errorf("event %d is a reading without its values; run verify", r.Seq)
			}
			if err := out.Write(csvRow(&r, voids.reason(&r), o.Guard)); err != nil {
				return err
			}
		}
		out.Flush()
		return out.Error()
	})
}

func csvRow(r *event.Record, void string, guard bool) []string {
	g := r.Reading
	text := func(s string) string { return s }
	if guard {
		text = event.Guard
	}
	operator, trial, simulated := "", "", ""
	if r.Simulated {
		simulated = "yes"
	}
	if g.Study != nil {
		operator, trial = g.Study.Appraiser, strconv.Itoa(g.Study.Trial)
	}
	return []string{
		r.Journal, strconv.FormatUint(r.Seq, 10), r.At.Format(time.RFC3339Nano),
		text(r.Station), text(g.Job), text(g.Part), strconv.Itoa(g.No), strconv.Itoa(g.Round),
		exact(g.Depth, analysis.MM), degrees(g.Angle),
		exact(g.Size, analysis.MM), exact(analysis.Length(g.Deviation), analysis.UM),
		exact(g.Raw, analysis.MM), exact(g.Size-g.Raw, analysis.UM), exact(analysis.Length(g.Thermal), analysis.UM), string(g.PartFrom), exact(analysis.Length(g.ExcessU), analysis.UM), exact(analysis.Length(g.Indentation), analysis.UM),
		strconv.Itoa(g.Mastered), exact(analysis.Length(g.U), analysis.UM),
		text(g.Gauge), text(g.Channel), text(g.How), strconv.Itoa(g.Turns),
		sentValue(g.Sent), g.Sent.Unit.UCUM(), text(void), text(operator), trial, simulated, text(r.Person),
	}
}

// exact writes a length with all its decimals. In mm and µm every length has a finite number of
// decimals.
func exact(l analysis.Length, u analysis.Unit) string {
	s, err := l.Exact(u)
	if err != nil {
		return ""
	}
	return s
}

func degrees(a analysis.Angle) string {
	return strconv.FormatFloat(a.Degrees(), 'f', -1, 64)
}

// sentValue writes the value that the gauge sent, with as many decimals as the gauge sent.
func sentValue(s event.Sent) string {
	if s.Places <= 0 {
		return strconv.FormatInt(s.Digits, 10) + strings.Repeat("0", -s.Places)
	}
	digits, sign := strconv.FormatInt(s.Digits, 10), ""
	if s.Digits < 0 {
		digits, sign = digits[1:], "-"
	}
	if len(digits) <= s.Places {
		digits = strings.Repeat("0", s.Places+1-len(digits)) + digits
	}
	point := len(digits) - s.Places
	return sign + digits[:point] + "." + digits[point:]
}

// voids holds the readings that are struck out. It has a list for each station, with an entry for
// each part in the order of the journal, since a void names a reading by its number in the current
// part.
type voids map[string][]partVoids

// partVoids holds the readings that were struck out while a part was the current one. The keys of
// its maps are the numbers of the readings in the part.
type partVoids struct {
	from   uint64         // number of the event that began the part
	reason map[int]string // why a reading is struck out
	kept   map[int]bool   // the readings that a person kept or restored
}

// voids collects the voids of all readings that the filter's station, job and part pick, no matter
// when the voids were made.
func (j *Journal) voids(ctx context.Context, f Filter) (voids, error) {
	all := voids{}
	f.Kinds = []event.Kind{event.JobChosen, event.PartBegun, event.Voided, event.Restored, event.Kept}
	f.From, f.To, f.AfterSeq, f.Limit = time.Time{}, time.Time{}, 0, 0
	for r, err := range j.Query(ctx, f) {
		if err != nil {
			return nil, err
		}
		parts := all[r.Station]
		switch {
		case r.Kind == event.JobChosen, r.Kind == event.PartBegun:
			all[r.Station] = append(parts, partVoids{from: r.Seq})
			continue
		case r.Void == nil:
			return nil, fmt.Errorf("event %d is a void that does not say of what; run verify", r.Seq)
		case len(parts) == 0:
			parts = []partVoids{{}}
			all[r.Station] = parts
		}
		now := &parts[len(parts)-1]
		if now.reason == nil {
			now.reason = map[int]string{}
		}
		if r.Kind != event.Voided {
			if now.kept == nil {
				now.kept = map[int]bool{}
			}
			now.kept[r.Void.No] = true
		}
		delete(now.reason, r.Void.No)
		if r.Kind == event.Voided {
			now.reason[r.Void.No] = r.Void.Reason.Text
			if r.Void.Reason.Text == "" {
				now.reason[r.Void.No] = "no reason given"
			}
		}
	}
	return all, nil
}

// reason returns why a reading does not count: it was struck out, or it was surprising and nobody
// confirmed it. It returns "" if the reading counts.
func (v voids) reason(r *event.Record) string {
	open := ""
	if r.Reading.Unexpected {
		open = "asked about and not confirmed"
	}
	parts := v[r.Station]
	i, found := slices.BinarySearchFunc(parts, r.Seq, func(p partVoids, seq uint64) int {
		return cmp.Compare(p.from, seq)
	})
	if !found {
		i--
	}
	if i < 0 {
		return open
	}
	if why := parts[i].reason[r.Reading.No]; why != "" || parts[i].kept[r.Reading.No] {
		return why
	}
	return open
}
