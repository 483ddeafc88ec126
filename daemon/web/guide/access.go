package guide

import (
	"net"
	"slices"
	"unicode/utf8"

	"fairbore/analysis"
)

// Where the page is reached from.
const (
	reachHere = "here" // this machine
	reachShop = "shop" // the shop's network
)

// mostPassphrase is how many bytes of a passphrase a hash takes in (bcrypt).
const mostPassphrase = 72

// access reads who may act, and from where the page is reached.
func (a *Answers) access(g *Guide) {
	w := &a.place.Config.Web
	pass, reach := a.text[fieldPassphrase], a.word(fieldReach)
	if reach != reachHere && reach != reachShop {
		a.bad(fieldReach, analysis.Say("guide.access.reach"))
	}
	switch n := utf8.RuneCountInString(pass); {
	case pass == "" && reach == reachShop && w.Hash == "":
		a.bad(fieldPassphrase, analysis.Say("guide.access.missing"))
	case pass == "" && a.word(fieldLater) == "" && w.Hash == "":
		a.bad(fieldPassphrase, analysis.Say("guide.access.or_later"))
	case pass == "":
	case n < g.Least:
		a.bad(fieldPassphrase, analysis.Say("guide.access.short", n, g.Least))
	case len(pass) > mostPassphrase:
		a.bad(fieldPassphrase, analysis.Say("guide.access.long", mostPassphrase))
	default:
		hash, err := g.Hash(pass)
		if err != nil {
			a.bad(fieldPassphrase, err)
			return
		}
		a.set(hash, "web", "hash")
	}
	if to := listenAt(w.Listen, reach); to != w.Listen {
		a.set(to, "web", "listen")
	}
}

// listenAt returns the address of the page as it is reached from there, on the port that it has. One
// that serves a network already stays.
func listenAt(listen, reach string) string {
	host, port, err := net.SplitHostPort(listen)
	if err != nil {
		return listen
	}
	ip := net.ParseIP(host)
	local := host == "localhost" || ip != nil && ip.IsLoopback()
	switch {
	case reach == reachShop && local:
		return net.JoinHostPort("0.0.0.0", port)
	case reach == reachHere && !local:
		return net.JoinHostPort("127.0.0.1", port)
	}
	return listen
}

// sound reads whether the screen can be heard, which only the draft keeps.
func (a *Answers) sound() {
	if a.word(fieldHeardIt) == "" {
		a.bad(fieldHeardIt, analysis.Say("guide.sound.choose"))
	}
}

// contactLines are the lines of a port that a contact may be on.
func contactLines() []string { return []string{"cts", "dsr", "dcd", "ri"} }

// contacts reads on which lines spindle and pedal are, and what the pedal does.
func (a *Answers) contacts() {
	s := a.place.Station
	if s == nil {
		if a.word(fieldLater) == "" {
			a.bad(fieldSpindle, analysis.Say("guide.gauge_first"))
		}
		return
	}
	spindle, pedal := a.word(fieldSpindle), a.word(fieldPedal)
	for field, line := range map[string]string{fieldSpindle: spindle, fieldPedal: pedal} {
		if line != "" && !slices.Contains(contactLines(), line) {
			a.bad(field, analysis.Say("guide.contacts.line"))
		}
	}
	if pedal != "" && pedal == spindle {
		a.bad(fieldPedal, analysis.Say("guide.contacts.same"))
	}
	do := a.word(fieldPedalDo)
	if do == "" {
		do = "record"
	}
	if !slices.Contains(PedalActions(), do) {
		a.bad(fieldPedalDo, analysis.Say("guide.contacts.do"))
	}
	if spindle != s.Spindle {
		a.set(spindle, "stations", s.Name, "spindle")
	}
	if pedal != s.Pedal.Line || pedal != "" && do != s.Pedal.Do {
		a.set(map[string]any{"line": pedal, "do": do}, "stations", s.Name, "pedal")
	}
}

// PedalActions returns what a pedal may do.
func PedalActions() []string { return []string{"record", "round", "skip", "part", "check", "keep"} }
