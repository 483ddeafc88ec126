// Package daemon joins ports, drivers, sessions, the journal, the publisher and
// the pages into one program, and owns every goroutine of it.
//
// Bytes of a gauge go one way: port → drivers → session → journal, and from
// there, once they are on disk, to the broker and the pages. See [Daemon.Run]
// for what starts and stops in which order.
package daemon

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"maps"
	"net"
	"net/netip"
	"os"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/rs/zerolog"

	"fairbore/analysis"
	"fairbore/daemon/broker"
	"fairbore/daemon/config"
	"fairbore/daemon/event"
	"fairbore/daemon/port"
	"fairbore/daemon/publish"
	"fairbore/daemon/session"
	"fairbore/daemon/state"
	"fairbore/daemon/store"
	"fairbore/daemon/web"
)

// Daemon is the program for one configuration. Make it with [New], then Run it once.
type Daemon struct {
	cfg      *config.Config
	version  string
	log      zerolog.Logger
	start    time.Time
	pace     float64 // how much faster than life time passes; 1 but in the demo
	journal  *store.Journal
	hub      *hub
	broker   *broker.Broker
	pub      *publish.Publisher
	web      *web.Server
	stations []*station
	buses    []*bus
	waits    waits
	entered  entered
	ready    chan struct{} // closed when everything runs
}

// New opens the journal, the listeners and whatever else can refuse, and starts
// nothing. If it fails, nothing stays open.
func New(ctx context.Context, cfg *config.Config, version string, log zerolog.Logger) (*Daemon, error) {
	return open(ctx, cfg, version, log, 1)
}

// open is New with a pace: time passes so many times as fast as on the wall.
func open(ctx context.Context, cfg *config.Config, version string, log zerolog.Logger, pace float64) (_ *Daemon, err error) {
	d := &Daemon{cfg: cfg, version: version, log: log, start: time.Now(), pace: pace, ready: make(chan struct{})}
	defer func() {
		if err != nil {
			err = errors.Join(err, d.release())
		}
	}()
	if d.journal, err = store.Open(ctx, store.Config{Path: cfg.Journal.Path, Log: log}); err != nil {
		return nil, err
	}
	d.hub = newHub(d.journal.ID(), func() time.Time { return d.clock().Wall })
	for i := range cfg.Stations {
		if err := d.addStation(ctx, &cfg.Stations[i]); err != nil {
			return nil, err
		}
	}
	for _, b := range d.buses {
		b.port = port.New(b.config, b.log)
	}
	if err := d.openBroker(); err != nil {
		return nil, err
	}
	d.journal.OnCommit(d.committed)
	d.journal.OnStatus(func(s store.Status) { d.hub.recording(s.Recording, s.Why) })
	if cfg.Web.Listen != "" {
		if d.web, err = web.Listen(d.pages(), d, log); err != nil {
			return nil, err
		}
	}
	return d, nil
}

// pages says what the pages show and ask.
func (d *Daemon) pages() web.Config {
	c := &d.cfg.Web
	w := web.Config{
		Listen: c.Listen, Bound: bounded(pageCrowd), Actions: c.Actions, Names: c.Names, Version: d.version, Metrics: d.metrics(), Health: d.health(),
		Jobs: d.jobs, Entry: d.entry(), History: history{d}, Records: desk{d},
	}
	if host, _, err := net.SplitHostPort(c.Listen); err == nil && c.Actions && c.Hash == "" && !loopback(host) {
		d.log.Warn().Str("page", c.Listen).Msg("anybody on the network may act at the page; give web.hash, or set web.actions to false")
	}
	if c.Hash != "" {
		w.Gate = &web.Gate{Opens: func(passphrase string) bool { return broker.Matches(c.Hash, passphrase) }, Key: []byte(c.Hash)}
	}
	return w
}

// loopback reports whether an address is reached from this machine only.
func loopback(host string) bool {
	ip, err := netip.ParseAddr(host)
	return host == "localhost" || err == nil && ip.IsLoopback()
}

func (d *Daemon) addStation(ctx context.Context, c *config.Station) error {
	past, err := d.journal.Rebuild(ctx, c.Name)
	if err != nil {
		return fmt.Errorf("station %s: rebuild from the journal: %w", c.Name, err)
	}
	set := settings(d.cfg, c)
	s := &station{
		name: c.Name, job: c.Job, session: session.New(set, past),
		chunks: make(chan told, chunksKept), requests: make(chan request), settings: make(chan state.Settings), ping: make(chan struct{}),
		journal: d.journal, hub: d.hub, clock: d.clock, stamp: d.stamp,
		log: d.log.With().Str("station", c.Name).Logger(),
	}
	if s.visits = visits(d.cfg, c, s.log); s.visits != nil {
		s.session.Watch(s.visits.Take)
	}
	ins, err := instruments(d.cfg, c)
	if err != nil {
		return fmt.Errorf("station %s: %w", c.Name, err)
	}
	s.due = make(chan *input, 4*len(ins))
	for _, in := range ins {
		in.port.Start = d.start
		l := newLine(in.name, in.decoder, s.session)
		l.scanner, l.pedal, l.does, l.spindle = in.scanner, in.pedal, in.does, in.spindle
		l.reject = s.rejected
		own := &input{line: l}
		own.ask = newAsking(l.asker, func() { s.due <- own })
		s.inputs = append(s.inputs, own)
		d.addBus(in.port, end{s, own})
	}
	d.hub.add(c.Name, c.Title, set, past)
	d.stations = append(d.stations, s)
	return nil
}

