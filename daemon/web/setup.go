package web

import (
	"context"
	"net"
	"net/http"
	"net/url"
	"slices"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/daemon/config"
	"fairbore/daemon/event"
	"fairbore/daemon/web/guide"
)

// setupPage is a step of the set-up.
type setupPage struct {
	Step, Before, After string
	No, Of              int
	Steps               []setupStep
	Name, Title         string // of the station, "" for a new one
	Query               string // names the station, after the address of a step
	Hash                string // of the configuration that is shown
	Undone              string // why the last change was taken back, "" if it stands
	Text                map[string]string
	Later               bool // the step can be put off
	Gate                bool
	People              []listed  // who may set up
	Clock               time.Time // of the shop

	Proved, HasHash                    bool
	Known, Way, Job                    string
	Kinds, Ways, Units, Tips, Averages []string
	Materials, Lines, PedalDo          []string
	Rings                              []*analysis.Ring
	Jobs                               []*analysis.Job
	Least                              int
	Addresses                          []string
	Sum                                []guide.Fact
}

// setupStep is a step in the list of all.
type setupStep struct {
	No   int
	Name string
	Is   string // done, begun or open
	Now  bool
}

// place returns the configuration and the station that a request is about. It answers why not, if
// the browser may not set up from where it is, or the configuration can't be read.
func (s *Server) place(w http.ResponseWriter, r *http.Request) (p *guide.Place, hash string, ok bool) {
	if why := s.barred(r); !why.IsZero() {
		s.refuse(w, r, http.StatusForbidden, why)
		return nil, "", false
	}
	text, hash, _ := s.cfg.Setup.Configured()
	p, err := s.cfg.Guide.At(text, r.URL.Query().Get("station"))
	if err != nil {
		s.failed(w, r, analysis.Say("guide.not_read", err), err)
		return nil, "", false
	}
	if b := s.src.Bore(p.Name()); b != nil {
		p.Master = b.Master.OK
	}
	return p, hash, true
}

// undone says why the last change of the configuration was taken back, "" if it stands.
func (s *Server) undone(f notation.Format) string {
	if _, _, undone := s.cfg.Setup.Configured(); undone != nil {
		return f.Text("guide.undone", undone)
	}
	return ""
}

// stationQuery is the part of an address that names a station, "" for the first one.
func stationQuery(name string) string {
	if name == "" {
		return ""
	}
	return "?station=" + url.QueryEscape(name)
}

// setupState says whether a change is just being taken up. The pages end in a moment then, and come back.
func (s *Server) setupState(w http.ResponseWriter, r *http.Request) {
	_, hash, _ := s.cfg.Setup.Configured()
	writeJSON(w, http.StatusOK, struct {
		Anew bool   `json:"anew"`
		Hash string `json:"hash"`
	}{s.cfg.Setup.Anew(), hash})
}

// setup leads to the first step that is not complete.
func (s *Server) setup(w http.ResponseWriter, r *http.Request) {
	if p, _, ok := s.place(w, r); ok {
		http.Redirect(w, r, "/setup/"+p.Due()+stationQuery(r.URL.Query().Get("station")), http.StatusFound)
	}
}

// setupStep shows a step of the set-up.
func (s *Server) setupStep(w http.ResponseWriter, r *http.Request) {
	all, step := guide.Steps(), r.PathValue("step")
	no := slices.Index(all, step)
	if no < 0 {
		s.refuse(w, r, http.StatusNotFound, analysis.Say("guide.no_step"))
		return
	}
	p, hash, ok := s.place(w, r)
	if !ok {
		return
	}
	g, f := s.cfg.Guide, s.words(r)
	page := setupPage{Undone: s.undone(f), People: s.settersUp(),
		Step: step, After: guide.Next(step), No: no + 1, Of: len(all), Name: p.Name(), Query: stationQuery(r.URL.Query().Get("station")), Hash: hash,
		Text: p.Text(step), Later: slices.Contains([]string{guide.StepContacts, guide.StepAccess}, step), Gate: s.cfg.Gate != nil, Clock: p.Now.In(p.Config.Location()),
		HasHash: p.Config.Web.Hash != "", Kinds: guide.Kinds(), Ways: guide.Ways(), Units: guide.Units(), Tips: guide.Tips(), Averages: guide.Averages(), Materials: g.Materials, Lines: guide.ContactLines(), PedalDo: guide.PedalActions(), Least: g.Least,
	}
	if no > 0 {
		page.Before = all[no-1]
	}
	if p.Station != nil {
		page.Title = p.Station.Title
		page.Jobs = s.jobs(p.Station.Name)
		if b := s.src.Bore(p.Station.Name); b != nil && b.Job != nil {
			page.Job = b.Job.ID
		}
	}
	page.Known, page.Way, page.Proved = p.Known(f)
	for _, name := range p.RingIDs() {
		page.Rings = append(page.Rings, p.Config.AnalysisRings()[name])
	}
	for i, name := range all {
		is := "open"
		switch {
		case p.Done(name):
			is = "done"
		case p.Begun(name):
			is = "begun"
		}
		page.Steps = append(page.Steps, setupStep{No: i + 1, Name: name, Is: is, Now: name == step})
	}
	switch step {
	case guide.StepAccess:
		page.Addresses = reachedAt(p.Config.Web.Listen)
	case guide.StepMaster:
		page.Sum = p.Sum(f, s.jobs(p.Name()))
	}
	s.render(w, r, "guide.html", page)
}

