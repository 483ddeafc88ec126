package web

import (
	"html/template"
	"net/http"
	"net/url"
	"strings"

	"fairbore/analysis"
	"fairbore/analysis/material"
	"fairbore/analysis/notation"
	"fairbore/analysis/plan"
	"fairbore/daemon/picture"
	"fairbore/daemon/state"
	"fairbore/daemon/web/view"
)

// planned is the page for the plan of a bore before it is machined.
type planned struct {
	Jobs   []*analysis.Job
	Asked  map[string]string // as typed
	Faults []string
	Text   []string
	// Warnings must be heeded; Notes are for information.
	Warnings, Notes []string
	Cut             template.HTML
	Enter           string // address of the form for a job of this plan, "" for none
	Station         string // for which the plan is
	Setup           bool   // the set-up goes on from there
}

// Processes returns the ways of making a bore before honing.
func (planned) Processes() []string {
	return []string{plan.Reamed.String(), plan.Bored.String(), plan.Ground.String(), plan.Drilled.String(), plan.Pressed.String()}
}

// asks returns the fields of the page.
func asks() []string {
	return []string{"job", "nominal", "class", "low", "high", "form", "process", "oval", "taper", "stock", "bush_outside", "housing", "boss", "bush", "hub"}
}

// plan works out the plan of a bore from the fields in the address.
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
		p.work(q, s.look(r))
	}
	p.Setup = q.Has("setup")
	if p.Station = q.Get("station"); len(p.Text) > 0 && q.Get("job") == "" && s.cfg.Actions && s.cfg.Entry != nil {
		p.enter(s.src.Stations())
	}
	s.render(w, r, "plan.html", p)
}

func (p *planned) work(q url.Values, l look) {
	f := l.format(nil)
	f.Full = true // a plan has both systems: it is made before a drawing has its unit
	req, job, faults := request(q, p.Jobs, f)
	if len(faults) == 0 {
		report, err := plan.New(req)
		if err == nil {
			p.tell(report, f)
		} else {
			faults = []error{err}
		}
	}
	for _, err := range faults {
		p.Faults = append(p.Faults, strings.Split(f.Error(err), "\n")...)
	}
	if job != nil { // picture escapes its text
		p.Cut = template.HTML(picture.Cut{Bore: &state.Bore{Job: job}, W: 1400, H: 420, Format: l.format(job)}.SVG())
	}
}

// enter makes the address of the form for a job of this plan, at the station that the plan is for or the
// only one.
func (p *planned) enter(all []Station) {
	fields := url.Values{}
	for field, from := range map[string]string{"nominal": "nominal", "class": "class", "low": "low", "high": "high", "variation": "form"} {
		if v := p.Asked[from]; v != "" {
			fields.Set(field, v)
		}
	}
	if p.Setup {
		fields.Set("setup", "1")
	}
	for _, st := range all {
		if st.Name == p.Station || len(all) == 1 {
			p.Enter = "/station/" + url.PathEscape(st.Name) + "/job?" + fields.Encode()
		}
	}
}

// tell separates the notes of a plan from its warnings.
func (p *planned) tell(r *plan.Report, f notation.Format) {
	for _, line := range r.Text() {
		p.Text = append(p.Text, f.Say(line))
	}
	for _, n := range r.Notes {
		said := view.Sentence(f.Say(n.Text))
		if n.Weight == plan.Remark {
			p.Notes = append(p.Notes, said)
		} else {
			p.Warnings = append(p.Warnings, said)
		}
	}
}

// request reads the fields. If a job is named it gives the limits.
func request(q url.Values, jobs []*analysis.Job, words notation.Format) (r plan.Request, job *analysis.Job, faults []error) {
	f := form{q: q, words: words}
	if id := q.Get("job"); id != "" {
		for _, j := range jobs {
			if j.ID == id {
				job = j
				r.Title, r.Nominal, r.Limits, r.Form = j.ID+" "+j.Title, j.Nominal, j.Limits, j.Variation
			}
		}
		if job == nil {
			f.bad(analysis.Say("plan.unknown_job", id))
		}
	} else {
		r.Nominal, r.Class = f.length("nominal"), strings.TrimSpace(q.Get("class"))
		r.Low, r.High = f.length("low"), f.length("high")
		r.Form = f.deviation("form")
	}
	if v := q.Get("process"); v != "" {
		if err := r.Process.UnmarshalText([]byte(v)); err != nil {
			f.bad(err)
		}
	}
	r.Oval, r.Taper, r.Stock = f.deviation("oval"), f.deviation("taper"), f.deviation("stock")
	if q.Get("bush_outside") != "" {
		r.Press = f.press()
	}
	return r, job, f.faults
}

// form reads fields and collects what is wrong with them.
type form struct {
	q      url.Values
	words  notation.Format // of the person who types
	faults []error
}

func (f *form) bad(why error) { f.faults = append(f.faults, why) }

func (f *form) length(name string) analysis.Length {
	v := strings.TrimSpace(f.q.Get(name))
	if v == "" {
		return 0
	}
	l, err := f.words.Length(v)
	if err != nil {
		f.bad(analysis.Say("plan.length", analysis.Say("plan.field."+name), analysis.LengthFault(v, err)))
	}
	return l
}

func (f *form) deviation(name string) analysis.Deviation { return analysis.Deviation(f.length(name)) }

func (f *form) press() *plan.Press {
	p := &plan.Press{Outside: f.length("bush_outside"), Housing: f.length("housing"), Boss: f.length("boss")}
	p.Bush, p.Hub = f.material("bush"), f.material("hub")
	return p
}

// material finds a material by the reader's word for it, or by a name that [material.Find] knows.
func (f *form) material(field string) material.Material {
	typed := strings.TrimSpace(f.q.Get(field))
	var said []string
	for _, name := range material.Names() {
		own := f.words.Text("material." + name)
		if strings.EqualFold(typed, own) {
			typed = name
		}
		said = append(said, own)
	}
	m, err := material.Find(typed)
	if err != nil {
		f.bad(analysis.Say("plan.material", typed, strings.Join(said, ", ")))
	}
	return m
}