// openBroker opens the embedded broker, if there is to be one, and prepares the
// publisher for it or for the shop's.
func (d *Daemon) openBroker() error {
	b := &d.cfg.Broker
	c := publish.Config{
		Broker: b.URL, User: b.User, CAFile: b.CA, CertFile: b.Cert, KeyFile: b.Key, ClientID: b.ClientID,
		Site: d.cfg.Site, Journal: d.journal.ID(), Version: d.version, Commands: b.Commands,
	}
	for _, s := range d.stations {
		c.Stations = append(c.Stations, s.name)
	}
	if c.ClientID == "" {
		c.ClientID = "fairbore-" + d.journal.ID()[:8]
	}
	switch {
	case b.Embedded.Listen != "":
		own, err := broker.Open(brokerConfig(d.cfg), d.log)
		if err != nil {
			return err
		}
		d.broker = own
		c.Local = own
	case b.URL == "":
		return nil
	case b.Password != "":
		secret, err := os.ReadFile(b.Password)
		if err != nil {
			return fmt.Errorf("broker.password_file: %w", err)
		}
		c.Password = strings.TrimRight(string(secret), "\r\n")
	}
	pub, err := publish.New(c, d.journal, d.log)
	if err != nil {
		return err
	}
	pub.OnCommand = d.command
	d.pub, d.hub.out = pub, pub
	return nil
}

// clock reads both clocks.
func (d *Daemon) clock() session.Stamp {
	now := time.Now()
	return d.stamp(port.Moment{Wall: now, Mono: now.Sub(d.start)})
}

// stamp is when something came, at the daemon's pace.
func (d *Daemon) stamp(at port.Moment) session.Stamp {
	if d.pace == 1 {
		return session.Stamp{Wall: at.Wall.Round(0), Mono: at.Mono}
	}
	mono := time.Duration(float64(at.Mono) * d.pace)
	return session.Stamp{Wall: d.start.Round(0).Add(mono), Mono: mono}
}

// Ready is closed when everything has been started.
func (d *Daemon) Ready() <-chan struct{} { return d.ready }

// Journal returns the id of the journal.
func (d *Daemon) Journal() string { return d.journal.ID() }

// Addr returns where the page is served, "" if it isn't.
func (d *Daemon) Addr() string {
	if d.web == nil {
		return ""
	}
	return d.web.Addr()
}

// BrokerAddr returns where the embedded broker listens, "" if there is none.
func (d *Daemon) BrokerAddr() string {
	if d.broker == nil {
		return ""
	}
	return d.broker.Addr()
}

// stopIn is how long an orderly stop may take; the last sync of the journal is
// waited for without limit.
const stopIn = 5 * time.Second

// Run runs everything until ctx ends or a part fails that cannot be done
// without (the journal, or the last port is refused). It stops in the order of the
// flow: ports, so that nothing more comes in; stations, which take what came;
// the journal, which syncs it; who keeps the visits; the publisher, which sends what it can and says
// goodbye; the broker and the page. Everything has ended and is closed when Run
// returns; its error joins whatever went wrong.
func (d *Daemon) Run(ctx context.Context) error {
	in, stopPorts := context.WithCancelCause(ctx)
	defer stopPorts(nil)
	journal := d.background(func(ctx context.Context) error { return d.journal.Run(ctx) })
	var embedded, pages, publisher *part
	if d.broker != nil {
		embedded = d.background(d.broker.Run)
	}
	if d.pub != nil {
		publisher = d.background(d.pub.Run)
	}
	if d.web != nil {
		pages = d.background(d.web.Run)
	}
	quit := make(chan struct{})
	var telling sync.WaitGroup
	telling.Go(func() { d.hub.run(quit) })

	visits := map[*station]*part{}
	for _, s := range d.stations {
		if s.visits != nil {
			visits[s] = d.background(s.visits.Run)
		}
	}
	var stations sync.WaitGroup
	for _, s := range d.stations {
		stations.Go(func() {
			if err := s.run(journal.ctx); err != nil {
				stopPorts(fmt.Errorf("station %s: %w", s.name, err))
			}
		})
	}
	stations.Go(func() { d.read(in, journal.ctx, stopPorts) })
	close(d.ready)
	notify("READY=1")
	watch := d.watch(in)

	select {
	case <-in.Done():
	case <-journal.done:
		stopPorts(fmt.Errorf("journal: %w", journal.err))
	}
	notify("STOPPING=1")
	stopPorts(nil)
	var errs []error
	if cause := context.Cause(in); cause != nil && !errors.Is(cause, context.Canceled) {
		errs = append(errs, cause)
	}
	stations.Wait()
	<-watch
	errs = append(errs, journal.stop("journal", 0))
	for s, p := range visits {
		s.visits.End()
		if err := p.stop("visits", stopIn); err != nil { // of no weight beside the journal
			s.log.Error().Err(err).Msg("the disk does not take the last visits")
		}
	}
	close(quit)
	telling.Wait()
	errs = append(errs, publisher.stop("publisher", stopIn), embedded.stop("broker", stopIn), pages.stop("page", stopIn))
	errs = append(errs, d.release())
	return errors.Join(errs...)
}

