package report

import (
	"cmp"
	"encoding/csv"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/daemon/event"
	"fairbore/daemon/sheet"
)

// CSV is written by RFC 4180: lines end in CR LF, and fields are quoted where necessary. Lengths
// have all their decimals, and their unit is in the head; a value in inches is rounded to a
// hundredth of a millionth. Text that a spreadsheet would take for a formula gets an apostrophe in
// front. Since a CSV is for programs, its contents are the same in every language.

// Table is a table for programs, as CSV or as a workbook. Each row ends with the head of the journal
// that it is from, and says whether it was simulated.
type Table struct {
	title string
	names []string
	rows  [][]string
}

func newTable(title string, names []string, rows [][]string, from event.Head, simulated bool) Table {
	for i := range rows {
		rows[i] = append(rows[i], from.Line(), yes(simulated))
	}
	return Table{title, append(names, "head", "simulated"), rows}
}

// CSV writes the table as CSV.
func (t Table) CSV(w io.Writer) error {
	out := csv.NewWriter(w)
	out.UseCRLF = true
	if err := out.Write(t.names); err != nil {
		return err
	}
	for _, row := range t.rows {
		cells := slices.Clone(row)
		for i, name := range t.names {
			if sheet.KindOf(name) == sheet.Text {
				cells[i] = event.Guard(cells[i])
			}
		}
		if err := out.Write(cells); err != nil {
			return err
		}
	}
	out.Flush()
	return out.Error()
}

// XLSX writes the table as a workbook, in which all text stays text.
func (t Table) XLSX(w io.Writer) error {
	out, err := sheet.New(w, t.title, t.names)
	if err != nil {
		return err
	}
	for _, row := range t.rows {
		if err := out.Row(row); err != nil {
			return err
		}
	}
	return out.Close()
}

