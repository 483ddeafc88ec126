package daemon

import (
	"errors"
	"fmt"
	"io"
	"strings"

	"fairbore/analysis"
	"fairbore/analysis/plan"
)

// PlanOptions say what is known of a bore before it is cut.
type PlanOptions struct {
	Request plan.Request
	Job     *analysis.Job // its limits, if it is one of a configuration
	Fit     string        // such as "28.6 H7/p6": only this fit is told
	// Bush and Hub name the materials of a press fit.
	Bush, Hub string
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
		r.Press.Bush, err1 = plan.MaterialNamed(o.Bush)
		r.Press.Hub, err2 = plan.MaterialNamed(o.Hub)
		if err := errors.Join(err1, err2); err != nil {
			return err
		}
	}
	report, err := plan.New(r)
	if err != nil {
		return err
	}
	return lines(out, report.Text())
}

func lines(out io.Writer, text []string) error {
	_, err := fmt.Fprintln(out, strings.Join(text, "\n"))
	return err
}
