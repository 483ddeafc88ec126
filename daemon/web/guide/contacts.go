package guide

import (
	"context"
	"errors"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/daemon/port"
	"fairbore/drivers"
)

// Contacts are the contacts of a port: an event "contacts" of GET /setup/contacts/stream?station=NAME, or
// ?port=DEVICE for a port that no station uses, again whenever something changes.
type Contacts struct {
	Port  string    `json:"port"`
	Lines []Contact `json:"lines"`         // cts, dsr, dcd, ri; none if the port has no contacts
	Says  string    `json:"says"`          // what to do now, a sentence
	Why   string    `json:"why,omitempty"` // why they can't be seen, and what to do
	// Last is the line that changed last, "" for none: the one that was pressed.
	Last string `json:"last,omitempty"`
}

// Contact is one of the lines.
type Contact struct {
	Line string `json:"line"` // as the configuration has it: cts, dsr, dcd or ri
	On   bool   `json:"on"`
	// Changes counts how often it went on or off while the page looked on.
	Changes int    `json:"changes"`
	Used    string `json:"used,omitempty"` // "pedal" or "spindle", as the station is set up
}

const (
	pressEvery = 30 * time.Millisecond  // a pedal is down for at least 50 ms (common practice)
	linesIn    = 500 * time.Millisecond // a port that has contacts has shown them by then
)

// FollowContacts sends the contacts of a station or, if that is "", of a device, and again whenever
// they change, until done is closed or the viewer has gone. The device is given back then.
func (d *Devices) FollowContacts(done <-chan struct{}, station, device string, f notation.Format, send func(v any) bool) {
	var p *port.Port
	var pedal, spindle string
	failed := make(chan error, 1)
	if station != "" {
		if d.Wired != nil {
			p, pedal, spindle = d.Wired(station)
		}
		if p == nil {
			send(Contacts{Why: f.Text("page.no_station")})
			return
		}
		defer p.Watch()()
	} else {
		if why := d.lend(device); !why.IsZero() {
			send(Contacts{Port: device, Why: f.Say(why)})
			return
		}
		defer d.giveBack()
		ctx, cancel := context.WithCancel(context.Background())
		p = port.New(port.Config{Name: "contacts", Device: device, Line: drivers.Serial{Baud: 9600, Data: 8, Parity: "none", Stop: 1}, Modem: true}, d.Log)
		ended := make(chan struct{})
		go func() {
			defer close(ended)
			failed <- p.Run(ctx, func(port.Chunk) {})
		}()
		defer func() { cancel(); <-ended }()
	}
	t := tried{device: device, used: map[string]string{pedal: "pedal", spindle: "spindle"}}
	follow(done, pressEvery, func() Contacts {
		select {
		case err := <-failed:
			t.why = analysis.Reason(errors.Join(err, errEnded))
		default:
		}
		return t.contacts(p.Status(), f)
	}, send)
}

var errEnded = errors.New("the port was closed")

// lend takes a device for the contacts, and says why it can't.
func (d *Devices) lend(device string) analysis.Phrase {
	if why := d.refused(device); !why.IsZero() {
		return why
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	switch {
	case d.closed, d.trying:
		return analysis.Say("hear.contacts.tried")
	case d.ear != nil && !d.ear.ended() && d.ear.wanted.Port == device:
		return analysis.Say("hear.contacts.listening")
	}
	d.trying = true
	return analysis.Phrase{}
}

func (d *Devices) giveBack() {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.trying = false
}

// tried is what was seen of the contacts so far.
type tried struct {
	device  string
	used    map[string]string
	why     analysis.Phrase // why they can't be seen
	known   bool
	was     port.ModemLines
	changes [4]int
	last    int // 1 + the line that changed last, 0 for none
}

// contacts returns what is seen of the contacts now.
func (t *tried) contacts(s port.Status, f notation.Format) Contacts {
	c := Contacts{Port: t.device, Lines: []Contact{}, Says: f.Text("hear.contacts.press")}
	if !s.HasLines {
		t.known = false
		switch {
		case !t.why.IsZero():
			c.Why = f.Say(t.why)
		case !s.Up && !s.Why.IsZero():
			c.Why = f.Say(s.Why)
		case s.Up && time.Since(s.Since.Wall) > linesIn:
			c.Why = f.Text("hear.contacts.none")
		}
		return c
	}
	names := [4]string{"cts", "dsr", "dcd", "ri"}
	now := [4]bool{s.Lines.CTS, s.Lines.DSR, s.Lines.DCD, s.Lines.RI}
	was := [4]bool{t.was.CTS, t.was.DSR, t.was.DCD, t.was.RI}
	for i := range names {
		if t.known && now[i] != was[i] {
			t.changes[i]++
			t.last = i + 1
		}
		c.Lines = append(c.Lines, Contact{Line: names[i], On: now[i], Changes: t.changes[i], Used: t.used[names[i]]})
	}
	t.was, t.known = s.Lines, true
	if t.last > 0 {
		l := c.Lines[t.last-1]
		c.Last = l.Line
		code := "hear.contacts.off"
		if l.On {
			code = "hear.contacts.on"
		}
		c.Says = f.Text(code, l.Line)
	}
	return c
}
