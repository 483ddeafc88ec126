package watch

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"fairbore/analysis"
	"fairbore/daemon/event"
	"fairbore/daemon/publish"
	"fairbore/daemon/state"
)

// maxHeld is the most bytes of the newest bores of all stations together, as they came. It allows
// 64 kB for each of 500 stations.
const maxHeld = 32 << 20

// watched is what the watcher knows of a station.
type watched struct {
	bore  *state.Bore
	size  int       // bytes of the bore as it came
	heard time.Time // when the station or its daemon last sent something; zero: never

	journal string // journal of the latest record
	record  uint64 // number of the latest record
	// behind is since when the bore has been older than the latest record. It is zero if the bore
	// is not older.
	behind time.Time
	asked  uint64 // latest record for which the broker was asked for the bore again

	changed  bool // the bore has changed since it was last told
	presence Presence
	why      analysis.Phrase
}

// told is an alive message and the time when it came.
type told struct {
	publish.Alive
	at time.Time
}

// station returns the station of a message and adds it if it is new. It returns nil if there are
// too many stations. A message that is not a retained one counts as heard from the station now,
// unless now is zero.
func (w *Watcher) station(m *message, now time.Time) *watched {
	s := w.stations[m.place]
	if s == nil {
		if len(w.stations) >= maxStations {
			w.status.TooMany++
			return nil
		}
		s = &watched{changed: true}
		w.stations[m.place] = s
	}
	if !m.retained && !now.IsZero() {
		s.heard = now
	}
	return s
}

func (s *watched) noteRecord(r *event.Record, now time.Time) {
	s.journal, s.record = r.Journal, r.Seq
	if s.bore != nil && s.behind.IsZero() && (s.bore.Journal != r.Journal || s.bore.Seq < r.Seq) {
		s.behind = now
	}
}

// patience is how long a bore may be older than the latest record of its station before a newer
// bore counts as lost on the way. The unit is Watcher.look.
const patience = 5

// wanting reports whether states were lost on the way, so that the broker must be asked for its
// retained messages again. It reports this only once for the same record.
func (w *Watcher) wanting() bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	want := w.lost
	w.lost = false
	now := time.Now()
	for _, s := range w.stations {
		if !s.behind.IsZero() && s.asked != s.record && now.Sub(s.behind) > patience*w.look {
			s.asked = s.record
			want = true
		}
	}
	return want
}

// forgetBore forgets a bore that was deleted at the broker.
func (w *Watcher) forgetBore(p place, n *news) {
	if s := w.stations[p]; s != nil {
		w.held -= s.size
		s.bore, s.size, s.changed = nil, 0, true
		w.forget(p, n)
	}
}

// forget forgets a station if the broker has no bore and no alive of it any more.
func (w *Watcher) forget(p place, n *news) {
	if s := w.stations[p]; s != nil && s.bore == nil && w.alives[p] == nil {
		delete(w.stations, p)
		n.forgotten = append(n.forgotten, p)
	}
}

func (w *Watcher) seen(p place, s *watched, now time.Time) Seen {
	presence, why := w.presence(p, now)
	return Seen{Site: p.site, Station: p.station, Bore: s.bore, Presence: presence, Why: why, Heard: s.heard}
}

// presence returns whether a station is served, by the rule of package publish, and why not.
func (w *Watcher) presence(p place, now time.Time) (Presence, analysis.Phrase) {
	if !w.status.Connected {
		return Unknown, analysis.Say("watch.no_broker", w.status.Why)
	}
	own := w.alives[p]
	if own == nil {
		return Unknown, analysis.Say("watch.nobody_serves")
	}
	name := own.Daemon
	d := w.alives[place{p.site, name}]
	switch {
	case own.State != publish.Online:
		return NotServed, gone(name, own.Why)
	case d == nil:
		return Unknown, analysis.Say("watch.unheard", name)
	case d.State != publish.Online:
		return NotServed, gone(name, d.Why)
	case !slices.Contains(d.Stations, p.station):
		return NotServed, analysis.Say("watch.no_longer", name)
	case now.Sub(d.at) > w.silence:
		return Unknown, analysis.Say("watch.silent", name, w.silence)
	}
	return Served, analysis.Phrase{}
}

// gone says that a daemon is offline, with the reason that its alive message gives.
func gone(daemon, why string) analysis.Phrase {
	switch why {
	case "":
		return analysis.Say("watch.gone.offline", daemon)
	case publish.Stopped:
		return analysis.Say("watch.gone.stopped", daemon)
	case publish.CutOff:
		return analysis.Say("watch.gone.connection_lost", daemon)
	}
	return analysis.Say("watch.gone.because", daemon, why)
}

// compareNames orders stations by site and then by station. It compares numbers in names by value.
func compareNames(siteA, stationA, siteB, stationB string) int {
	return cmp.Or(compareName(siteA, siteB), compareName(stationA, stationB), cmp.Compare(siteA, siteB), cmp.Compare(stationA, stationB))
}

func compareName(a, b string) int {
	for a != "" && b != "" {
		x, y := digits(a), digits(b)
		if x > 0 && y > 0 {
			m, n := strings.TrimLeft(a[:x], "0"), strings.TrimLeft(b[:y], "0")
			if c := cmp.Or(cmp.Compare(len(m), len(n)), cmp.Compare(m, n)); c != 0 {
				return c
			}
			a, b = a[x:], b[y:]
			continue
		}
		if a[0] != b[0] {
			return cmp.Compare(a[0], b[0])
		}
		a, b = a[1:], b[1:]
	}
	return cmp.Compare(len(a), len(b))
}

// digits returns how many digits are at the beginning of a name.
func digits(s string) int {
	return len(s) - len(strings.TrimLeft(s, "0123456789"))
}
