package report

import (
	"encoding/csv"
	"io"
	"strconv"
	"strings"
	"time"

	"fairbore/analysis"
	"fairbore/daemon/event"
)

// The CSV is that of RFC 4180: lines end in CR LF, fields are quoted where they
// have to be. Lengths have all their decimals and their unit in the head; an inch
// value is rounded to a hundredth of a millionth. Text that a spreadsheet would
// take for a formula has an apostrophe before it.

// writeCSV writes a head and rows.
func writeCSV(w io.Writer, head []string, rows [][]string) error {
	out := csv.NewWriter(w)
	out.UseCRLF = true
	if err := out.Write(head); err != nil {
		return err
	}
	return out.WriteAll(rows)
}

// guard keeps text from being taken for a formula.
func guard(s string) string {
	if s != "" && strings.ContainsRune("=+-@\t\r", rune(s[0])) {
		return "'" + s
	}
	return s
}

func mm(l analysis.Length) string {
	if l == 0 {
		return ""
	}
	return exact(l, analysis.MM)
}

func inch(l analysis.Length) string {
	if l == 0 {
		return ""
	}
	return l.Format(analysis.IN, 8)
}

func micron(d analysis.Deviation) string { return exact(analysis.Length(d), analysis.UM) }

// exact writes a length in mm or µm, which always have a finite expansion of it.
func exact(l analysis.Length, u analysis.Unit) string {
	s, err := l.Exact(u)
	if err != nil {
		return ""
	}
	return s
}

func stamped(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.Format(time.RFC3339Nano)
}

// CSV writes every reading of the part, the void ones too, a row each.
func (p Part) CSV(w io.Writer) error {
	r := p.record()
	rings := map[int]string{}
	for _, m := range r.masters() {
		rings[m.Master.Number] = m.Master.Ring.ID
	}
	head := []string{
		"journal", "seq", "at", "station", "job", "part", "no", "round", "depth_mm", "angle_deg", "size_mm", "size_in", "from_target_um",
		"shown_mm", "zero_um", "thermal_um", "part_temperature_from", "excess_u_um", "indentation_um", "capture_u_um", "how", "gauge", "mastering", "ring", "by", "counts", "why_not", "operator", "trial",
	}
	var rows [][]string
	for i := range p.Records {
		e := &p.Records[i]
		x := e.Reading
		if x == nil {
			continue
		}
		counts, why := r.counts(x)
		operator, trial := "", "" // of a gauge study
		if x.Study != nil {
			operator, trial = x.Study.Appraiser, strconv.Itoa(x.Study.Trial)
		}
		rows = append(rows, []string{
			e.Journal, strconv.FormatUint(e.Seq, 10), stamped(e.At), guard(e.Station), guard(x.Job), guard(x.Part), strconv.Itoa(x.No), strconv.Itoa(x.Round),
			exact(x.Depth, analysis.MM), strconv.FormatFloat(x.Angle.Degrees(), 'f', -1, 64), mm(x.Size), inch(x.Size), micron(x.Deviation),
			mm(x.Raw), micron(x.Zero), micron(x.Thermal), string(x.PartFrom), micron(x.ExcessU), micron(x.Indentation), micron(x.U), guard(x.How), guard(x.Gauge), strconv.Itoa(x.Mastered), guard(rings[x.Mastered]), guard(e.Source),
			counts, guard(why), guard(operator), trial,
		})
	}
	return writeCSV(w, head, rows)
}

// notConfirmed is what is said of a surprising reading that nobody kept and no other confirmed.
const notConfirmed = "asked about and not confirmed"

// counts says whether a reading counts, and if not why.
func (r *record) counts(x *event.Reading) (counts, why string) {
	if why, void := r.fold.Voids[x.No]; void {
		return "no", "struck out: " + english(why)
	}
	switch {
	case x.Mastered == 0:
		return "no", "without a mastering"
	case r.fold.Doubtful[x.No]:
		return "no", "in doubt after a check that failed"
	case r.fold.Warmer[x.No]:
		return "no", tooWarm
	case r.fold.Asked[x.No]:
		return "no", notConfirmed
	}
	now := r.fold.Current(x.Round)[x.Place]
	if now == nil || now.No != x.No {
		return "no", "gauged again"
	}
	return "yes", ""
}

// FirstArticleCSV writes the characteristics of a first article, a row each.
func (p Part) FirstArticleCSV(w io.Writer) error {
	r := p.record()
	gauge, ring := r.tools()
	var rows [][]string
	for _, a := range r.list() {
		rows = append(rows, []string{guard(r.job.ID), guard(r.job.Revision), guard(r.serial()), a.no, a.what, plain(a.low), plain(a.high), plain(a.actual), a.unit, guard(gauge), guard(ring), a.decision})
	}
	return writeCSV(w, []string{"job", "revision", "part", "no", "characteristic", "low_limit", "high_limit", "actual", "unit", "gauge", "ring", "decision"}, rows)
}

