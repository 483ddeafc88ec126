package archive

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/daemon/document"
	"fairbore/daemon/event"
	"fairbore/daemon/report"
	"fairbore/daemon/store"
)

// ReportOptions say what to report, of what, and how.
type ReportOptions struct {
	// Kind is one of: part (the newest part that the other options select), lot, first-article (the
	// oldest accepted part of a job, or the part named), masterings, study (the newest gauge study
	// of a job). Empty means part.
	Kind    string
	Format  string // text, html, pdf or csv; empty is text
	Station string // "": any
	Job     string // "": any; a lot needs one
	Part    string // serial number, "": any
	Seq     uint64 // for a part: of the event that began it, at Station; 0: any
	// From and To bound when a part was begun or a ring was read; a zero time sets no bound.
	From, To time.Time
	Paper    string // a4 or letter; empty is a4
	// Language is that of the report; nil is the shop's, as the newest settings in the journal name
	// it. Formats for programs have none.
	Language *notation.Language
	// Sign signs the head of the journal that the report states; nil leaves it unsigned.
	Sign func(*event.Head)
	// Most is the largest number of parts in a report of a job; 0 is 9999.
	Most int
	// Progress is called from time to time with the number of parts; it may be nil.
	Progress func(done, total int)
}

// The kinds and formats.
const (
	reportKinds   = "part, lot, first-article, masterings, study"
	reportFormats = "text, html, pdf, csv, xlsx"
)

// partsReported is the largest number of parts in a report of a job.
const partsReported = 10_000

// Report writes a report from a journal, even while a daemon writes to the journal. The same
// journal up to the same row gives the same bytes.
func Report(ctx context.Context, journal string, out io.Writer, o ReportOptions) (err error) {
	paper, err := document.ParsePaper(o.Paper)
	if err != nil {
		return err
	}
	if err := o.checkFormat(); err != nil {
		return err
	}
	j, err := store.View(ctx, journal)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, j.Close()) }()
	r := reporter{archive: newArchive(j), o: o, words: notation.Format{Language: o.Language}}
	r.sign = o.Sign
	if o.Language == nil {
		if r.words.Language, err = spoken(ctx, j); err != nil {
			return err
		}
	}
	doc, table, err := r.report(ctx)
	if err != nil {
		return err
	}
	switch o.Format {
	case "csv":
		return table.CSV(out)
	case "xlsx":
		return table.XLSX(out)
	}
	return write(out, doc, o.Format, paper)
}

func (o *ReportOptions) checkFormat() error {
	if !slices.Contains([]string{"", "text", "html", "pdf", "csv", "xlsx"}, o.Format) {
		return fmt.Errorf("format %q is not valid: give one of %s", o.Format, reportFormats)
	}
	return nil
}

func write(out io.Writer, doc *document.Document, format string, paper document.Paper) (err error) {
	switch format {
	case "html":
		_, err = io.WriteString(out, doc.HTML(""))
	case "pdf":
		err = doc.PDF(out, paper)
	default:
		_, err = io.WriteString(out, doc.Text())
	}
	return err
}

// reporter makes one report.
type reporter struct {
	*archive
	o     ReportOptions
	words notation.Format
}

// report returns the document that was asked for, and its table for programs.
func (r *reporter) report(ctx context.Context) (*document.Document, report.Table, error) {
	switch r.o.Kind {
	case "", "part":
		p, err := r.onePart(ctx)
		if err != nil {
			return nil, report.Table{}, err
		}
		return report.PartRecord(p, r.words), p.Table(), nil
	case "first-article":
		p, err := r.firstArticle(ctx)
		if err != nil {
			return nil, report.Table{}, err
		}
		return report.FirstArticle(p, r.words), p.Articles(), nil
	case "lot":
		b, err := r.lot(ctx)
		if err != nil {
			return nil, report.Table{}, err
		}
		return report.LotReport(b, r.words), b.Table(), nil
	case "masterings":
		l, err := r.masterings(ctx)
		if err != nil {
			return nil, report.Table{}, err
		}
		return report.MasteringLog(l, r.words), l.Table(), nil
	case "study":
		g, err := r.studyOf(ctx)
		if err != nil {
			return nil, report.Table{}, err
		}
		return report.GaugeStudyReport(g, r.words), g.Rows(), nil
	}
	return nil, report.Table{}, fmt.Errorf("report %q is not valid: give one of %s", r.o.Kind, reportKinds)
}

func (r *reporter) filter(limit int) store.Filter {
	return store.Filter{Station: r.o.Station, Job: r.o.Job, Part: r.o.Part, From: r.o.From, To: r.o.To, Limit: limit}
}

// summaries returns the parts that the options select, the newest first.
func (r *reporter) summaries(ctx context.Context, limit int) ([]store.PartSummary, error) {
	parts, err := r.journal.Parts(ctx, r.filter(limit))
	if err == nil && len(parts) == 0 {
		err = r.nothing(ctx)
	}
	return parts, err
}

// nothing returns the error for options that select no part. It says which parts there are.
func (r *reporter) nothing(ctx context.Context) error {
	parts, err := r.journal.Parts(ctx, store.Filter{Limit: partsReported})
	if err != nil {
		return err
	}
	if len(parts) == 0 {
		return analysis.Say("page.order.no_part_yet")
	}
	return analysis.Say("page.order.no_such_part", jobsOf(parts))
}

