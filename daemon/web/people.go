package web

import (
	"net/http"
	"slices"

	"fairbore/analysis"
	"fairbore/daemon/event"
	"fairbore/daemon/limit"
	"fairbore/daemon/people"
	"fairbore/daemon/state"
)

// People asks who works at a station.
type People struct {
	// Settings returns the settings of a station, which have the people and their names; false if
	// there is no such station. For "" it returns the people and their names alone. It may be called
	// from any goroutine.
	Settings func(station string) (state.Settings, bool)
	// Opens reports whether a PIN has a hash. It may be called from any goroutine.
	Opens   func(hash, pin string) bool
	Guesses *limit.Guesses
}

// personal is an action, and what proves who the person in it is. PIN and badge go no further than
// [Server.prove].
type personal struct {
	event.Action
	PIN   string `json:"pin"`
	Badge string `json:"badge"`
}

// prove checks a PIN or a badge, or answers why it is not taken. Guesses have a budget, see
// [limit.Guesses]. An action without either goes on, and the session decides whether it may.
func (s *Server) prove(w http.ResponseWriter, r *http.Request, station string, in *personal) bool {
	p := s.cfg.People
	if p == nil || in.PIN == "" && in.Badge == "" {
		return true
	}
	set, _ := p.Settings(station)
	name, proof := "", event.ByPIN
	right := func() bool { return false }
	if in.Badge != "" {
		name, proof = "badge", event.ByBadge
		right = func() bool { return set.People.ByBadge(in.Badge) != "" }
	} else if who := set.People[in.Person]; who.PIN != "" {
		name = "person " + in.Person
		right = func() bool { return p.Opens(who.PIN, in.PIN) }
	}
	from := peer(r)
	v := p.Guesses.Check(r.Context(), from, name, right)
	wrong := analysis.Say("page.refused.pin")
	if proof == event.ByBadge {
		wrong = analysis.Say("page.refused.badge")
	}
	if s.guessedWrong(w, r, v, "page.refused.pin_guessed", wrongPIN, wrong) {
		return false
	}
	if in.Proof = proof; proof == event.ByBadge {
		in.Person = set.People.ByBadge(in.Badge)
	}
	return true
}

// listed is somebody to choose from.
type listed struct {
	ID    string `json:"id"`
	Name  string `json:"name"`
	PIN   bool   `json:"pin,omitempty"`   // asked for
	Badge bool   `json:"badge,omitempty"` // has one
	Signs bool   `json:"signs,omitempty"` // may accept
}

// people answers who may work at a station. Only a browser that may act learns the names.
func (s *Server) people(w http.ResponseWriter, r *http.Request) {
	if !s.admitted(w, r) {
		return
	}
	set, ok := s.cfg.People.Settings(r.PathValue("name"))
	if !ok {
		s.refuse(w, r, http.StatusNotFound, analysis.Say("page.no_station"))
		return
	}
	all := []listed{}
	for _, right := range []event.Right{event.MayGauge, event.MayAccept, event.MaySetUp} {
		for _, id := range set.People.With(right, nil) {
			if slices.ContainsFunc(all, func(l listed) bool { return l.ID == id }) {
				continue
			}
			p := set.People[id]
			all = append(all, listed{ID: id, Name: set.NameOf(id), PIN: p.PIN != "", Badge: p.Badge != "", Signs: p.May(event.MayAccept)})
		}
	}
	writeJSON(w, http.StatusOK, all)
}

// worker is who works at a station, as its page shows it.
type worker struct {
	Name    string `json:"name"` // "" for nobody
	Unnamed int    `json:"unnamed,omitempty"`
}

// worker returns who works at a station, nil if nobody is asked for there.
func (s *Server) worker(w *people.Working, station string) *worker {
	if w == nil || s.cfg.People == nil {
		return nil
	}
	set, _ := s.cfg.People.Settings(station)
	return &worker{Name: set.NameOf(w.Person), Unnamed: w.Unnamed}
}

// asks reports whether a station asks who works there.
func (s *Server) asks(station string) bool {
	if s.cfg.People == nil {
		return false
	}
	set, _ := s.cfg.People.Settings(station)
	return len(set.People) > 0
}

// names returns how an id of a person is said on the pages of a station. Of nobody nothing is said.
func (s *Server) names(station string) func(id string) string {
	var set state.Settings
	if s.cfg.People != nil {
		set, _ = s.cfg.People.Settings(station)
	}
	return set.NameOf
}
