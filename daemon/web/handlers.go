package web

import (
	"encoding/json"
	"net/http"
	"net/url"
	"time"

	"fairbore/analysis"
	"fairbore/daemon/event"
	"fairbore/daemon/state"
)

// maxAction bounds the body of an action.
const maxAction = 16 << 10

// Handler returns the handler of all addresses.
func (s *Server) Handler() http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /{$}", s.index)
	mux.HandleFunc("GET /wall", s.wall)
	mux.HandleFunc("GET /wall/view", s.wallView)
	mux.HandleFunc("GET /plan", s.plan)
	if s.cfg.History != nil {
		mux.HandleFunc("GET /history", s.history)
		mux.HandleFunc("GET /part/{station}/{seq}", s.part)
		mux.HandleFunc("GET /study/{station}", s.study)
		mux.HandleFunc("GET /study/{station}/{seq}", s.study)
	}
	mux.HandleFunc("GET /station/{name}", s.station)
	mux.HandleFunc("GET /station/{name}/stream", s.stream)
	mux.HandleFunc("GET /station/{name}/view", s.view)
	mux.HandleFunc("GET /station/{name}/bore", s.bore)
	mux.HandleFunc("POST /station/{name}/do", s.do)
	if s.cfg.People != nil {
		mux.HandleFunc("GET /station/{name}/people", s.people)
	}
	if s.cfg.Entry != nil && s.cfg.Actions {
		mux.HandleFunc("GET /station/{name}/job", s.entryPage)
		mux.HandleFunc("POST /station/{name}/job", s.enter)
	}
	if s.cfg.Setup != nil {
		mux.HandleFunc("GET /register", s.registerPage)
		mux.HandleFunc("POST /register/{kind}", s.enterItem)
		mux.HandleFunc("POST /register/certificate", s.keepCertificate)
		mux.HandleFunc("GET /register/certificate/{file}", s.certificate)
	}
	if s.cfg.Guide != nil && s.cfg.Actions {
		mux.HandleFunc("GET /setup", s.setup)
		mux.HandleFunc("GET /setup/state", s.setupState)
		mux.HandleFunc("GET /setup/{step}", s.setupStep)
		mux.HandleFunc("POST /setup/{step}", s.answer)
	}
	if s.makes() {
		mux.HandleFunc("GET /records", s.records)
		if s.cfg.History != nil {
			mux.HandleFunc("GET /part/{station}/{seq}/record.pdf", s.recordFile)
		}
		mux.HandleFunc("POST /records", s.order)
		mux.HandleFunc("POST /records/stop", s.stopOrder)
		mux.HandleFunc("GET /records/{id}", s.orderState)
		if s.cfg.History != nil {
			mux.HandleFunc("GET /records/parts", s.recordParts)
		}
		mux.HandleFunc("GET /records/{id}/file", s.orderFile)
	}
	mux.HandleFunc("GET /code", s.code)
	mux.HandleFunc("GET /help", s.help)
	if s.cfg.Card != nil {
		mux.HandleFunc("GET /card", s.card)
	}
	if s.cfg.Devices != nil && s.cfg.Actions {
		s.cfg.Devices.Serve(mux, s.lent())
	}
	if s.cfg.Gate != nil {
		mux.HandleFunc("POST /login", s.signIn)
		mux.HandleFunc("POST /logout", s.signOut)
	}
	if s.cfg.Metrics != nil {
		mux.Handle("GET /metrics", s.cfg.Metrics)
	}
	if s.cfg.Health != nil {
		mux.Handle("GET /healthz", s.cfg.Health)
	}
	mux.Handle("GET /static/", http.StripPrefix("/static/", static()))
	return s.guarded(mux)
}

// makes reports whether this server makes records and exports.
func (s *Server) makes() bool { return s.exports != nil && s.cfg.Actions }

func (s *Server) known(name string) (Station, bool) {
	for _, st := range s.src.Stations() {
		if st.Name == name {
			return st, true
		}
	}
	return Station{}, false
}

func (s *Server) bore(w http.ResponseWriter, r *http.Request) {
	b := s.src.Bore(r.PathValue("name"))
	if b == nil {
		s.refuse(w, r, http.StatusNotFound, analysis.Say("page.no_station"))
		return
	}
	writeJSON(w, http.StatusOK, b)
}

func writeJSON(w http.ResponseWriter, status int, v any) {
	b, err := json.Marshal(v)
	if err != nil {
		http.Error(w, err.Error(), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	_, _ = w.Write(b) // the viewer has gone, so nobody can be told
}

// do carries out an action.
func (s *Server) do(w http.ResponseWriter, r *http.Request) {
	name := r.PathValue("name")
	if _, ok := s.known(name); !ok {
		s.refuse(w, r, http.StatusNotFound, analysis.Say("page.no_station"))
		return
	}
	var in personal
	if !s.posted(w, r, &in) || !s.prove(w, r, name, &in) {
		return
	}
	in.Source = "page"
	reply := s.src.Do(r.Context(), name, in.Action)
	reply.Why = said(reply.Why, s.wordsAt(r, name))
	status := statusOf(reply)
	if !reply.Done && !reply.Pending {
		status = http.StatusConflict
	}
	writeJSON(w, status, reply)
}

// statusOf returns 202 for what is not on disk yet, 200 for everything else.
func statusOf(r event.Reply) int {
	if r.Pending {
		return http.StatusAccepted
	}
	return http.StatusOK
}

// ownOrigin reports whether a request came from a page of this server, or not from a page at all.
func ownOrigin(r *http.Request) bool {
	origin := r.Header.Get("Origin")
	if origin == "" {
		site := r.Header.Get("Sec-Fetch-Site")
		return site == "" || site == "same-origin" || site == "none"
	}
	u, err := url.Parse(origin)
	return err == nil && u.Host == r.Host
}

// Times of a stream.
const (
	beat       = 2 * time.Second // something is sent at least this often, so that a page notices a dead connection
	writeTime  = 5 * time.Second // a viewer that reads nothing for so long is disconnected
	sendBuffer = 32 << 10        // bytes that the kernel holds for one viewer
)

// stream sends a viewer what is new. If the viewer is slow it gets only the newest.
func (s *Server) stream(w http.ResponseWriter, r *http.Request) {
	s.follow(w, r, r.PathValue("name"), func(buf []byte, bores []*state.Bore, lives []event.Live, events []event.Record) []byte {
		for i := range events {
			buf = appendEvent(buf, "event", &events[i])
		}
		for _, b := range bores {
			buf = appendEvent(buf, "bore", b)
		}
		for i := range lives {
			buf = appendEvent(buf, "live", &lives[i])
		}
		return buf
	})
}

func appendEvent(buf []byte, event string, v any) []byte {
	b, err := json.Marshal(v)
	if err != nil {
		return buf
	}
	buf = append(buf, "event: "...)
	buf = append(buf, event...)
	buf = append(buf, "\ndata: "...)
	buf = append(buf, b...)
	return append(buf, "\n\n"...)
}
