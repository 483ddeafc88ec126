package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strconv"
	"strings"

	"fairbore/analysis"
	"fairbore/analysis/material"
	"fairbore/analysis/notation"
	"fairbore/analysis/plan"
	"fairbore/daemon/archive"
	"fairbore/daemon/config"
)

type planCmd struct {
	Fit string `help:"Tell a fit only, such as \"28.6 H7/p6\" or \"1.125 in FN2\"."`

	Entry string        `help:"Write the job of this id as an entry of a configuration, with the plan as its comment."`
	Unit  analysis.Unit `help:"Unit of the drawing in that entry: mm or in." default:"mm"`

	Config  string             `help:"Take the limits of a job from this configuration." short:"c" placeholder:"FILE" type:"existingfile" group:"Size"`
	Job     string             `help:"The job." group:"Size"`
	Nominal analysis.Length    `help:"Such as \"25 mm\", \"0.8752 in\" or \"7/8 in\"." group:"Size"`
	Class   string             `help:"ISO 286 class of the hole, such as H7." group:"Size"`
	Low     analysis.Length    `help:"Low limit." group:"Size"`
	High    analysis.Length    `help:"High limit." group:"Size"`
	Target  analysis.Length    `help:"Size to aim at; the middle when left out." group:"Size"`
	Form    analysis.Deviation `help:"Form limit." group:"Size"`

	Process plan.Process       `help:"What the bore comes from: drilled, reamed, bored, ground, or pressed (a bush)." group:"Stock"`
	Tooling plan.Tooling       `help:"What it is honed with: hand-held or stroked (on a honing machine)." group:"Stock"`
	Oval    analysis.Deviation `help:"Ovality before honing." group:"Stock"`
	Taper   analysis.Deviation `help:"Taper before honing." group:"Stock"`
	Damage  analysis.Deviation `help:"Depth of the marks to clean up." group:"Stock"`
	Stock   analysis.Deviation `help:"Stock wanted; chosen when left out." group:"Stock"`
	Bite    analysis.Deviation `help:"The most a round takes." group:"Stock"`

	BushBore    analysis.Length    `help:"Bore of the bush before pressing; worked out when left out." group:"Press fit"`
	BushOutside analysis.Length    `help:"Outside diameter of the bush, as measured." group:"Press fit"`
	Housing     analysis.Length    `help:"Bore of the housing, as measured." group:"Press fit"`
	Boss        analysis.Length    `help:"Outside diameter of the housing about the bush." group:"Press fit"`
	Bush        string             `help:"Material of the bush." default:"bronze" group:"Press fit"`
	Hub         string             `help:"Material of the housing." default:"iron" group:"Press fit"`
	Rz          analysis.Deviation `help:"Sum of the roughness depths Rz of both seats." group:"Press fit"`

	GaugeStep analysis.Deviation `help:"Resolution of the gauge." group:"Gauge"`
	GaugeU    analysis.Deviation `help:"Expanded uncertainty of a size (k = 2)." group:"Gauge"`
	Ring      analysis.Length    `help:"Size of the setting ring." group:"Gauge"`
	RingClass string             `help:"Class of the ring: XXX, XX, X, Y, Z, ZZ." group:"Gauge"`
	RingU     analysis.Deviation `help:"Uncertainty of its certificate (k = 2)." group:"Gauge"`
}

// Validate refuses a group of flags that is incomplete, and flags that would be ignored.
func (p *planCmd) Validate() error {
	seats := []analysis.Length{p.BushOutside, p.Housing, p.Boss}
	press := cmp.Or(p.BushOutside, p.Housing, p.Boss, p.BushBore, analysis.Length(p.Rz)) != 0
	ring := p.RingClass != "" || p.RingU != 0
	gauge := ring || p.Ring != 0 || cmp.Or(p.GaugeStep, p.GaugeU) != 0
	size := cmp.Or(p.Entry, p.Config, p.Class) != "" || cmp.Or(p.Nominal, p.Low, p.High) != 0
	switch {
	case press && slices.Contains(seats, 0):
		return errors.New("a press fit wants --bush-outside, --housing and --boss, all three")
	case gauge && p.GaugeStep == 0:
		return errors.New("give the resolution of the gauge with --gauge-step, such as \"0.1 um\"")
	case ring && p.Ring == 0:
		return errors.New("give the size of the ring with --ring")
	case p.Fit != "" && size:
		return errors.New("--fit tells of a fit only; leave out the rest, or give limits in its place")
	case (p.Config == "") != (p.Job == ""):
		return errors.New("--config and --job go together: the job's limits are taken from the configuration")
	}
	return nil
}

