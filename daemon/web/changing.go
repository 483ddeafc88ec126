package web

import (
	"context"
	"net/http"
	"time"

	"fairbore/analysis"
	"fairbore/daemon/config"
	"fairbore/daemon/event"
	"fairbore/daemon/state"
)

// Setup is the configuration that the pages show and change. Its methods may be called from any
// goroutine.
type Setup interface {
	// Configured returns the text of the file as it was read, or what a new one begins with, and its
	// hash. [config.Parse] makes a configuration of it. undone is why the last change was taken back,
	// nil if it stands.
	Configured() (text []byte, hash string, undone error)
	// Change changes the file, records who did, and takes the new configuration up. The hash is that
	// of the text which the page showed. The error joins [config.Fault] values, or is an
	// [analysis.Phrase]: another has changed the file meanwhile, or the disk does not take it. Then
	// nothing has changed. The page may be cut off by a change of what is only taken up anew, such as
	// a port, and comes back.
	Change(ctx context.Context, by Who, hash string, changes []config.Change) error
	// Anew reports whether a change is just being taken up anew: the page ends in a moment, and comes back.
	Anew() bool
	// Check returns what Change would refuse, and writes nothing.
	Check(changes []config.Change) error
}

// Who is somebody who changes the configuration.
type Who struct {
	Person string // the id; empty where the configuration names nobody
	Proof  event.Proof
	Source string // page, or hand for somebody who wrote in the file
}

// changer is the part of what a page posts that says who changes the configuration. Pages embed it.
// The PIN and the badge go no further than [Server.changing].
type changer struct {
	Person string `json:"person,omitempty"`
	PIN    string `json:"pin,omitempty"`
	Badge  string `json:"badge,omitempty"`
	Hash   string `json:"hash"` // of the text that the page showed
}

func (c *changer) who() *changer { return c }

// changing reads a post that changes the configuration, and returns who it is; or it answers why it
// is refused. Where no passphrase is set, only a browser on this machine may change it. Where people
// are named, only one with the right to set up may.
func (s *Server) changing(w http.ResponseWriter, r *http.Request, into interface{ who() *changer }) (Who, bool) {
	if why := s.barred(r); !why.IsZero() {
		s.no(w, r, http.StatusForbidden, why)
		return Who{}, false
	}
	if !s.posted(w, r, into) {
		return Who{}, false
	}
	return s.settingUp(w, r, into.who())
}

// settingUp returns who it is that sets up, or answers why that one may not.
func (s *Server) settingUp(w http.ResponseWriter, r *http.Request, c *changer) (Who, bool) {
	by := Who{Source: "page"}
	set := s.everybody()
	if len(set.People) == 0 {
		return by, true
	}
	in := personal{Action: event.Action{Person: c.Person}, PIN: c.PIN, Badge: c.Badge}
	if !s.prove(w, r, "", &in) {
		return Who{}, false
	}
	if why := maySetUp(&set, &in); !why.IsZero() {
		s.no(w, r, http.StatusForbidden, why)
		return Who{}, false
	}
	by.Person, by.Proof = in.Person, in.Proof
	if by.Proof == "" {
		by.Proof = event.ByList
	}
	return by, true
}

// maySetUp returns why a person may not change the configuration, the zero phrase for one who may.
func maySetUp(set *state.Settings, in *personal) analysis.Phrase {
	p, known := set.People[in.Person]
	switch {
	case in.Person == "":
		return analysis.Say("page.refused.nobody")
	case !known:
		return analysis.Say("action.person.unknown")
	case !p.May(event.MaySetUp):
		return analysis.Say("page.refused.role", set.NameOf(in.Person))
	case p.Proves() && in.Proof == "":
		return analysis.Say("action.person.prove", set.NameOf(in.Person))
	}
	return analysis.Phrase{}
}

// barred returns why a browser may not change the configuration from where it is, whoever is before
// it; the zero phrase if it may. A proxy that nobody named may pass on anybody.
func (s *Server) barred(r *http.Request) analysis.Phrase {
	switch {
	case s.cfg.Setup == nil || !s.cfg.Actions:
		return analysis.Say("page.refused.shows")
	case s.far(r):
		return analysis.Say("page.refused.far")
	}
	return analysis.Phrase{}
}

// far reports whether a browser is not on this machine where no passphrase keeps strangers out.
func (s *Server) far(r *http.Request) bool {
	return s.cfg.Gate == nil && (!peer(r).IsLoopback() || r.Header.Get("X-Forwarded-For") != "" && !proxied(r))
}

// mayChange reports whether a page should offer to change the configuration to a browser.
func (s *Server) mayChange(r *http.Request) bool {
	return s.barred(r).IsZero() && s.cfg.Gate.admits(r, time.Now())
}

// everybody returns settings with the people of the configuration and their names.
func (s *Server) everybody() state.Settings {
	if s.cfg.People == nil {
		return state.Settings{}
	}
	set, _ := s.cfg.People.Settings("")
	return set
}
