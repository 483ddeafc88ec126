package web

import (
	"fmt"
	"hash/maphash"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/daemon/event"
	"fairbore/daemon/picture"
	"fairbore/daemon/state"
	"fairbore/daemon/web/view"
)

// look is how one viewer wants to see a station.
type look struct {
	unit   string // mm, in, or empty for the unit of the job
	sign   notation.DecimalSign
	by     picture.Against // for the approach to size
	w, h   float64         // pixels of the cut
	aw, ah float64         // size of the approach to size, 0: not shown
	sw, sh float64         // size of the approach by section, 0: not shown

	language *notation.Language
}

// Bounds for the size of a drawing, in pixels.
const (
	leastSide = 24
	mostSide  = 4000
	readable  = 120 // a lower cut of the bore has no text, which could not be read
)

func parseLook(q url.Values) look {
	side := func(name string, or float64) float64 {
		v, err := strconv.ParseFloat(q.Get(name), 64)
		if err != nil || !(v >= leastSide && v <= mostSide) {
			return or
		}
		return v
	}
	sign := map[string]notation.DecimalSign{"0": notation.Point, "1": notation.Comma}[q.Get("comma")]
	by := map[string]picture.Against{"honing": picture.ByHoning, "clock": picture.ByClock}[q.Get("by")]
	return look{unit: q.Get("unit"), sign: sign, by: by, w: side("w", 1200), h: side("h", 420), aw: side("aw", 0), ah: side("ah", 0), sw: side("sw", 0), sh: side("sh", 0)}
}

// look returns how a viewer wants to see a station.
func (s *Server) look(r *http.Request) look {
	l := parseLook(r.URL.Query())
	l.language = s.language(r)
	return l
}

// words returns the viewer's format for what does not belong to a job.
func (s *Server) words(r *http.Request) notation.Format {
	l := s.look(r)
	return l.format(nil)
}

// wordsAt returns the viewer's format for a station's job.
func (s *Server) wordsAt(r *http.Request, station string) notation.Format {
	l := s.look(r)
	if b := s.src.Bore(station); b != nil {
		return l.format(b.Job)
	}
	return l.format(nil)
}

// format returns the format that the viewer chose, or that of the job.
func (l *look) format(j *analysis.Job) notation.Format {
	var f notation.Format
	if j != nil {
		f = notation.ForJob(j)
	}
	if l.unit == "in" || l.unit == "mm" {
		f.Inch = l.unit == "in"
	}
	f.Sign, f.Language = l.sign, l.language
	return f
}

// drawing is what a page shows of a bore.
type drawing struct {
	Cut      string `json:"cut"`
	Approach string `json:"approach,omitempty"`
	Sections string `json:"sections,omitempty"`
}

func (l *look) draw(b *state.Bore) (d drawing) {
	if !picture.Drawable(b.Job) {
		return d
	}
	f := l.format(b.Job)
	d.Cut = string(picture.Cut{Bore: b, W: l.w, H: l.h, Format: f, Plain: l.h < readable}.SVG())
	if l.aw > 0 && l.ah > 0 {
		d.Approach = string(picture.Approach{Bore: b, W: l.aw, H: l.ah, Format: f, Against: l.by, Expected: expected(b)}.SVG())
	}
	if l.sw > 0 && l.sh > 0 {
		d.Sections = string(picture.Sections{Bore: b, W: l.sw, H: l.sh, Format: f}.SVG())
	}
	return d
}

// expected returns the range of sizes that the advised round may bring, nil if none is advised.
func expected(b *state.Bore) *[2]analysis.Length {
	if b.Advice == nil || len(b.Advice.Expected) == 0 {
		return nil
	}
	e := [2]analysis.Length{b.Advice.Expected[0].Low, b.Advice.Expected[0].High}
	for _, x := range b.Advice.Expected {
		e[0], e[1] = min(e[0], x.Low), max(e[1], x.High)
	}
	return &e
}

