package watch

import (
	"bytes"
	"context"
	"encoding/json"
	"slices"
	"time"

	"fairbore/daemon/event"
	"fairbore/daemon/publish"
	"fairbore/daemon/state"
)

// take tells the hooks what comes, and what changes with time alone, until ctx ends.
func (w *Watcher) take(ctx context.Context, h handed) {
	tick := time.NewTicker(w.look)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-w.inbox.ready:
			w.hand(w.pass(time.Now(), false), &h)
		case <-tick.C:
			w.hand(w.pass(time.Now(), true), &h)
		}
	}
}

// news is what the hooks are to be told.
type news struct {
	status    Status
	stations  []Seen
	forgotten []place
	lives     []sitedLive
	records   []sitedRecord
}

type sitedLive struct {
	site string
	live event.Live
}

type sitedRecord struct {
	site   string
	record event.Record
}

// handed is what was last told or logged.
type handed struct {
	status  Status
	dropped uint64    // number of dropped messages in the latest log entry
	logged  time.Time // time of the latest log entry
}

// quiet is the shortest time between two log entries about dropped messages.
const quiet = time.Minute

func (w *Watcher) hand(n news, h *handed) {
	s := &n.status
	if (s.Connected != h.status.Connected || s.Why.Error() != h.status.Why.Error()) && w.OnStatus != nil {
		w.OnStatus(*s)
	}
	h.status = *s
	if now := time.Now(); s.dropped() > h.dropped && now.Sub(h.logged) > quiet {
		h.dropped, h.logged = s.dropped(), now
		w.log.Warn().Uint64("too_large", s.TooLarge).Uint64("not_json", s.NotJSON).Uint64("wrong_station", s.WrongStation).
			Uint64("too_many", s.TooMany).Uint64("overrun", s.Overrun).Msg("messages of the broker dropped; counts since the start")
	}
	if w.OnForgotten != nil {
		for _, p := range n.forgotten {
			w.OnForgotten(p.site, p.station)
		}
	}
	if w.OnStation != nil {
		for _, seen := range n.stations {
			w.OnStation(seen)
		}
	}
	if w.OnRecord != nil {
		for _, r := range n.records {
			w.OnRecord(r.site, r.record)
		}
	}
	if w.OnLive != nil {
		for _, l := range n.lives {
			w.OnLive(l.site, l.live)
		}
	}
}

// pass takes in the messages of the inbox and returns the news. If all is set, it looks at every
// station, since the presence of a station also changes with time.
func (w *Watcher) pass(now time.Time, all bool) (n news) {
	t := w.inbox.take()
	w.mu.Lock()
	defer w.mu.Unlock()
	if t.fresh {
		clear(w.alives) // the broker sends the alive messages again
	}
	w.lost = w.lost && !t.fresh || t.lost
	all = all || t.fresh || w.known != w.status.Connected
	w.known = w.status.Connected
	for i := range t.states {
		m := &t.states[i]
		all = all || m.leaf == publish.LeafAlive
		w.state(m, now, &n)
	}
	for i := range t.records {
		w.record(&t.records[i], now, &n)
	}
	for p, s := range w.stations {
		if !all && !s.changed {
			continue
		}
		presence, why := w.presence(p, now)
		if !s.changed && presence == s.presence && why.Error() == s.why.Error() {
			continue
		}
		s.presence, s.why, s.changed = presence, why, false
		n.stations = append(n.stations, w.seen(p, s, now))
	}
	n.lives = slices.DeleteFunc(n.lives, func(l sitedLive) bool {
		s := w.stations[place{l.site, l.live.Station}]
		return s == nil || s.presence != Served
	})
	n.status = w.standing()
	return n
}