// yes writes a mark that is rarely set.
func yes(set bool) string {
	if set {
		return "yes"
	}
	return ""
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

// exact formats a length in mm or µm, which always have a finite number of decimals.
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

// Table has every reading of the part, including void ones, one a row.
func (p Part) Table() Table {
	r := p.record(notation.Format{})
	rings := map[int]string{}
	for _, m := range r.masters() {
		rings[m.Master.Number] = m.Master.Ring.ID
	}
	head := []string{
		"journal", "seq", "at", "station", "job", "part", "no", "round", "depth_mm", "angle_deg", "size_mm", "size_in", "from_target_um",
		"shown_mm", "zero_um", "thermal_um", "part_temperature_from", "excess_u_um", "indentation_um", "capture_u_um", "how", "gauge", "mastering", "ring", "by", "counts", "why_not", "operator", "trial", "person", "named_afterwards",
	}
	var rows [][]string
	for i := range p.Records {
		e := &p.Records[i]
		x := e.Reading
		if x == nil {
			continue
		}
		counts, why := r.counts(x)
		operator, trial := "", "" // in a gauge study
		if x.Study != nil {
			operator, trial = x.Study.Appraiser, strconv.Itoa(x.Study.Trial)
		}
		rows = append(rows, []string{
			e.Journal, strconv.FormatUint(e.Seq, 10), stamped(e.At), e.Station, x.Job, x.Part, strconv.Itoa(x.No), strconv.Itoa(x.Round),
			exact(x.Depth, analysis.MM), strconv.FormatFloat(x.Angle.Degrees(), 'f', -1, 64), mm(x.Size), inch(x.Size), micron(x.Deviation),
			mm(x.Raw), micron(x.Zero), micron(x.Thermal), string(x.PartFrom), micron(x.ExcessU), micron(x.Indentation), micron(x.U), x.How, x.Gauge, strconv.Itoa(x.Mastered), rings[x.Mastered], e.Source,
			counts, why, operator, trial, cmp.Or(e.Person, r.fold.Work.Takers[x.No]), yes(e.Person == "" && r.fold.Work.Takers[x.No] != ""),
		})
	}
	return newTable("readings", head, rows, p.Head, p.Bore.Simulated)
}

// counts says whether a reading counts, and if not why.
func (r *record) counts(x *event.Reading) (counts, why string) {
	if p := r.fold.NotCounted(x); !p.IsZero() {
		return "no", english(p)
	}
	return "yes", ""
}

// Articles has the characteristics of a first article, one a row.
func (p Part) Articles() Table {
	r := p.record(notation.Format{})
	var rows [][]string
	for _, a := range r.list() {
		rows = append(rows, []string{r.job.ID, r.job.Revision, r.serial(), a.no, a.what, plain(a.low), plain(a.high), plain(a.actual), a.unit, a.gauge, a.ring, strings.Replace(a.decision, ".", ", ", 1)})
	}
	return newTable("characteristics", []string{"job", "revision", "part", "item", "characteristic", "low_limit", "high_limit", "actual", "unit", "gauge", "ring", "decision"}, rows, p.Head, p.Bore.Simulated)
}

// plain converts a printed number into one for a program.
func plain(s string) string {
	if s == "–" {
		return ""
	}
	return strings.Replace(s, "−", "-", 1)
}

// Table has the parts of the lot, one a row.
func (b Lot) Table() Table {
	head := []string{
		"journal", "first_seq", "last_seq", "station", "job", "revision", "part", "begun", "ended", "rounds", "strokes",
		"low_limit_mm", "high_limit_mm", "smallest_mm", "largest_mm", "variation_um", "u_um", "rule", "outcome", "in_doubt", "reason", "by",
		"drawing", "part_number", "order", "customer", "operation", "heat", "fields", "person", "signed_by", "concession", "granted_by", "results",
	}
	var rows [][]string
	for i := range b.Parts {
		r := b.Parts[i].record(notation.Format{})
		rows = append(rows, r.lotRow())
	}
	return newTable("parts", head, rows, b.Trace.Head, b.Trace.Simulated)
}

func (r *record) lotRow() []string {
	var lo, hi, variation string
	if z := r.Bore.Sizes; z != nil {
		lo, hi, variation = mm(z.Smallest.Size), mm(z.Largest.Size), micron(z.Variation)
	}
	var uncertainty string // of no size, none
	if u, _ := r.stated(); u > 0 {
		uncertainty = micron(u)
	}
	state, rule, why, number, granted := "not finished", "", "", "", ""
	if v := r.Bore.Verdict; v != nil {
		state, rule, why, number, granted = string(v.Outcome), v.Rule, english(v.Reason), v.Number, v.GrantedBy
	}
	by, person, signed := "", "", ""
	var results []string // all that were given, the first one first
	for i := range r.Records {
		if e := &r.Records[i]; e.Verdict != nil {
			by, person, signed = clean(e.Source), e.Person, e.Verdict.SignedBy
			results = append(results, fmt.Sprintf("%s (event %d)", e.Verdict.Outcome, e.Seq))
		}
	}
	doubt := "no"
	if r.doubted() != nil {
		doubt = "yes"
	}
	t := r.from
	j, p := &r.job.Papers, &analysis.PartPapers{}
	if r.Bore.Part != nil {
		p = &r.Bore.Part.PartPapers
	}
	var own []string
	for _, x := range slices.Concat(j.Fields, p.Fields) {
		own = append(own, x.Name+": "+x.Value)
	}
	return []string{
		t.Head.Journal, strconv.FormatUint(t.First, 10), strconv.FormatUint(r.Records[len(r.Records)-1].Seq, 10), r.Bore.Station, r.job.ID, r.job.Revision, r.serial(),
		stamped(r.Records[0].At), stamped(r.judgedAt()), strconv.Itoa(r.fold.Round()), strconv.Itoa(r.strokes()),
		mm(r.job.Low), mm(r.job.High), lo, hi, variation, uncertainty, rule, state, doubt, why, by,
		j.Drawing, j.PartNumber, cmp.Or(p.Order, j.Order), j.Customer, j.Operation, p.Heat, strings.Join(own, "; "), person, signed,
		number, granted, strings.Join(results, "; "),
	}
}

// Table has the masterings and checks, one a row.
func (l Log) Table() Table {
	head := []string{
		"journal", "seq", "at", "station", "what", "gauge", "ring", "certified_mm", "ring_u_um", "certificate", "due", "in_date",
		"readings", "spread_um", "zero_um", "moved_um", "error_um", "limit_um", "outcome", "by", "gauge_certificate", "gauge_due", "gauge_in_date", "person",
	}
	var rows [][]string
	w := newWriter(nil, notation.Format{})
	for i := range l.Looks {
		e := &l.Looks[i]
		if look(&e.Event) {
			rows = append(rows, w.lookCSV(e))
		}
	}
	return newTable("masterings", head, rows, l.Trace.Head, l.Trace.Simulated)
}

func (w *writer) lookCSV(e *event.Record) []string {
	what, gauge, n, spread, zero, moved, off, limit, outcome := "", "", 0, analysis.Deviation(0), "", "", "", "", ""
	switch m, x, c := e.Master, e.Reread, e.Check; {
	case e.Kind == event.Mastered && m.BySecond() != nil:
		what, gauge, n, spread, zero, outcome = "second ring", m.Gauge, len(m.Gain.Raw), m.Gain.Spread, micron(m.Zero), w.gainOutcome(m)
	case e.Kind == event.Mastered:
		what, gauge, n, spread, zero, moved, outcome = "mastered", m.Gauge, m.Of, m.Spread, micron(m.Zero), micron(m.Moved), "zero set"
	case x != nil:
		what, gauge, n, spread, off, limit, outcome = "re-read as a part", x.Gauge, x.N, x.Spread, micron(x.Error), micron(x.Limit), w.rereadOutcome(x)
	default:
		what, gauge, n, spread, off, limit, outcome = "checked", c.Gauge, c.N, c.Spread, micron(c.Error), micron(c.Limit), "failed"
		if !c.Valid {
			outcome = "not told"
		} else if c.Good {
			outcome = "holds"
		}
	}
	ring := ringOf(e)
	row := []string{
		e.Journal, strconv.FormatUint(e.Seq, 10), stamped(e.At), e.Station, what, gauge,
		ring.ID, mm(ring.Size), micron(ring.U), ring.Certified, dueDate(ring.Due), dated(ring.Due, e.At),
		strconv.Itoa(n), micron(spread), zero, moved, off, limit, outcome, e.Source,
	}
	if m := e.Master; m != nil {
		return append(row, m.GaugeCertified, dueDate(m.GaugeDue), dated(m.GaugeDue, e.At), e.Person)
	}
	return append(row, "", "", "", e.Person) // the mastering has it
}

func dueDate(at time.Time) string {
	if at.IsZero() {
		return ""
	}
	return at.Format(time.DateOnly)
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

// english returns the text of a phrase in the journal, or else its English text.
func english(p analysis.Phrase) string {
	if p.Text != "" {
		return p.Text
	}
	return notation.Format{}.Say(p)
}
