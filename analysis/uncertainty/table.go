package uncertainty

import (
	"fmt"
	"strings"

	"fairbore/analysis"
)

// Table writes the budget as lines of plain text, a row an input, with the
// result below, to be read at the bench or printed on a record.
func (b *Budget) Table() []string {
	rows := []string{
		"Budget of " + b.Of,
		row("input", "type", "distribution", "±", "u", "unit", "dof", "c µm/unit", "µm", "%", "basis"),
	}
	for i := range b.Lines {
		l := &b.Lines[i]
		half := ""
		if l.HalfWidth != 0 {
			half = number(l.HalfWidth)
		}
		rows = append(rows, row(l.Name, string(l.Type), string(l.Distribution), half, number(l.Standard), spoken(l.Unit),
			freedom(l.Freedom), number(l.Sensitivity), micrometres(l.Contribution), fmt.Sprintf("%.0f", l.Share), string(l.Basis)))
	}
	for _, p := range b.Products {
		rows = append(rows, row(p.A+" × "+p.B, "", "second order", "", "", "", "", "", micrometres(p.Contribution), "", ""))
	}
	for _, c := range b.Correlations {
		rows = append(rows, fmt.Sprintf("%s and %s are correlated, r = %s", c.A, c.B, number(c.R)))
	}
	return append(rows, b.Stated.String())
}

// String states the result in one line: u, degrees of freedom, k, U.
func (s Stated) String() string {
	by := ""
	if s.Propagated {
		by = ", by its distribution (JCGM 101)"
	}
	return fmt.Sprintf("u = %s µm, effective degrees of freedom %s, k = %.2f (%.2f %%), U = %s µm%s",
		micrometres(s.Standard), freedom(s.Freedom), s.K, 100*s.Level, micrometres(s.Expanded), by)
}

func row(cells ...any) string {
	return strings.TrimRight(fmt.Sprintf("%-51s %-4s %-12s %8s %8s %-7s %6s %10s %8s %4s %s", cells...), " ")
}

func number(v float64) string { return fmt.Sprintf("%.3g", v) }

func micrometres(d analysis.Deviation) string { return analysis.Length(d).Format(analysis.UM, 3) }

func freedom(v float64) string {
	if v == 0 {
		return "∞"
	}
	return fmt.Sprintf("%.1f", v)
}

// spoken turns a UCUM code into what a person writes.
func spoken(unit string) string {
	switch unit {
	case "um":
		return "µm"
	case "1e-6/K":
		return "10⁻⁶/K"
	case "s2":
		return "s²"
	}
	return unit
}