// state takes in a bore, a live value or an alive message.
func (w *Watcher) state(m *message, now time.Time, n *news) {
	switch {
	case m.leaf == publish.LeafBore && len(m.payload) == 0:
		w.forgetBore(m.place, n)
	case m.leaf == publish.LeafBore:
		w.bore(m, now)
	case m.leaf == publish.LeafAlive && len(m.payload) == 0:
		delete(w.alives, m.place)
		w.forget(m.place, n)
	case m.leaf == publish.LeafAlive:
		w.alive(m, now)
	default:
		var l event.Live
		if w.read(m, &l) && w.own(m, l.Station) && w.station(m, now) != nil {
			n.lives = append(n.lives, sitedLive{m.site, l})
		}
	}
}

// Limits of the contents of a message, so that a short text can't take much memory. They are far
// above those of a real message.
const (
	maxNests = 8_000  // objects and arrays
	maxItems = 40_000 // items in the objects and arrays
)

// read reads the JSON of a message. It counts a message that it can't read and returns false.
func (w *Watcher) read(m *message, into any) bool {
	if bytes.Count(m.payload, []byte("{"))+bytes.Count(m.payload, []byte("[")) > maxNests || bytes.Count(m.payload, []byte(",")) > maxItems {
		w.status.TooLarge++
		return false
	}
	if json.Unmarshal(m.payload, into) != nil {
		w.status.NotJSON++
		return false
	}
	return true
}

// own reports whether the station that a message names is that of its topic. It counts a message
// that names another station.
func (w *Watcher) own(m *message, says string) bool {
	if says != m.station {
		w.status.WrongStation++
	}
	return says == m.station
}

func (w *Watcher) bore(m *message, now time.Time) {
	var b state.Bore
	if !w.read(m, &b) || !w.own(m, b.Station) {
		return
	}
	s := w.station(m, now)
	switch {
	case s == nil:
		return
	case m.retained && s.bore != nil && s.bore.Journal == b.Journal && (b.Seq < s.bore.Seq || b.Seq == s.bore.Seq && b.At.Before(s.bore.At)):
		return // the broker came back with an older retained message
	case w.held-s.size+len(m.payload) > w.most:
		w.status.TooMany++
		return
	}
	w.held += len(m.payload) - s.size
	s.bore, s.size, s.changed = &b, len(m.payload), true
	s.behind = time.Time{}
	if s.record > b.Seq && s.journal == b.Journal {
		s.behind = now
	}
}

func (w *Watcher) alive(m *message, now time.Time) {
	var a publish.Alive
	if !w.read(m, &a) {
		return
	}
	if a.State != publish.Online && a.State != publish.Offline || !publish.Level(a.Daemon) || len(a.Stations) > maxStations {
		w.status.NotJSON++
		return
	}
	if w.alives[m.place] == nil && len(w.alives) >= 2*maxStations {
		w.status.TooMany++
		return
	}
	if a.Daemon != m.station || slices.Contains(a.Stations, m.station) {
		if w.station(m, time.Time{}) == nil {
			return
		}
	}
	w.alives[m.place] = &told{a, now}
	if m.retained || a.State != publish.Online {
		return // the message may be old, or says that the daemon is offline
	}
	for _, name := range append([]string{m.station}, a.Stations...) {
		if s := w.stations[place{m.site, name}]; s != nil {
			s.heard = now
		}
	}
}

// record takes in a record, unless it has come before.
func (w *Watcher) record(m *message, now time.Time, n *news) {
	var r event.Record
	if !w.read(m, &r) || !w.own(m, r.Station) {
		return
	}
	if r.Seq == 0 || !publish.Level(r.Journal) || publish.LeafOf(r.Kind) != m.leaf {
		w.status.NotJSON++
		return
	}
	s := w.station(m, now)
	if s == nil {
		return
	}
	fresh, skipped, late := w.journals.numbers(journal{m.site, r.Journal}).note(r.Seq)
	if !fresh {
		w.status.Duplicates++
		return
	}
	w.status.Records++
	w.status.Missing += skipped
	if skipped > 0 {
		w.status.Gaps++
	}
	if late {
		w.status.Missing--
	}
	s.noteRecord(&r, now)
	n.records = append(n.records, sitedRecord{m.site, r})
}
