package web

import (
	"bytes"
	"fmt"
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
	comma  bool
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
)

func parseLook(q url.Values) look {
	side := func(name string, or float64) float64 {
		v, err := strconv.ParseFloat(q.Get(name), 64)
		if err != nil || !(v >= leastSide && v <= mostSide) {
			return or
		}
		return v
	}
	by := map[string]picture.Against{"honing": picture.ByHoning, "clock": picture.ByClock}[q.Get("by")]
	return look{unit: q.Get("unit"), comma: q.Get("comma") == "1", by: by, w: side("w", 1200), h: side("h", 420), aw: side("aw", 0), ah: side("ah", 0), sw: side("sw", 0), sh: side("sh", 0)}
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
	f.Comma, f.Language = l.comma, l.language
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
	d.Cut = string(picture.Cut{Bore: b, W: l.w, H: l.h, Format: f}.SVG())
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

// viewer writes the stream of one viewer: words and drawings of what has changed.
type viewer struct {
	look
	server *Server
	job    *analysis.Job
	drawn  []byte
	said   []byte
	buf    []byte
}

// view streams words and drawings to the page of a station, in the viewer's units and size.
func (s *Server) view(w http.ResponseWriter, r *http.Request) {
	v := viewer{server: s, look: s.look(r)}
	s.follow(w, r, r.PathValue("name"), func(bores []*state.Bore, lives []event.Live, events []event.Record) []byte {
		v.buf = v.buf[:0]
		for _, b := range bores {
			v.show(b)
		}
		for i := range events {
			v.buf = appendEvent(v.buf, "happened", view.Happening(&events[i], v.format(v.job)))
		}
		for i := range lives {
			v.buf = appendEvent(v.buf, "live", view.NeedleOf(&lives[i], v.job, v.format(v.job)))
		}
		return v.buf
	})
}

func (v *viewer) show(b *state.Bore) {
	v.job = b.Job
	said := appendEvent(nil, "face", v.server.stationView(b, v.format(b.Job)))
	if !bytes.Equal(said, v.said) {
		v.said = said
		v.buf = append(v.buf, said...)
	}
	drawn := appendEvent(nil, "picture", v.draw(b))
	if !bytes.Equal(drawn, v.drawn) {
		v.drawn = drawn
		v.buf = append(v.buf, drawn...)
	}
}

// follow runs a stream of server-sent events: a greeting, then what say returns for what is new,
// and a beat if nothing is.
func (s *Server) follow(w http.ResponseWriter, r *http.Request, name string, say func([]*state.Bore, []event.Live, []event.Record) []byte) {
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
	for {
		var out []byte
		select {
		case <-r.Context().Done():
			return
		case <-s.stop:
			return
		case <-tick.C:
			out = appendEvent(nil, "beat", s.gone(f))
			if now := s.passing(time.Now(), f); now != told {
				told = now
				out = appendEvent(out, "passing", now)
			}
		case <-sub.Ready():
			out = say(sub.Take())
		}
		if len(out) > 0 && !send(out) {
			return
		}
	}
}
