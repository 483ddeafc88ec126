package report

import (
	"fmt"
	"strconv"
	"time"

	"fairbore/analysis/study"
)

// GaugeStudy is a study of how much of the spread of readings the gauge and the
// people bring in, by one or both of the usual methods.
type GaugeStudy struct {
	Title   string    // of what: gauge and job
	At      time.Time // when it was made
	Table   study.Table
	Results []study.GaugeStudy
}

// GaugeStudyReport puts the page of a gauge study together.
func GaugeStudyReport(g GaugeStudy) *Document {
	d := &Document{Title: "Gauge study", Lead: clean(g.Title), At: g.At}
	trials := 0
	if len(g.Results) > 0 {
		trials = g.Results[0].Trials
	}
	d.Subject = fmt.Sprintf("%s × %s × %s", count(len(g.Table.Parts), "part", "parts"), count(len(g.Table.Operators), "operator", "operators"), count(trials, "trial", "trials"))
	for i := range g.Results {
		r := &g.Results[i]
		if i == 0 {
			d.Stamp = studyStamp(r)
		}
		d.add(Heading("By "+r.Method), sources(r), said(r))
		if len(r.Rows) > 0 {
			d.add(anova(r))
		}
	}
	d.add(Heading("Readings"), readings(g.Table, trials), Signature{"studied by", "date"})
	return d
}

// said is what the study says of itself beyond the table of sources.
func said(r *study.GaugeStudy) Lines {
	text := r.Text()
	skip := 1 + len(sources(r).Rows)
	return text[min(skip, len(text)):]
}

// studyStamp is the usual table's word on the gauge: below 10 % good, up to 30 %
// by agreement, above it not good enough (common practice).
func studyStamp(r *study.GaugeStudy) *Stamp {
	j := r.Judged()
	against := "total variation"
	if r.Tolerance > 0 {
		against = fmt.Sprintf("tolerance of %.2f µm", r.Tolerance)
	}
	why := fmt.Sprintf("The gauge takes %.1f %% of the %s.", j.Value, against)
	switch {
	case !j.OK:
		return &Stamp{Open, "CANNOT JUDGE", j.Why}
	case j.Value < 10:
		return &Stamp{Good, "GOOD", why}
	case j.Value <= 30:
		return &Stamp{Open, "BY AGREEMENT", why}
	}
	return &Stamp{Bad, "NOT GOOD ENOUGH", why + " Guard bands and repeats make up for it."}
}

func sources(r *study.GaugeStudy) *Table {
	t := &Table{Columns: append([]Column{{Head: "source", Left: true}}, numbers("sd, µm", "share of variance, %", "of total sd, %", "6 sd of tolerance, %")...)}
	for _, s := range []struct {
		name string
		study.Source
	}{
		{"repeatability (gauge)", r.Repeatability}, {"operators", r.Operator}, {"operators with parts", r.Interaction},
		{"gauge, all together", r.Gauge}, {"parts", r.Part}, {"total", r.Total},
	} {
		if s.SD.OK {
			t.Rows = append(t.Rows, []string{s.name, fmt.Sprintf("%.3f", s.SD.Value), stat(s.Contribution, "%.1f"), stat(s.OfTotal, "%.1f"), stat(s.OfTolerance, "%.1f")})
		}
	}
	return t
}

// stat writes a value that may be used, else a dash.
func stat(s study.Stat, format string) string {
	if !s.OK {
		return "–"
	}
	return fmt.Sprintf(format, s.Value)
}

func anova(r *study.GaugeStudy) *Table {
	t := &Table{Caption: "Analysis of variance", Columns: append([]Column{{Head: "source", Left: true}}, numbers("degrees of freedom", "sum of squares, µm²", "mean square, µm²", "F", "chance")...)}
	for _, x := range r.Rows {
		t.Rows = append(t.Rows, []string{x.Source, strconv.Itoa(x.DF), fmt.Sprintf("%.4g", x.SS), fmt.Sprintf("%.4g", x.MS), stat(x.F, "%.2f"), stat(x.P, "%.3f")})
	}
	if r.Pooled {
		t.Notes = []string{"Operators with parts was taken as noise and pooled with the repeats."}
	}
	return t
}

// readings tables the readings, a row a part, in the order given.
func readings(in study.Table, trials int) *Table {
	t := &Table{Columns: []Column{{Head: "part", Left: true}}}
	for _, o := range in.Operators {
		for k := range trials {
			t.Columns = append(t.Columns, Column{Head: clean(o) + " " + strconv.Itoa(k+1)})
		}
	}
	for i, p := range in.Parts {
		row := []string{clean(p)}
		for _, trials := range in.Values[i] {
			for _, v := range trials {
				row = append(row, minus(fmt.Sprintf("%.2f", v)))
			}
		}
		t.Rows = append(t.Rows, row)
	}
	t.Notes = []string{"µm."}
	return t
}