func (p *planCmd) Run(s *streams) error {
	if p.Fit != "" {
		f, err := plan.ParseFit(p.Fit)
		if err != nil {
			return err
		}
		return writeLines(s.out, said(f.Text()))
	}
	r := plan.Request{
		Nominal: p.Nominal, Class: p.Class, Limits: analysis.Limits{Low: p.Low, High: p.High, Target: p.Target}, Form: p.Form,
		Process: p.Process, Tooling: p.Tooling, Oval: p.Oval, Taper: p.Taper, Damage: p.Damage, Stock: p.Stock, Bite: p.Bite,
	}
	if p.GaugeStep != 0 {
		r.Gauge = &plan.Gauge{Resolution: p.GaugeStep, U: p.GaugeU, Ring: p.Ring, RingClass: p.RingClass, RingU: p.RingU}
	}
	if p.Config != "" {
		cfg, err := config.Load(p.Config)
		if err != nil {
			return err
		}
		job := cfg.AnalysisJob(p.Job)
		if job == nil {
			return fmt.Errorf("--job: %s has no job %q", p.Config, p.Job)
		}
		r.Title, r.Nominal, r.Limits, r.Form = job.ID+" "+job.Title, job.Nominal, job.Limits, job.Variation
	}
	if p.BushOutside != 0 { // Validate makes sure that the others are given too
		r.Press = &plan.Press{Bore: p.BushBore, Outside: p.BushOutside, Housing: p.Housing, Boss: p.Boss, Rz: p.Rz}
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
		return writeLines(s.out, p.entry(&r, report))
	}
	return writeLines(s.out, told(report))
}

// told returns the text of the plan and its notes, one line each.
func told(r *plan.Report) []string {
	lines := r.Text()
	for _, n := range r.Notes {
		lines = append(lines, n.Phrase())
	}
	return said(lines)
}

// said returns the text of phrases, with lengths in both systems of units.
func said(phrases []analysis.Phrase) (lines []string) {
	for _, p := range phrases {
		lines = append(lines, inBoth().Say(p))
	}
	return lines
}

// inBoth returns the format of the command line, which writes lengths in both systems of units.
func inBoth() notation.Format { return notation.Format{Full: true} }

// entry returns the lines of the job as an entry of a configuration. A value that the plan can't
// know stands there as a comment, and the check of the configuration asks for it.
func (p *planCmd) entry(r *plan.Request, report *plan.Report) []string {
	var out []string
	for _, line := range told(report) {
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

type studyCmd struct {
	Gauge studyGaugeCmd `cmd:"" help:"A gauge study: CSV with part, operator and size_mm, size_in or size_um."`
	Lot   studyLotCmd   `cmd:"" help:"Capability and control chart of a lot: CSV with a size column, or a journal's accepted parts."`
}

type studyGaugeCmd struct {
	File      string             `arg:"" help:"The CSV; - for standard input."`
	Tolerance analysis.Deviation `help:"The tolerance that the gauge is to judge, such as \"2.54 um\"."`

	Format string `help:"The page of the study instead of its figures: html, pdf or text; or csv of its readings." enum:",html,pdf,text,csv" default:"" group:"Record"`
	Output string `help:"A file to write; standard output when left out." short:"o" group:"Record"`
	Title  string `help:"Of the page, such as the gauge's name." default:"Gauge study" group:"Record"`
	Date   moment `help:"Of the study." group:"Record"`
	Paper  string `help:"a4 or letter." enum:"a4,letter" default:"a4" group:"Record"`
	Lang   string `help:"Language: en, de or es." enum:"en,de,es" default:"en" group:"Record"`
}

func (g *studyGaugeCmd) Run(ctx context.Context, s *streams) error {
	in, err := open(ctx, g.File)
	if err != nil {
		return err
	}
	defer in.Close()
	return s.write(g.Output, g.File, func(out io.Writer) error {
		if g.Format == "" {
			return archive.StudyGauge(in, g.Tolerance, out)
		}
		return archive.ReportGaugeStudy(in, g.Tolerance, out, g.Title, archive.ReportOptions{Format: g.Format, Paper: g.Paper, Language: notation.Spoken(g.Lang), To: g.Date.Time})
	})
}

type studyLotCmd struct {
	File     string          `arg:"" help:"The CSV, - for standard input, or a journal with --job."`
	Job      string          `help:"The file is a journal: its accepted parts of this job."`
	Low      analysis.Length `help:"Low limit; the job's when left out."`
	High     analysis.Length `help:"High limit; the job's when left out."`
	Subgroup int             `help:"Sizes in a subgroup of the chart; individuals when left out."`
}

func (l *studyLotCmd) Run(ctx context.Context, s *streams) error {
	o := archive.LotOptions{Limits: analysis.Limits{Low: l.Low, High: l.High}, Subgroup: l.Subgroup}
	if l.Job != "" {
		if err := noFolder(l.File, "the journal"); err != nil {
			return err
		}
		return archive.StudyJob(ctx, l.File, l.Job, o, s.out)
	}
	in, err := open(ctx, l.File)
	if err != nil {
		return err
	}
	defer in.Close()
	return archive.StudyLot(in, o, s.out)
}

func open(ctx context.Context, path string) (io.ReadCloser, error) {
	if path == "-" {
		return io.NopCloser(&typing{ctx: ctx, from: os.Stdin}), nil
	}
	if err := noFolder(path, "a CSV file"); err != nil {
		return nil, err
	}
	return os.Open(path)
}

// noFolder refuses the path of a folder where a file is needed.
func noFolder(path, want string) error {
	if folder(path) {
		return fmt.Errorf("%s is a folder; give the path of %s", path, want)
	}
	return nil
}

func folder(path string) bool {
	info, err := os.Stat(path)
	return err == nil && info.IsDir()
}