// stepPosted is what the page of a step posts.
type stepPosted struct {
	changer
	Station string            `json:"station"`
	Text    map[string]string `json:"text"`
	Save    bool              `json:"save"`
	Confirm bool              `json:"confirm"`
}

// writer changes the configuration in the name of somebody.
type writer struct {
	Setup
	by Who
}

func (w writer) Change(ctx context.Context, hash string, changes []config.Change) error {
	return w.Setup.Change(ctx, w.by, hash, changes)
}

// answer takes the answers of a step.
func (s *Server) answer(w http.ResponseWriter, r *http.Request) {
	step := r.PathValue("step")
	if !slices.Contains(guide.Steps(), step) {
		s.refuse(w, r, http.StatusNotFound, analysis.Say("guide.no_step"))
		return
	}
	var in stepPosted
	by, ok := s.changing(w, r, &in)
	if !ok {
		return
	}
	l := s.look(r)
	if step == guide.StepJob && in.Save {
		s.chooseJob(w, r, &in, by)
		return
	}
	posted := guide.Posted{Station: in.Station, Text: in.Text, Hash: in.Hash, Save: in.Save, Confirm: in.Confirm}
	var heard *guide.Hearing
	if step == guide.StepGauge && s.cfg.Devices != nil {
		heard = s.cfg.Devices.Proved()
		if in.Save { // the station needs the port
			s.cfg.Devices.Stop()
		}
	}
	out, err := s.cfg.Guide.Take(r.Context(), step, posted, writer{s.cfg.Setup, by}, heard, l.format(nil))
	if err != nil {
		s.log.Error().Err(err).Str("step", step).Msg("answers of the set-up not kept")
		s.no(w, r, http.StatusInternalServerError, analysis.Say("guide.not_kept", err))
		return
	}
	if out.Done {
		out.Next = "/setup/" + out.Next + stationQuery(in.Station)
	}
	writeJSON(w, http.StatusOK, out)
}

// chooseJob works to a job that the station knows.
func (s *Server) chooseJob(w http.ResponseWriter, r *http.Request, in *stepPosted, by Who) {
	out := guide.Taken{Faults: map[string]string{}, Station: in.Station}
	job, f := in.Text["job"], s.words(r)
	switch b := s.src.Bore(in.Station); {
	case job == "":
		out.Faults["job"] = f.Text("action.no_job")
	case b != nil && b.Job != nil && b.Job.ID == job:
		out.Done = true
	default:
		reply := s.src.Do(r.Context(), in.Station, event.Action{Do: "job", Job: job, Confirm: in.Confirm, Source: "page", Person: by.Person, Proof: by.Proof})
		if out.Done = reply.Done; !reply.Done {
			if why := said(reply.Why, f).Text; reply.Ask {
				out.Ask = []string{why}
			} else {
				out.Why = why
			}
		}
	}
	out.Next = "/setup/" + guide.Next(guide.StepJob) + stationQuery(in.Station)
	writeJSON(w, http.StatusOK, out)
}

// reachedAt returns the addresses of the page for other screens, none if it is not reached from the
// network.
func reachedAt(listen string) (out []string) {
	host, port, err := net.SplitHostPort(listen)
	if err != nil {
		return nil
	}
	at := func(host string) { out = append(out, "http://"+net.JoinHostPort(host, port)+"/") }
	ip := net.ParseIP(host)
	switch {
	case host == "localhost" || ip != nil && ip.IsLoopback():
		return nil
	case host != "" && !ip.IsUnspecified():
		at(host)
		return out
	}
	all, _ := net.InterfaceAddrs() // without them the page says less
	for _, a := range all {
		if n, ok := a.(*net.IPNet); ok && n.IP.To4() != nil && !n.IP.IsLoopback() {
			at(n.IP.String())
		}
	}
	return out
}
