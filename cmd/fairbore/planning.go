package main

import (
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"

	"fairbore/analysis"
	"fairbore/analysis/material"
	"fairbore/analysis/plan"
)

// plan writes the plan of a bore in plain words; of a job of a configuration if there
// is one.
func (p *planCmd) plan(r plan.Request, job *analysis.Job, out io.Writer) error {
	if p.Fit != "" {
		f, err := plan.ParseFit(p.Fit)
		if err != nil {
			return err
		}
		return writeLines(out, f.Text())
	}
	if job != nil {
		r.Title, r.Nominal, r.Limits, r.Form = job.ID+" "+job.Title, job.Nominal, job.Limits, job.Variation
	}
	if r.Press != nil {
		var err1, err2 error
		r.Press.Bush, err1 = material.Find(p.Bush)
		r.Press.Hub, err2 = material.Find(p.Hub)
		if err := errors.Join(err1, err2); err != nil {
			return err
		}
	}
	report, err := plan.New(r)
	if err != nil {
		return err
	}
	if p.Entry != "" {
		return writeLines(out, p.entry(&r, report))
	}
	return writeLines(out, report.Text())
}

// entry writes the job for a configuration. What the plan can't know stands there as
// a comment; the check of the configuration asks for it.
func (p *planCmd) entry(r *plan.Request, report *plan.Report) []string {
	var out []string
	for _, line := range report.Text() {
		out = append(out, "# "+line)
	}
	size := func(l analysis.Length) string {
		if in, err := l.Exact(analysis.IN); err == nil && p.Unit.Inch() {
			return in + " in"
		}
		return l.String()
	}
	unit := "mm"
	if p.Unit.Inch() {
		unit = "in"
	}
	nominal := r.Nominal
	if nominal == 0 {
		nominal = report.Hone.Low
	}
	out = append(out, "jobs:",
		"  "+strconv.Quote(p.Entry)+":",
		"    unit: "+unit,
		"    nominal: "+size(nominal),
		"    low: "+size(report.Hone.Low),
		"    high: "+size(report.Hone.High),
		"    target: "+size(report.Hone.Target))
	if r.Form > 0 {
		out = append(out, "    variation: "+analysis.Length(r.Form).String())
	}
	return append(out,
		"    # Fill in, they are needed:",
		"    # title: what it is",
		"    # material: of the bore, such as tool steel",
		"    # length: of the bore, such as 63.5 mm",
		"    # sections: [depths to gauge at, such as 5 mm, 32 mm, 58 mm]",
		"    # orientations: [0, 90]",
		"    # ring: the id of the ring to master on")
}

func writeLines(out io.Writer, text []string) error {
	_, err := fmt.Fprintln(out, strings.Join(text, "\n"))
	return err
}
