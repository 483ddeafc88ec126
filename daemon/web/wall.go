package web

import (
	"hash/maphash"
	"net/http"

	"fairbore/analysis/notation"
	"fairbore/daemon/event"
	"fairbore/daemon/picture"
	"fairbore/daemon/state"
	"fairbore/daemon/web/view"
)

func (s *Server) wall(w http.ResponseWriter, r *http.Request) {
	list := s.src.Stations()
	cols := 8
	for _, c := range []struct{ most, cols int }{{1, 1}, {4, 2}, {6, 3}, {8, 4}, {9, 3}, {16, 4}, {20, 5}, {30, 6}} {
		if len(list) <= c.most {
			cols = c.cols
			break
		}
	}
	s.render(w, r, "wall.html", struct {
		Stations []Station
		Cols     int
	}{list, cols})
}

// tile is what the wall shows of a station.
type tile struct {
	Station string       `json:"station"`
	Face    view.Station `json:"face"`
	Cut     string       `json:"cut"`
}

// wallView streams the tiles that change, and which stations are out of reach.
func (s *Server) wallView(w http.ResponseWriter, r *http.Request) {
	v := s.look(r)
	seed, said := maphash.MakeSeed(), map[string]uint64{}
	tell := func(buf []byte, b *state.Bore) []byte {
		t := tile{Station: b.Station, Face: view.Of(b, v.format(b.Job))}
		if b.Job != nil {
			t.Cut = string(picture.Cut{Bore: b, W: v.w, H: v.h, Format: v.format(b.Job), Plain: true}.SVG())
		}
		last := said[b.Station]
		buf = appendNew(buf, seed, &last, "tile", t)
		said[b.Station] = last
		return buf
	}
	s.follow(w, r, "", func(buf []byte, bores []*state.Bore, _ []event.Live, _ []event.Record) []byte {
		for _, b := range bores {
			buf = tell(buf, b)
		}
		return buf
	})
}

// gone returns the stations that are out of reach, with the reason.
func (s *Server) gone(f notation.Format) map[string]string {
	out := map[string]string{}
	for _, st := range s.src.Stations() {
		if b := s.src.Bore(st.Name); b != nil && b.Now.Is == state.NoSignal {
			out[st.Name] = f.Say(b.Now.Reason)
		}
	}
	return out
}
