package web

import (
	"errors"
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"strings"
	"unicode"
	"unicode/utf8"

	"fairbore/analysis"
	"fairbore/analysis/material"
	"fairbore/analysis/notation"
	"fairbore/analysis/plan"
	"fairbore/daemon/picture"
	"fairbore/daemon/state"
)

// planned is the page of a bore before it is cut.
type planned struct {
	Jobs   []*analysis.Job
	Asked  map[string]string // as typed
	Faults []string
	Text   []string
	// Warnings must be heeded, Notes may be.
	Warnings, Notes []string
	Cut             template.HTML
}

// Processes are the ways in which a bore is made before honing.
func (planned) Processes() []string {
	return []string{plan.Reamed.String(), plan.Bored.String(), plan.Ground.String(), plan.Drilled.String(), plan.Pressed.String()}
}

// asks are the fields of the page.
func asks() []string {
	return []string{"job", "nominal", "class", "low", "high", "form", "process", "oval", "taper", "stock", "bush_outside", "housing", "boss", "bush", "hub"}
}

// plan works the plan of a bore out from what the address asks.
func (s *Server) plan(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	p := planned{Jobs: s.jobs(""), Asked: map[string]string{}}
	some := false
	for _, name := range asks() {
		v := strings.TrimSpace(q.Get(name))
		p.Asked[name] = v
		some = some || v != ""
	}
	if some {
		p.work(q)
	}
	s.render(w, "plan.html", p)
}

func (p *planned) work(q url.Values) {
	req, job, err := request(q, p.Jobs)
	if err == nil {
		var report *plan.Report
		if report, err = plan.New(req); err == nil {
			p.tell(report.Text())
		}
	}
	if err != nil {
		p.Faults = strings.Split(err.Error(), "\n")
	}
	if job != nil { // picture escapes its text
		p.Cut = template.HTML(picture.Cut{Bore: &state.Bore{Job: job}, W: 1400, H: 420, Format: notation.ForJob(job)}.SVG())
	}
}

// tell parts what a plan says from what it warns of.
func (p *planned) tell(lines []string) {
	for _, line := range lines {
		weight, rest, marked := strings.Cut(line, ": ")
		switch {
		case marked && (weight == "WARNING" || weight == "STOP"):
			p.Warnings = append(p.Warnings, sentence(rest))
		case marked && weight == "NOTE":
			p.Notes = append(p.Notes, sentence(rest))
		default:
			p.Text = append(p.Text, line)
		}
	}
}

// sentence begins a line with a capital letter.
func sentence(s string) string {
	r, n := utf8.DecodeRuneInString(s)
	return string(unicode.ToUpper(r)) + s[n:]
}

// request reads what is asked; the job, if one is named, gives its limits.
func request(q url.Values, jobs []*analysis.Job) (r plan.Request, job *analysis.Job, err error) {
	f := form{q: q}
	if id := q.Get("job"); id != "" {
		for _, j := range jobs {
			if j.ID == id {
				job = j
				r.Title, r.Nominal, r.Limits, r.Form = j.ID+" "+j.Title, j.Nominal, j.Limits, j.Variation
			}
		}
		if job == nil {
			f.bad("job %q is not known here", id)
		}
	} else {
		r.Nominal, r.Class = f.length("nominal"), strings.TrimSpace(q.Get("class"))
		r.Low, r.High = f.length("low"), f.length("high")
		r.Form = f.deviation("form")
	}
	if v := q.Get("process"); v != "" {
		if err := r.Process.UnmarshalText([]byte(v)); err != nil {
			f.bad("%w", err)
		}
	}
	r.Oval, r.Taper, r.Stock = f.deviation("oval"), f.deviation("taper"), f.deviation("stock")
	if q.Get("bush_outside") != "" {
		r.Press = f.press()
	}
	return r, job, errors.Join(f.faults...)
}

// form reads fields and gathers what is wrong with them.
type form struct {
	q      url.Values
	faults []error
}

func (f *form) bad(format string, args ...any) {
	f.faults = append(f.faults, fmt.Errorf(format, args...))
}

func (f *form) length(name string) analysis.Length {
	v := strings.TrimSpace(f.q.Get(name))
	if v == "" {
		return 0
	}
	l, err := analysis.ParseLength(v)
	if err != nil {
		f.bad("%s: %w; write it with its unit, such as 31.75 mm or 1.2500 in", strings.ReplaceAll(name, "_", " "), err)
	}
	return l
}

func (f *form) deviation(name string) analysis.Deviation { return analysis.Deviation(f.length(name)) }

func (f *form) press() *plan.Press {
	p := &plan.Press{Outside: f.length("bush_outside"), Housing: f.length("housing"), Boss: f.length("boss")}
	var err1, err2 error
	p.Bush, err1 = material.Find(f.q.Get("bush"))
	p.Hub, err2 = material.Find(f.q.Get("hub"))
	for _, err := range []error{err1, err2} {
		if err != nil {
			f.faults = append(f.faults, err)
		}
	}
	return p
}
