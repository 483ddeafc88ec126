package archive

import (
	"bufio"
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/analysis/study"
	"fairbore/daemon/event"
	"fairbore/daemon/state"
	"fairbore/daemon/store"
)

// confidence is that of every interval a study states.
const confidence = 0.95

// LotOptions say which sizes to study and what they have to keep.
type LotOptions struct {
	Limits   analysis.Limits
	Subgroup int // readings in a subgroup of the chart; 0 or 1: individuals
}

// StudyLot writes description, capability and control chart of sizes from CSV
// with one of the columns size_mm, size_in or size_um, in the order of time.
func StudyLot(in io.Reader, o LotOptions, out io.Writer) error {
	rows, err := readings(in)
	if err != nil {
		return err
	}
	x := make([]float64, len(rows))
	for i, r := range rows {
		x[i] = r.size.Micrometres()
	}
	return lot(x, o, out)
}

// StudyJob does the same with the parts of a job in a journal whose newest result is final, see
// [event.Verdict.Final]: of each the mean of the readings that the result rests on.
func StudyJob(ctx context.Context, path, job string, o LotOptions, out io.Writer) error {
	j, err := store.View(ctx, path)
	if err != nil {
		return err
	}
	defer j.Close()
	x, limits, simulated, err := finished(ctx, j, job)
	if err != nil {
		return err
	}
	if o.Limits.High == 0 {
		o.Limits = limits
	}
	if len(x) == 0 {
		return fmt.Errorf("the journal has no finished part of job %q; fairbore report --kind lot says what it has", job)
	}
	says := []analysis.Phrase{analysis.Say("study.of_job", len(x), job)}
	if simulated {
		says = append([]analysis.Phrase{analysis.Say("study.simulated")}, says...)
	}
	return errors.Join(lines(out, linesOf(says)), lot(x, o, out))
}

// finished returns the mean size, in µm, of each finished part of a job, and the
// limits that the last of them was held against; and whether one of them was simulated.
func finished(ctx context.Context, j *store.Journal, job string) (x []float64, limits analysis.Limits, simulated bool, err error) {
	final, err := finalOf(ctx, j, job)
	if err != nil {
		return nil, limits, false, err
	}
	folds := map[string]*state.Fold{}
	for r, err := range j.Query(ctx, store.Filter{Job: job}) {
		if err != nil {
			return nil, limits, simulated, err
		}
		f := folds[r.Station]
		if f == nil {
			f = &state.Fold{}
			folds[r.Station] = f
		}
		f.Apply(&r.Event)
		if r.Kind != event.Judged || !final[ofStation{r.Station, r.Verdict.Begun}] || f.Job == nil {
			continue
		}
		limits = f.Job.Limits
		sum, n := 0.0, 0
		for _, reading := range f.Current(f.Round()) {
			sum += reading.Size.Micrometres()
			n++
		}
		if n > 0 {
			x, simulated = append(x, sum/float64(n)), simulated || f.Simulated()
		}
	}
	return x, limits, simulated, nil
}

// ofStation is a part, by how many its station had begun.
type ofStation struct {
	station string
	begun   int
}

// finalOf returns the parts of a job whose newest result is final.
func finalOf(ctx context.Context, j *store.Journal, job string) (map[ofStation]bool, error) {
	final := map[ofStation]bool{}
	for r, err := range j.Query(ctx, store.Filter{Kinds: []event.Kind{event.Judged, event.Superseded}}) {
		if err != nil {
			return nil, err
		}
		if r.Verdict.Job == job {
			final[ofStation{r.Station, r.Verdict.Begun}] = r.Verdict.Final()
		}
	}
	return final, nil
}

func lot(x []float64, o LotOptions, out io.Writer) error {
	if o.Limits.High <= o.Limits.Low {
		return errors.New("give the limits that the sizes have to keep with --low and --high, the low one below the high one")
	}
	if o.Subgroup < 0 || o.Subgroup > len(x) {
		return fmt.Errorf("subgroups of %d are too large for %d sizes: give 2 to that many, or leave it out", o.Subgroup, len(x))
	}
	if err := ofOneUnit(x, o.Limits); err != nil {
		return err
	}
	// Above the low limit the figures have the digits that matter in front.
	low := o.Limits.Low.Micrometres()
	x = slices.Clone(x)
	for i := range x {
		x[i] -= low
	}
	c, err := study.Capability(x, study.Spec{High: o.Limits.High.Micrometres() - low}, confidence)
	if err != nil {
		return err
	}
	chart, err := charted(x, o.Subgroup)
	if err != nil {
		return err
	}
	head := notation.Format{Full: true}.Text("study.above_low", analysis.Size(o.Limits.Low)) // in both systems
	return errors.Join(lines(out, append([]string{head}, linesOf(c.Says())...)), lines(out, []string{""}), lines(out, linesOf(chart.Says())))
}