// jobsOf lists jobs with their parts, the newest job first, and how many more there are: "J-4112
// (002, 001, +7)".
func jobsOf(parts []store.PartSummary) string {
	const shown = 5 // number of jobs, and of parts of each
	var jobs []string
	by := map[string][]string{}
	for _, p := range parts {
		if by[p.Job] == nil {
			jobs = append(jobs, p.Job)
		}
		by[p.Job] = append(by[p.Job], p.Part)
	}
	var list []string
	for _, job := range jobs[:min(len(jobs), shown)] {
		names := by[job]
		if n := len(names) - shown; n > 0 {
			names = append(slices.Clone(names[:shown]), fmt.Sprintf("+%d", n))
		}
		list = append(list, fmt.Sprintf("%s (%s)", job, strings.Join(names, ", ")))
	}
	if n := len(jobs) - shown; n > 0 {
		list = append(list, fmt.Sprintf("+%d", n))
	}
	return strings.Join(list, ", ")
}

func (r *reporter) onePart(ctx context.Context) (report.Part, error) {
	if r.o.Seq != 0 {
		return r.partAt(ctx, r.o.Station, r.o.Seq)
	}
	parts, err := r.summaries(ctx, 1)
	if err != nil {
		return report.Part{}, err
	}
	return r.part(ctx, parts[0])
}

// firstArticle returns the oldest accepted part, or the oldest part if none is accepted.
func (r *reporter) firstArticle(ctx context.Context) (report.Part, error) {
	parts, err := r.summaries(ctx, partsReported)
	if err != nil {
		return report.Part{}, err
	}
	slices.Reverse(parts)
	i := slices.IndexFunc(parts, func(s store.PartSummary) bool { return s.Verdict != nil && s.Verdict.Accepted() })
	return r.part(ctx, parts[max(0, i)])
}

func (r *reporter) lot(ctx context.Context) (b report.Lot, err error) {
	if r.o.Job == "" {
		parts, err := r.summaries(ctx, partsReported)
		if err != nil {
			return b, err
		}
		return b, analysis.Say("page.order.name_job", jobsOf(parts))
	}
	b.From, b.To = r.o.From, r.o.To
	most := cmp.Or(r.o.Most, partsReported-1)
	parts, err := r.summaries(ctx, most+1)
	if err != nil {
		return b, err
	}
	if len(parts) > most {
		return b, analysis.Say("page.order.many", most)
	}
	slices.Reverse(parts)
	last := uint64(0)
	for i, s := range parts {
		if err := ctx.Err(); err != nil {
			return b, err
		}
		p, err := r.part(ctx, s)
		if err != nil {
			return b, analysis.Say("page.order.of_part", s.Part, s.Station, analysis.Reason(err))
		}
		b.Parts = append(b.Parts, p)
		last = max(last, p.Last())
		if r.o.Progress != nil {
			r.o.Progress(i+1, len(parts))
		}
	}
	b.Job = b.Parts[len(b.Parts)-1].Bore.Job
	if b.Job == nil {
		return b, analysis.Say("page.order.no_terms_of_job", r.o.Job)
	}
	if b.Limits, err = r.limits(ctx, r.o.Job, last); err != nil {
		return b, err
	}
	b.Trace.First = parts[0].Seq
	b.Trace.Simulated = slices.ContainsFunc(b.Parts, func(p report.Part) bool { return p.Bore.Simulated })
	b.Trace.Head, err = r.head(ctx, last)
	return b, err
}

func (r *reporter) masterings(ctx context.Context) (l report.Log, err error) {
	l = report.Log{Station: r.o.Station, From: r.o.From, To: r.o.To, Trace: report.Trace{Head: event.Head{Journal: r.journal.ID()}}}
	f := store.Filter{Station: r.o.Station, From: r.o.From, To: r.o.To, Kinds: []event.Kind{event.Mastered, event.Checked, event.Reread}}
	for e, err := range r.journal.Query(ctx, f) {
		if err != nil {
			return l, err
		}
		l.Looks = append(l.Looks, e)
		l.Trace.Simulated = l.Trace.Simulated || e.Simulated
	}
	slices.SortFunc(l.Looks, func(a, b event.Record) int { return cmp.Compare(a.Seq, b.Seq) })
	if n := len(l.Looks); n > 0 {
		l.Trace.First = l.Looks[0].Seq
		last := &l.Looks[n-1]
		if l.Settings, err = r.settingsAt(ctx, last.Station, last.Seq); err != nil {
			return l, err
		}
		l.Trace.Head, err = r.head(ctx, l.Looks[n-1].Seq)
	}
	return l, err
}

// settingsAt returns the settings that were in force at a station with a row, nil if the journal has
// none.
func (a *archive) settingsAt(ctx context.Context, station string, seq uint64) (*event.Settings, error) {
	e, err := a.journal.Newest(ctx, station, event.Configured, seq)
	if err != nil || e == nil {
		return nil, err
	}
	return e.Settings, nil
}