// plain makes a number as it is printed one for a program.
func plain(s string) string {
	if s == "–" {
		return ""
	}
	return strings.Replace(s, "−", "-", 1)
}

// CSV writes the parts of the batch, a row each.
func (b Batch) CSV(w io.Writer) error {
	head := []string{
		"journal", "first_seq", "last_seq", "station", "job", "revision", "part", "begun", "ended", "rounds", "strokes",
		"low_limit_mm", "high_limit_mm", "smallest_mm", "largest_mm", "variation_um", "u_um", "rule", "outcome", "in_doubt", "reason", "by",
	}
	var rows [][]string
	for i := range b.Parts {
		r := b.Parts[i].record()
		rows = append(rows, r.batchRow())
	}
	return writeCSV(w, head, rows)
}

func (r *record) batchRow() []string {
	strokes := 0
	for _, x := range r.fold.Rounds {
		strokes += x.Strokes
	}
	var lo, hi, variation string
	if z := r.Bore.Sizes; z != nil {
		lo, hi, variation = mm(z.Smallest.Size), mm(z.Largest.Size), micron(z.Variation)
	}
	u, _ := r.stated()
	state, rule, why := "not finished", "", ""
	if v := r.Bore.Verdict; v != nil {
		state, rule, why = strings.ToLower(outcome(v)), v.Rule, english(v.Reason)
	}
	doubt := "no"
	if r.doubted() != nil {
		doubt = "yes"
	}
	t := r.from
	return []string{
		t.Journal, strconv.FormatUint(t.First, 10), strconv.FormatUint(r.Records[len(r.Records)-1].Seq, 10), guard(r.Bore.Station), guard(r.job.ID), guard(r.job.Revision), guard(r.serial()),
		stamped(r.Records[0].At), stamped(r.at(event.Judged)), strconv.Itoa(r.fold.Round()), strconv.Itoa(strokes),
		mm(r.job.Low), mm(r.job.High), lo, hi, variation, micron(u), guard(rule), state, doubt, guard(why), guard(r.by(event.Judged)),
	}
}

// CSV writes the masterings and checks, a row each.
func (l Log) CSV(w io.Writer) error {
	head := []string{
		"journal", "seq", "at", "station", "what", "gauge", "ring", "certified_mm", "ring_u_um", "certificate", "due", "in_date",
		"readings", "spread_um", "zero_um", "moved_um", "error_um", "limit_um", "outcome", "by", "gauge_certificate", "gauge_due", "gauge_in_date",
	}
	var rows [][]string
	for i := range l.Looks {
		e := &l.Looks[i]
		if !look(&e.Event) {
			continue
		}
		ring := ringOf(e)
		row := []string{e.Journal, strconv.FormatUint(e.Seq, 10), stamped(e.At), guard(e.Station)}
		tail := []string{guard(ring.ID), mm(ring.Size), micron(ring.U), guard(ring.Certified), dueDate(ring.Due), dated(ring.Due, e.At)}
		if m := e.Master; e.Kind == event.Mastered && m.BySecond() != nil {
			row = append(append(row, "second ring", guard(m.Gauge)), tail...)
			row = append(row, strconv.Itoa(len(m.Gain.Raw)), micron(m.Gain.Spread), micron(m.Zero), "", "", "", guard(gainOutcome(m)))
		} else if e.Kind == event.Mastered {
			row = append(append(row, "mastered", guard(m.Gauge)), tail...)
			row = append(row, strconv.Itoa(m.Of), micron(m.Spread), micron(m.Zero), micron(m.Moved), "", "", "zero set")
		} else if x := e.Reread; x != nil {
			row = append(append(row, "re-read as a part", guard(x.Gauge)), tail...)
			row = append(row, strconv.Itoa(x.N), micron(x.Spread), "", "", micron(x.Error), micron(x.Limit), guard(rereadOutcome(x)))
		} else {
			c := e.Check
			row = append(append(row, "checked", guard(c.Gauge)), tail...)
			row = append(row, strconv.Itoa(c.N), micron(c.Spread), "", "", micron(c.Error), micron(c.Limit), map[bool]string{true: "holds", false: "failed"}[c.Good])
			if !c.Valid {
				row[len(row)-1] = "not told"
			}
		}
		row = append(row, guard(e.Source))
		if m := e.Master; m != nil {
			row = append(row, guard(m.GaugeCertified), dueDate(m.GaugeDue), dated(m.GaugeDue, e.At))
		} else {
			row = append(row, "", "", "") // it stands by the mastering
		}
		rows = append(rows, row)
	}
	return writeCSV(w, head, rows)
}

func dueDate(at time.Time) string {
	if at.IsZero() {
		return ""
	}
	return day(at)
}

func dated(due, used time.Time) string {
	switch {
	case due.IsZero():
		return ""
	case analysis.Overdue(due, used):
		return "no"
	}
	return "yes"
}