func lines(out io.Writer, text []string) error {
	_, err := fmt.Fprintln(out, strings.Join(text, "\n"))
	return err
}

// ofOneUnit fails for a size, in µm, that has nothing to do with the limits: a column
// in another unit, or a slip of the decimal point. Limits up to 1 mm are of deviations,
// which may be anything.
func ofOneUnit(x []float64, lim analysis.Limits) error {
	if lim.Low <= analysis.Millimetre {
		return nil
	}
	for i, v := range x {
		if v < lim.Low.Micrometres()/2 || v > 2*lim.High.Micrometres() {
			return fmt.Errorf("size %d of the lot, %.4f mm, is far from the limits %s to %s: check the unit of the column, and that of --low and --high", i+1, v/1000, lim.Low, lim.High)
		}
	}
	return nil
}

func charted(x []float64, n int) (study.Chart, error) {
	if n < 2 {
		return study.Individuals(x)
	}
	return study.XbarR(slices.Collect(slices.Chunk(x[:len(x)/n*n], n)))
}

// glance is the beginning of a header, to be shown to a person.
func glance(head []string) string {
	const most = 60
	text := []rune(strings.ToValidUTF8(strings.Join(head, ","), "?"))
	if len(text) > most {
		return string(text[:most]) + "…"
	}
	return string(text)
}

// row is a reading from a file: what it is of, and its size.
type row struct {
	keys []string
	size analysis.Length
	unit analysis.Unit // that it was written in
}

// sqliteStart is how every SQLite database begins (sqlite.org/fileformat2.html, 1.3).
const sqliteStart = "SQLite format 3\x00"

// readings reads CSV with the columns named and one of size.
func readings(in io.Reader, keys ...string) ([]row, error) {
	buffered := bufio.NewReader(in)
	if start, _ := buffered.Peek(len(sqliteStart)); string(start) == sqliteStart {
		return nil, errors.New("the file is a journal, not a CSV: name the job with --job (study lot), or write the record with report --kind study")
	}
	r := csv.NewReader(buffered)
	r.TrimLeadingSpace = true
	head, err := r.Read()
	if err != nil {
		if errors.Is(err, io.EOF) {
			return nil, errors.New("the file is empty: give CSV with a header")
		}
		return nil, fmt.Errorf("read the header: %w", err)
	}
	for i := range head {
		head[i] = strings.ToLower(strings.TrimSpace(strings.TrimPrefix(head[i], "\ufeff")))
	}
	size, unit := -1, analysis.NoUnit
	for name, u := range map[string]analysis.Unit{"size_mm": analysis.MM, "size_in": analysis.IN, "size_um": analysis.UM} {
		if i := slices.Index(head, name); i >= 0 {
			size, unit = i, u
		}
	}
	if size < 0 {
		return nil, fmt.Errorf("the header %q has none of the columns size_mm, size_in, size_um", glance(head))
	}
	at := make([]int, len(keys))
	for i, k := range keys {
		if at[i] = slices.Index(head, k); at[i] < 0 {
			return nil, fmt.Errorf("the header %q has no column %s", glance(head), k)
		}
	}
	var rows []row
	for {
		rec, err := r.Read()
		if errors.Is(err, io.EOF) && len(rows) == 0 {
			return nil, errors.New("the file has a header and no readings")
		}
		if errors.Is(err, io.EOF) {
			return rows, nil
		}
		if errors.Is(err, csv.ErrFieldCount) {
			return nil, fmt.Errorf("%w: give %d as in the header, separated by commas", err, len(head))
		}
		if err != nil {
			return nil, err
		}
		line, _ := r.FieldPos(size)
		l, err := analysis.ParseLength(strings.TrimSpace(rec[size]) + unit.String())
		if err != nil {
			return nil, fmt.Errorf("line %d: %s %q is not a size: give a plain number such as 25.4013", line, head[size], rec[size])
		}
		one := row{size: l, unit: unit}
		for _, i := range at {
			one.keys = append(one.keys, rec[i])
		}
		rows = append(rows, one)
	}
}