// viewer writes the stream of one viewer: words and drawings of what has changed. It keeps nothing of
// what it has sent, since there may be hundreds.
type viewer struct {
	look
	server              *Server
	job                 *analysis.Job
	seed                maphash.Seed
	said, drawn, worked uint64 // hashes of what was sent last
}

// view streams words and drawings to the page of a station, in the viewer's units and size.
func (s *Server) view(w http.ResponseWriter, r *http.Request) {
	v := viewer{server: s, look: s.look(r), seed: maphash.MakeSeed()}
	s.follow(w, r, r.PathValue("name"), func(buf []byte, bores []*state.Bore, lives []event.Live, events []event.Record) []byte {
		for _, b := range bores {
			buf = v.show(buf, b)
		}
		for i := range events {
			buf = appendEvent(buf, "happened", view.Happening(&events[i], v.format(v.job)))
		}
		for i := range lives {
			buf = appendEvent(buf, "live", view.NeedleOf(&lives[i], v.job, v.format(v.job)))
		}
		return buf
	})
}

func (v *viewer) show(buf []byte, b *state.Bore) []byte {
	v.job = b.Job
	if w := v.server.worker(b.Working, b.Station); w != nil {
		buf = appendNew(buf, v.seed, &v.worked, "working", w)
	}
	buf = appendNew(buf, v.seed, &v.said, "face", v.server.stationView(b, v.format(b.Job)))
	return appendNew(buf, v.seed, &v.drawn, "picture", v.draw(b))
}

// appendNew appends an event, unless it is the same as the last one, whose hash is given.
func appendNew(buf []byte, seed maphash.Seed, last *uint64, event string, v any) []byte {
	before := len(buf)
	buf = appendEvent(buf, event, v)
	now := maphash.Bytes(seed, buf[before:])
	if now == *last {
		return buf[:before]
	}
	*last = now
	return buf
}

// streamKept is how large a buffer a viewer may keep between two messages, bytes. A live value fits; a
// drawing takes another each time.
const streamKept = 4 << 10

// follow runs a stream of server-sent events: a greeting, then what say appends for what is new,
// and a beat if nothing is.
func (s *Server) follow(w http.ResponseWriter, r *http.Request, name string, say func([]byte, []*state.Bore, []event.Live, []event.Record) []byte) {
	if _, ok := s.known(name); !ok && name != "" {
		s.refuse(w, r, http.StatusNotFound, analysis.Say("page.no_station"))
		return
	}
	sub := s.src.Subscribe(name)
	defer sub.Close()
	h := w.Header()
	h.Set("Content-Type", "text/event-stream")
	h.Set("Cache-Control", "no-store")
	h.Set("X-Accel-Buffering", "no")
	out := http.NewResponseController(w)
	send := func(b []byte) bool {
		if out.SetWriteDeadline(time.Now().Add(writeTime)) != nil {
			return false
		}
		if _, err := w.Write(b); err != nil {
			return false
		}
		return out.Flush() == nil
	}
	f := s.words(r)
	told := s.passing(time.Now(), f)
	if !send(appendEvent(fmt.Appendf(nil, "retry: 500\nevent: hello\ndata: {\"version\":%q}\n\n", s.build), "passing", told)) {
		return
	}
	tick := time.NewTicker(beat)
	defer tick.Stop()
	var buf []byte
	for {
		if buf = buf[:0]; cap(buf) > streamKept {
			buf = nil
		}
		select {
		case <-r.Context().Done():
			return
		case <-s.stop:
			return
		case <-tick.C:
			buf = appendEvent(buf, "beat", s.gone(f))
			if now := s.passing(time.Now(), f); now != told {
				told = now
				buf = appendEvent(buf, "passing", now)
			}
		case <-sub.Ready():
			bores, lives, events := sub.Take()
			buf = say(buf, bores, lives, events)
		}
		if len(buf) > 0 && !send(buf) {
			return
		}
	}
}
