// Package web serves the page at the machine, and streams to it what is
// recorded and what the gauge shows.
//
// A page is fed by server-sent events (HTML standard, section 9.2): the browser
// comes back by itself after a loss and gets the whole state again. Each viewer
// has one slot a station in which newer replaces older, so a stuck browser costs
// nothing. Actions are posted as JSON, from pages of this server only.
//
// Addresses, for a station of that name:
//
//	GET  /                      the stations
//	GET  /station/NAME          its page
//	GET  /station/NAME/view     server-sent events for that page: words, drawings
//	GET  /station/NAME/stream   server-sent events: bore, live, event
//	GET  /station/NAME/bore     the newest state, JSON
//	POST /station/NAME/do       an action, JSON in and out
//	GET  /station/NAME/people   who may work there, JSON
//	GET  /station/NAME/job      enter a new job; posted to, it is checked (JSON) or worked to
//	GET  /setup                 the first step of the set-up that is not complete
//	GET  /setup/STEP            a step; posted to, its answers are kept as a draft or written (JSON)
//	GET  /wall                  all stations; /wall/view is its stream
//	GET  /history               parts gauged before; /part/STATION/SEQ is one of them
//	GET  /records               what a person takes away is made here: records, exports
//	POST /records               begins it; /records/ID says how far it is, /records/ID/file is it
//	POST /records/stop          stops it
//	GET  /records/parts         parts to choose from, JSON
//	GET  /study/STATION         the newest gauge study there; /study/STATION/SEQ is one of them
//	GET  /setup/ports           server-sent events: what a gauge may be plugged into
//	GET  /setup/listen          server-sent events: what is known of the gauge that is listened to
//	POST /setup/listen          begins to listen; /setup/listen/shown, /setup/listen/stop
//	GET  /setup/contacts/stream server-sent events: the contacts of a port
//	GET  /register              rings and gauges; posted to, one is entered or changed; /register/certificate/HASH is a file
//	GET  /plan                  a bore before it is cut
//	GET  /help                  what is refused, cautioned and shown, explained
//	GET  /card                  the card to print for a station, with codes to scan; /code is one code
//	POST /login                 the passphrase, where one is asked for; /logout ends what it began
//	GET  /metrics               what the daemon counts
//	GET  /healthz               whether it does its work
package web

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"html/template"
	stdlog "log"
	"net"
	"net/http"
	"net/netip"
	"sync"
	"syscall"
	"time"

	"github.com/rs/zerolog"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/daemon/limit"
	"fairbore/daemon/web/export"
	"fairbore/daemon/web/guide"
	"fairbore/daemon/web/jobform"
)

// Config says where to serve and what is allowed.
type Config struct {
	Listen  string // host:port
	Actions bool   // whether the page may act, or only shows
	Wall    bool   // the first page is the wall, however few stations there are
	// Simulated says that no gauge is a real one, and Speed how many times as fast as real time the
	// daemon's clock runs, 0 or 1 where it does not.
	Simulated bool
	Speed     float64
	Version   string
	Zone      *time.Location // of the shop, in which days are asked for and parts listed; nil: this machine's
	// Languages are the languages of the pages, nil for those that the program speaks. A page gets
	// one with ?lang= and its tag. Language is the shop's, nil if it has named none.
	Languages []*notation.Language
	Language  *notation.Language
	Metrics   http.Handler // for /metrics, nil for none
	Health    http.Handler // for /healthz, nil for none
	// Jobs returns the jobs that a station can work to, by id, or all jobs for ""; nil if this
	// server does not know them. It may be called from any goroutine.
	Jobs func(station string) []*analysis.Job
	// Entry has the form for new jobs; nil: there is no such page.
	Entry *jobform.Entry
	// Guide leads through the set-up, with the help of Setup; nil: there are no such pages.
	Guide *guide.Guide
	// Names are names of this server, besides addresses and names of the shop's own network.
	Names []string
	// Proxies are the networks of the proxies that are believed when they say whom they speak for.
	Proxies []netip.Prefix
	// Gate asks for a passphrase before a browser may act; nil: every browser may act.
	Gate *Gate
	// Setup is the configuration, which the pages may change; nil: they may not.
	Setup Setup
	// Certificates is the folder of the files of certificates, for Setup.
	Certificates string
	// People asks who works at a station; nil: the page asks nobody.
	People *People
	// History has the parts gauged before; nil: there are no such pages.
	History History
	// Devices are what is plugged into this machine; nil: nobody can try them.
	Devices *guide.Devices
	// Records makes the files that a person takes away; nil: there is no such page. Spool is the
	// folder where they are kept until they are fetched, "" the system's folder for temporary
	// files.
	Records export.Maker
	Spool   string
	// Card makes the card to print for a station; nil: there is none.
	Card CardMaker
}

