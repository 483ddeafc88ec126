package daemon

import (
	"encoding/json"
	"fmt"
	"net/http"
	"strings"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/daemon/limit"
)

// Health is the answer of /healthz: whether the daemon does its work. An unplugged gauge or an
// unreachable broker is reported but is not a fault of the daemon, which keeps running and catches
// up. A journal that does not record is a fault, and so is a station that does not answer. The texts
// are English, for whoever looks after the computer. What is said of a line or a broker may name its
// address, which a stranger on the network could use to reach the device past this program: it is
// told to this machine only.
type Health struct {
	OK      bool            `json:"ok"`
	Why     []string        `json:"why,omitempty"` // what is wrong, and what to do
	Version string          `json:"version"`
	Journal JournalHealth   `json:"journal"`
	Broker  *BrokerHealth   `json:"broker,omitempty"` // absent without a broker
	Gauges  []StationHealth `json:"stations"`
}

// JournalHealth says how the journal is doing.
type JournalHealth struct {
	Recording  bool   `json:"recording"`
	Why        string `json:"why,omitempty"` // why not, or what else a person should look at
	DiskErrors uint64 `json:"disk_errors"`   // since the start, other than for want of room
}

// BrokerHealth says how the publisher is doing.
type BrokerHealth struct {
	Connected bool   `json:"connected"`
	Why       string `json:"why,omitempty"` // to this machine only
	Backlog   uint64 `json:"backlog"`       // events not yet acknowledged
}

// StationHealth says how the line of a station's gauge is doing.
type StationHealth struct {
	Name string `json:"name"`
	Up   bool   `json:"line_open"`
	Why  string `json:"why,omitempty"` // to this machine only
	// InUse says that a part with readings is in hand, or that a reading came within inUseFor: a
	// screen at the station stays on, although a gauge touches no key.
	InUse bool `json:"in_use"`
}

// inUseFor is how long after a reading a station counts as in use: somebody hones in between.
const inUseFor = 10 * time.Minute

// answersWithin is how long all stations together may take to answer.
const answersWithin = time.Second

// health serves /healthz: 200 if all is well, 503 if not.
func (d *Daemon) health() http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		var f notation.Format
		h := Health{Version: d.version, Gauges: []StationHealth{}}
		j := d.journal.Status()
		h.Journal = JournalHealth{Recording: j.Recording, Why: f.Say(j.Why), DiskErrors: j.DiskErrors}
		if !j.Recording {
			h.Why = append(h.Why, f.Text("daemon.not_recording", j.Why))
		}
		if !d.alive(r.Context(), answersWithin) {
			h.Why = append(h.Why, f.Text("daemon.station_stuck"))
		}
		h.OK = len(h.Why) == 0
		if d.pub != nil {
			p := d.pub.Status()
			h.Broker = &BrokerHealth{Connected: p.Connected, Why: f.Say(p.Why), Backlog: p.Backlog}
		}
		for _, s := range d.stations {
			p := s.inputs[0].Status()
			why := p.Why
			if p.Up {
				why = analysis.Say("daemon.line_open", p.Name)
			}
			h.Gauges = append(h.Gauges, StationHealth{Name: s.name, Up: p.Up, Why: f.Say(why), InUse: d.inUse(s)})
		}
		if !fromHere(r) {
			if h.Broker != nil {
				h.Broker.Why = ""
			}
			for i := range h.Gauges {
				h.Gauges[i].Why = ""
			}
		}
		w.Header().Set("Content-Type", "application/json")
		if !h.OK {
			w.WriteHeader(http.StatusServiceUnavailable)
		}
		_ = json.NewEncoder(w).Encode(h) // the client may have gone
	})
}

// inUse reports whether somebody works at a station, see [StationHealth].
func (d *Daemon) inUse(s *station) bool {
	b := d.hub.Bore(s.name)
	return b != nil && b.Part != nil && b.Last != nil && b.Verdict == nil || time.Since(s.counts.read()) < inUseFor
}

// standing says in a line for the service manager how the daemon does, such as "3 stations,
// recording; broker lost since 14:02: no answer".
func (d *Daemon) standing() string {
	var f notation.Format
	now := time.Now()
	var b strings.Builder
	switch n := len(d.stations); n {
	case 1:
		b.WriteString("1 station, ")
	default:
		fmt.Fprintf(&b, "%d stations, ", n)
	}
	j := d.journal.Status()
	if j.Recording {
		b.WriteString("recording")
	} else {
		b.WriteString("NOT RECORDING" + since(j.Since, now))
	}
	if !j.Why.IsZero() {
		b.WriteString(": " + f.Say(j.Why))
	}
	for _, s := range d.stations {
		if p := s.inputs[0].Status(); !p.Up {
			fmt.Fprintf(&b, "; no gauge at %s%s", s.name, since(p.Since.Wall, now))
		}
	}
	if d.pub != nil {
		if p := d.pub.Status(); !p.Connected {
			fmt.Fprintf(&b, "; broker lost%s: %s", since(p.Since, now), f.Say(p.Why))
		}
	}
	return b.String()
}

// since says since when something is so, with the day if that is not the day of now.
func since(t, now time.Time) string {
	switch t = t.Local(); {
	case t.IsZero():
		return ""
	case t.Format(time.DateOnly) != now.Format(time.DateOnly):
		return t.Format(" since 2006-01-02 15:04")
	}
	return t.Format(" since 15:04")
}

// fromHere reports whether a request comes from this machine, and not through a proxy on it.
func fromHere(r *http.Request) bool {
	return limit.From(r.RemoteAddr).IsLoopback() && r.Header.Get("X-Forwarded-For") == ""
}
