package daemon

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

// PlanOptions say what is known of a bore before it is cut.
type PlanOptions struct {
	Request plan.Request
	Job     *analysis.Job // its limits, if it is one of a configuration
	Fit     string        // such as "28.6 H7/p6": only this fit is told
	// Bush and Hub name the materials of a press fit.
	Bush, Hub string
	// Entry names a job to write as an entry of a configuration, with the plan as its
	// comment, in Unit: MM or IN.
	Entry string
	Unit  analysis.Unit
}

// Plan writes the plan of a bore in plain words.
func Plan(o PlanOptions, out io.Writer) error {
	if o.Fit != "" {
		f, err := plan.ParseFit(o.Fit)
		if err != nil {
			return err
		}
		return lines(out, f.Text())
	}
	r := o.Request
	if o.Job != nil {
		r.Title, r.Nominal, r.Limits, r.Form = o.Job.ID+" "+o.Job.Title, o.Job.Nominal, o.Job.Limits, o.Job.Variation
	}
	if r.Press != nil {
		var err1, err2 error
		r.Press.Bush, err1 = material.Find(o.Bush)
		r.Press.Hub, err2 = material.Find(o.Hub)
		if err := errors.Join(err1, err2); err != nil {
			return err
		}
	}
	report, err := plan.New(r)
	if err != nil {
		return err
	}
	if o.Entry != "" {
		return lines(out, entry(&o, &r, report))
	}
	return lines(out, report.Text())
}

// entry writes the job for a configuration. What the plan can't know stands there as
// a comment; the check of the configuration asks for it.
func entry(o *PlanOptions, r *plan.Request, report *plan.Report) []string {
	var out []string
	for _, line := range report.Text() {
		out = append(out, "# "+line)
	}
	size := func(l analysis.Length) string {
		if in, err := l.Exact(analysis.IN); err == nil && o.Unit.Inch() {
			return in + " in"
		}
		return l.String()
	}
	unit := "mm"
	if o.Unit.Inch() {
		unit = "in"
	}
	nominal := r.Nominal
	if nominal == 0 {
		nominal = report.Hone.Low
	}
	out = append(out, "jobs:",
		"  "+strconv.Quote(o.Entry)+":",
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

func lines(out io.Writer, text []string) error {
	_, err := fmt.Fprintln(out, strings.Join(text, "\n"))
	return err
}