// Server serves the pages. [Listen] opens its address, and Run serves it.
type Server struct {
	cfg     Config
	src     Source
	log     zerolog.Logger
	ln      net.Listener
	http    *http.Server
	stop    chan struct{} // closed when Run ends, to end the streams
	build   string        // changes with the files that the pages are made of
	pages   map[*notation.Language]*template.Template
	exports *export.Exporter // nil: nothing is made

	cards    sync.Mutex    // held while a card is made
	proxied  *limit.Places // for the requests at once of one who comes through a proxy
	refusals refusals
	strange  limit.Seldom // for the log's line about a proxy that nobody named
}

// refused says why an address can't be opened, and what to do.
func refused(addr string, err error) error {
	switch {
	case errors.Is(err, syscall.EADDRINUSE):
		return fmt.Errorf("web.listen: another program has %s, perhaps another fairbore: stop that, or give another port: %w", addr, err)
	case errors.Is(err, syscall.EACCES):
		return fmt.Errorf("web.listen: %s may not be listened on by this user: give a port from 1024 up: %w", addr, err)
	}
	return fmt.Errorf("web.listen: give an address of this machine and a free port, such as 127.0.0.1:8080: %w", err)
}

// Listen opens the address. It fails if the address is in use.
func Listen(cfg Config, src Source, log zerolog.Logger) (*Server, error) {
	cfg.Zone = cmp.Or(cfg.Zone, time.Local)
	if cfg.Languages == nil {
		cfg.Languages = notation.Languages()
	}
	in := map[*notation.Language]*template.Template{}
	for _, l := range cfg.Languages {
		t, err := pages(l, &cfg)
		if err != nil {
			return nil, err
		}
		in[l] = t
	}
	build, err := build()
	if err != nil {
		return nil, err
	}
	ln, err := net.Listen("tcp", cfg.Listen)
	if err != nil {
		return nil, refused(cfg.Listen, err)
	}
	s := &Server{cfg: cfg, src: src, log: log, stop: make(chan struct{}), pages: in, build: cfg.Version + " " + build}
	s.ln = limit.NewPlaces(limit.Page, limit.PageEach, cfg.Proxies, func(from netip.Addr) { s.turned(noPlace, from, "") }).Bound(ln)
	s.proxied = limit.NewPlaces(limit.Page, limit.PageEach, nil, nil)
	if cfg.Records != nil {
		s.exports = export.New(cfg.Records, cfg.Spool, log)
	}
	s.http = &http.Server{
		Handler:           s.Handler(),
		ReadHeaderTimeout: headTime,
		ReadTimeout:       readTime,
		WriteTimeout:      takenTime,
		IdleTimeout:       idleTime,
		MaxHeaderBytes:    32 << 10,
		ConnState:         boundSending,
		ErrorLog:          stdlog.New(log, "", 0),
	}
	return s, nil
}

// boundSending limits what the kernel holds for a viewer that reads nothing. It could grow to
// megabytes, all of which would be drawn before the viewer is disconnected.
func boundSending(c net.Conn, state http.ConnState) {
	if tcp, ok := c.(interface{ SetWriteBuffer(int) error }); ok && state == http.StateNew {
		_ = tcp.SetWriteBuffer(sendBuffer) // a failure does not matter
	}
}

// Addr returns the address as host:port.
func (s *Server) Addr() string { return s.ln.Addr().String() }

// URL returns the address of the page for a browser on this machine, "" if addr, host:port, is empty.
func URL(addr string) string {
	host, port, err := net.SplitHostPort(addr)
	if err != nil {
		return addr
	}
	if ip, err := netip.ParseAddr(host); host == "" || err == nil && ip.IsUnspecified() {
		host = "127.0.0.1"
	}
	return "http://" + net.JoinHostPort(host, port) + "/"
}

// Run serves until ctx ends, then gives the answers in progress a second to end.
func (s *Server) Run(ctx context.Context) error {
	failed := make(chan error, 1)
	go func() { failed <- s.http.Serve(s.ln) }()
	select {
	case err := <-failed:
		return err
	case <-ctx.Done():
	}
	close(s.stop)
	end, cancel := context.WithTimeout(context.Background(), time.Second)
	defer cancel()
	err := s.http.Shutdown(end)
	if err != nil {
		err = s.http.Close()
	}
	if s.exports != nil {
		s.exports.Close()
	}
	if s.cfg.Devices != nil {
		s.cfg.Devices.Close()
	}
	if e := <-failed; !errors.Is(e, http.ErrServerClosed) {
		err = errors.Join(err, e)
	}
	return err
}

// Close closes the address of a server that was never run. After Run it does nothing.
func (s *Server) Close() error {
	if err := s.ln.Close(); err != nil && !errors.Is(err, net.ErrClosed) {
		return err
	}
	return nil
}
