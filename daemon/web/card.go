package web

import (
	"bytes"
	"html"
	"io"
	"mime"
	"net"
	"net/http"
	"net/netip"
	"strconv"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/daemon/code"
)

// Card is the card to print for a station that a browser asks for.
type Card struct {
	Station
	First   string // of Count serial numbers, "" for none
	Count   int
	Address string // of the page for a phone; "" where the browser's own is of use to nobody else
	Paper   string
}

// CardMaker writes a card as PDF. It may be called from any goroutine.
type CardMaker func(out io.Writer, c Card, f notation.Format) error

// longestSerial bounds a serial number, as the action part does.
const longestSerial = 64

// card sends the card of a station, to be printed.
func (s *Server) card(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	c := Card{First: q.Get("first"), Address: s.outside(r), Paper: q.Get("paper")}
	st, ok := s.known(q.Get("station"))
	if !ok {
		s.refuse(w, r, http.StatusNotFound, analysis.Say("page.no_station"))
		return
	}
	c.Station = st
	if c.Count, _ = strconv.Atoi(q.Get("count")); c.Count <= 0 {
		c.Count = 1
	}
	if len(c.First) > longestSerial || c.Paper != "" && c.Paper != "a4" && c.Paper != "letter" {
		s.refuse(w, r, http.StatusBadRequest, analysis.Say("page.card.not_valid"))
		return
	}
	var b bytes.Buffer
	s.cards.Lock() // to set a card takes memory and time
	err := s.cfg.Card(&b, c, s.wordsAt(r, st.Name))
	s.cards.Unlock()
	if err != nil {
		s.failed(w, r, analysis.Say("page.card.not_made"), err)
		return
	}
	h := w.Header()
	h.Set("Content-Type", "application/pdf")
	h.Set("Content-Disposition", mime.FormatMediaType("attachment", map[string]string{"filename": "fairbore-card-" + st.Name + ".pdf"}))
	h.Set("Cache-Control", "no-store")
	_, _ = w.Write(b.Bytes()) // the viewer has gone, so nobody can be told
}

// outside returns the address by which a browser came, if others on the network can use it too.
func (s *Server) outside(r *http.Request) string {
	host, _, err := net.SplitHostPort(r.Host)
	if err != nil {
		host = r.Host
	}
	if ip, err := netip.ParseAddr(host); host == "localhost" || err == nil && ip.IsLoopback() {
		return ""
	}
	scheme := "http://"
	if byTLS(r) {
		scheme = "https://"
	}
	return scheme + r.Host + "/"
}

// code sends the QR code of a text, for a page of this server.
func (s *Server) code(w http.ResponseWriter, r *http.Request) {
	text := r.URL.Query().Get("text")
	c, err := code.New(text)
	if err != nil {
		s.refuse(w, r, http.StatusBadRequest, analysis.Say("page.code.length", code.Most))
		return
	}
	w.Header().Set("Content-Type", "image/svg+xml")
	w.Header().Set("Cache-Control", "no-store")
	_, _ = io.WriteString(w, c.SVG(html.EscapeString(text))) // the viewer has gone, so nobody can be told
}