// read runs the ports until ctx ends, then lets the stations end. A port that is
// refused disturbs no other; if all are, the program can't do its work, and
// stop is told why.
func (d *Daemon) read(ctx, drain context.Context, stop func(error)) {
	var ports sync.WaitGroup
	var mu sync.Mutex
	refused := map[*bus]error{}
	for _, b := range d.buses {
		ports.Go(func() {
			b.run(ctx, drain, func(err error) {
				mu.Lock()
				defer mu.Unlock()
				refused[b] = fmt.Errorf("station %s: %w", b.ends[0].station.name, err)
				if len(refused) == len(d.buses) {
					stop(errors.Join(slices.Collect(maps.Values(refused))...))
					return
				}
				b.log.Error().Err(err).Msg("port refused; the other stations go on, and it is tried again")
			})
		})
	}
	ports.Wait()
	<-ctx.Done() // a recording that is over leaves the station up
	for _, s := range d.stations {
		close(s.chunks)
	}
}

// release closes what New opened.
func (d *Daemon) release() error {
	var errs []error
	if d.web != nil {
		errs = append(errs, d.web.Close())
	}
	if d.broker != nil {
		errs = append(errs, d.broker.Close())
	}
	if d.journal != nil {
		errs = append(errs, d.journal.Close())
	}
	return errors.Join(errs...)
}

// part is something that runs beside the stations.
type part struct {
	ctx    context.Context
	cancel context.CancelFunc
	done   chan struct{}
	err    error
}

func (d *Daemon) background(run func(context.Context) error) *part {
	p := &part{done: make(chan struct{})}
	p.ctx, p.cancel = context.WithCancel(context.Background())
	go func() {
		defer close(p.done)
		p.err = run(p.ctx)
	}()
	return p
}

// stop ends the part and waits for it, at most for limit if that is not 0.
func (p *part) stop(name string, limit time.Duration) error {
	if p == nil {
		return nil
	}
	p.cancel()
	var late <-chan time.Time
	if limit > 0 {
		late = time.After(limit)
	}
	select {
	case <-p.done:
	case <-late:
		return fmt.Errorf("%s: did not stop within %s", name, limit)
	}
	if p.err != nil && !errors.Is(p.err, context.Canceled) {
		return fmt.Errorf("%s: %w", name, p.err)
	}
	return nil
}

// committed hears of records that are on disk.
func (d *Daemon) committed(records []event.Record) {
	d.hub.committed(records)
	d.waits.committed(records)
	d.entered.committed(records)
	if d.pub != nil {
		d.pub.Wake()
	}
}

// Stations implements [web.Source].
func (d *Daemon) Stations() []web.Station { return d.hub.Stations() }

// Unreached implements [web.Passing].
func (d *Daemon) Unreached() (since time.Time, waiting uint64) {
	if d.pub == nil {
		return time.Time{}, 0
	}
	s := d.pub.Status()
	switch {
	case s.Connected:
		return time.Time{}, 0
	case s.Since.IsZero(): // the first attempt is still under way
		return d.start, s.Backlog
	}
	return s.Since, s.Backlog
}

// Bore implements [web.Source].
func (d *Daemon) Bore(station string) *state.Bore { return d.hub.Bore(station) }

// Subscribe implements [web.Source].
func (d *Daemon) Subscribe(station string) web.Subscription { return d.hub.Subscribe(station) }

// Do implements [web.Source]: it carries an action out and returns when what
// came of it is on disk.
func (d *Daemon) Do(ctx context.Context, name string, a event.Action) event.Reply {
	for _, s := range d.stations {
		if s.name != name {
			continue
		}
		if a.ID == "" {
			a.ID = rand.Text()
		}
		ctx, cancel := context.WithTimeout(ctx, stopIn)
		defer cancel()
		recorded, shared := d.waits.add(a.ID)
		defer d.waits.remove(a.ID)
		reply := s.do(ctx, d.recall(ctx, name, a))
		if !reply.Done || reply.Again && !shared { // what was done before is on disk, unless the first still waits for it
			return reply
		}
		select {
		case <-recorded:
		case <-ctx.Done():
			reply.Why = analysis.Say("daemon.not_on_disk", d.journal.Status().Why)
		}
		return reply
	}
	return refused(a, analysis.Say("daemon.no_station", name))
}
