// Package daemon joins ports, drivers, sessions, the journal, the publisher and the pages into one
// program. It owns all goroutines of the program.
//
// The bytes of a gauge flow one way: port → drivers → session → journal, and once they are on disk,
// on to the broker and the pages. [Daemon.Run] says what starts and stops in which order.
package daemon

import (
	"cmp"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/rs/zerolog"

	"fairbore/analysis"
	"fairbore/analysis/material"
	"fairbore/analysis/notation"
	"fairbore/daemon/archive"
	"fairbore/daemon/broker"
	"fairbore/daemon/config"
	"fairbore/daemon/event"
	"fairbore/daemon/head"
	"fairbore/daemon/hub"
	"fairbore/daemon/limit"
	"fairbore/daemon/line"
	"fairbore/daemon/mqtt"
	"fairbore/daemon/port"
	"fairbore/daemon/publish"
	"fairbore/daemon/service"
	"fairbore/daemon/session"
	"fairbore/daemon/setup"
	"fairbore/daemon/state"
	"fairbore/daemon/store"
	"fairbore/daemon/web"
	"fairbore/daemon/web/guide"
	"fairbore/drivers"
)

// Daemon is the program for one configuration. [New] makes it; Run may be called once.
type Daemon struct {
	cfg      *config.Config
	version  string
	log      zerolog.Logger
	start    time.Time
	speed    float64 // how many times faster than real time the clock runs; 1 except in the demo
	journal  *store.Journal
	hub      *hub.Hub
	broker   *broker.Broker
	pub      *publish.Publisher
	web      *web.Server
	stations []*station
	buses    line.Buses
	guesses  *limit.Guesses // of all passwords
	pending  pendingActions
	entered  enteredJobs
	signer   *head.Signer  // nil: heads are not signed
	accepted chan struct{} // a part was accepted, and its head is not told yet
	ready    chan struct{} // closed when everything is running

	file       *file  // nil: the configuration can't be changed while it runs
	listen     string // the address of the page, if it is not that of the configuration
	configured atomic.Pointer[config.Config]
	leaving    bool        // it ends to begin anew; the file guards it
	leave      func(error) // ends it
}

// errAnew is why a daemon ends that begins anew with another configuration.
var errAnew = errors.New("another configuration")

// New opens the journal, the listeners and whatever else can fail, and starts nothing. If it fails,
// nothing stays open.
func New(ctx context.Context, cfg *config.Config, version string, log zerolog.Logger) (*Daemon, error) {
	return NewAtSpeed(ctx, cfg, version, log, 1)
}

// NewAtSpeed is like New, but the daemon's clock runs faster than real time by the factor speed.
func NewAtSpeed(ctx context.Context, cfg *config.Config, version string, log zerolog.Logger, speed float64) (*Daemon, error) {
	return open(ctx, &Daemon{cfg: cfg, version: version, log: log, speed: speed})
}

// open opens what a daemon needs.
func open(ctx context.Context, d *Daemon) (_ *Daemon, err error) {
	cfg, log := d.cfg, d.log
	d.start, d.guesses = time.Now(), limit.NewGuesses(time.Now)
	d.ready, d.accepted = make(chan struct{}), make(chan struct{}, 1)
	d.configured.Store(cfg)
	defer func() {
		if err != nil {
			err = errors.Join(err, d.release())
		}
	}()
	if d.journal, err = store.Open(ctx, store.Config{Path: cfg.Journal.Path, DumpDir: cfg.Journal.Spill, Log: log}); err != nil {
		return nil, err
	}
	if d.signer, err = setup.Signer(cfg); err != nil {
		return nil, err
	}
	d.hub = hub.New(d.journal.ID(), d.Now)
	d.buses.Stamp = d.stamp
	for i := range cfg.Stations {
		if err := d.addStation(ctx, &cfg.Stations[i]); err != nil {
			return nil, err
		}
	}
	d.buses.Open()
	if err := d.openBroker(); err != nil {
		return nil, err
	}
	d.journal.OnCommit(d.committed)
	d.journal.OnStatus(func(s store.Status) { d.hub.Recording(s.Recording, s.Why) })
	if cfg.Web.Listen != "" {
		if d.web, err = web.Listen(d.pages(), d, log); err != nil {
			return nil, err
		}
	}
	return d, nil
}

// pages returns the configuration of the pages.
func (d *Daemon) pages() web.Config {
	c := &d.cfg.Web
	w := web.Config{
		Listen: cmp.Or(d.listen, c.Listen), Simulated: d.cfg.Simulated, Speed: d.speed, Zone: d.cfg.Location(), Language: notation.Spoken(d.cfg.Language), Actions: c.Actions, Names: c.Names, Proxies: c.Trusted(), Version: d.version, Metrics: d.metrics(), Health: d.health(),
		Jobs: d.jobs, Entry: d.entry(),
		History: archive.History{Journal: d.journal, Zone: d.cfg.Location()},
		Records: archive.Exporter{Path: d.cfg.Journal.Path, Status: d.journal.Status, Sign: d.signer.Sign},
		Card: func(out io.Writer, c web.Card, f notation.Format) error {
			set, _ := d.hub.Settings(c.Name)
			return archive.Card(out, &set, c, f)
		},
	}
	if d.file != nil {
		w.Setup, w.Certificates = changing{d}, filepath.Join(filepath.Dir(d.file.path), config.Certificates)
		w.Guide = &guide.Guide{
			Name: filepath.Base(d.file.path), Drafts: &guide.Drafts{Path: d.file.path + ".draft"}, Hash: broker.Hash, Least: broker.LeastPassword,
			Jobs: d.jobs, Materials: material.Names(), Now: d.Now,
		}
	}
	w.People = &web.People{Settings: d.settings, Opens: broker.Matches, Guesses: d.guesses}
	w.Devices = guide.NewDevices(guide.Machine{Uses: d.cfg.Uses, Wired: d.wired, Log: d.log})
	if c.Hash != "" {
		w.Gate = &web.Gate{
			Opens: func(passphrase string) bool { return broker.Matches(c.Hash, passphrase) }, Mark: c.Hash, Secure: c.Secure,
			Sessions: web.OpenSessions(d.cfg.Journal.Path+"-sessions", d.log), Guesses: d.guesses,
		}
	}
	return w
}

// settings returns the settings of a station, or for "" the people alone.
func (d *Daemon) settings(station string) (state.Settings, bool) {
	if station == "" {
		return setup.Everybody(d.configured.Load()), true
	}
	return d.hub.Settings(station)
}

// wired returns the port of a station's gauge, and which of its contacts are the pedal and the spindle.
func (d *Daemon) wired(station string) (p *port.Port, pedal, spindle string) {
	for i, s := range d.stations {
		if c := &d.cfg.Stations[i]; s.name == station {
			return s.inputs[0].Port(), c.Pedal.Line, c.Spindle
		}
	}
	return nil, "", ""
}

// settingsOf returns the settings of a station by a configuration.
func (d *Daemon) settingsOf(cfg *config.Config, c *config.Station) state.Settings {
	set := setup.Settings(cfg, c)
	set.Program = d.version
	return set
}

func (d *Daemon) addStation(ctx context.Context, c *config.Station) error {
	past, err := d.journal.Rebuild(ctx, c.Name)
	if err != nil {
		return fmt.Errorf("station %s: rebuild from the journal: %w", c.Name, err)
	}
	set := d.settingsOf(d.cfg, c)
	s := &station{
		name: c.Name, job: c.Job, session: session.New(set, past),
		chunks: make(chan line.Heard, chunksKept), requests: make(chan request), settings: make(chan state.Settings), ping: make(chan struct{}),
		journal: d.journal, pending: &d.pending, hub: d.hub, clock: d.clock,
		log: d.log.With().Str("station", c.Name).Logger(),
	}
	s.session.Recall = func(a event.Action) event.Action {
		full, err := d.recall(context.Background(), s.name, a)
		if err != nil { // the part then begins without its earlier record
			s.log.Warn().Err(err).Msg("what the journal knows of a scanned part")
		}
		return full
	}
	if s.visits = setup.Visits(d.cfg, c, s.log); s.visits != nil {
		s.session.Trace(s.visits.Take)
	}
	instruments, err := setup.Instruments(d.cfg, c)
	if err != nil {
		return fmt.Errorf("station %s: %w", c.Name, err)
	}
	s.due = make(chan *line.Input, 4*len(instruments))
	for _, in := range instruments {
		in.Port.Start = d.start
		l := line.New(in, s.session)
		l.Reject, l.Declined = s.rejected, s.declined
		s.inputs = append(s.inputs, d.buses.Add(c.Name, l, s.chunks, s.due, s.log))
	}
	d.hub.Add(set, past)
	d.stations = append(d.stations, s)
	return nil
}

// openBroker opens the embedded broker, if there is one, and prepares the publisher for it or for
// the shop's broker.
func (d *Daemon) openBroker() error {
	b := &d.cfg.Broker
	if len(d.stations) == 0 { // there is nothing to tell yet
		return nil
	}
	c := publish.Config{
		Config: mqtt.Config{Broker: b.URL, User: b.User, CAFile: b.CA, CertFile: b.Cert, KeyFile: b.Key, ClientID: b.ClientID},
		Site:   d.cfg.Site, Journal: d.journal.ID(), Version: d.version, Commands: b.Commands,
	}
	for _, s := range d.stations {
		c.Stations = append(c.Stations, s.name)
		if set, _ := d.hub.Settings(s.name); set.Simulated {
			c.Simulated = append(c.Simulated, s.name)
		}
	}
	if c.ClientID == "" {
		c.ClientID = "fairbore-" + d.journal.ID()[:8]
	}
	switch {
	case b.Embedded.Listen != "":
		own, err := broker.Open(setup.Broker(d.cfg, d.guesses), d.log)
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
	d.pub, d.hub.Publisher = pub, pub
	return nil
}

// Now returns the time of the daemon's clock.
func (d *Daemon) Now() time.Time { return d.clock().Wall }

// clock reads both clocks.
func (d *Daemon) clock() drivers.Moment {
	now := time.Now()
	return d.stamp(drivers.Moment{Wall: now, Mono: now.Sub(d.start)})
}

// stamp converts a moment of real time to the daemon's clock.
func (d *Daemon) stamp(at drivers.Moment) drivers.Moment {
	if d.speed == 1 {
		return drivers.Moment{Wall: at.Wall.Round(0).In(d.cfg.Location()), Mono: at.Mono}
	}
	mono := time.Duration(float64(at.Mono) * d.speed)
	return drivers.Moment{Wall: d.start.Round(0).Add(mono).In(d.cfg.Location()), Mono: mono}
}

// Ready is closed once everything has started.
func (d *Daemon) Ready() <-chan struct{} { return d.ready }

// Queued returns how many events wait for the disk.
func (d *Daemon) Queued() int { return d.journal.Status().Queued }

// Addr returns the address of the page, "" if it is not served.
func (d *Daemon) Addr() string {
	if d.web == nil {
		return ""
	}
	return d.web.Addr()
}

// BrokerAddr returns the address of the embedded broker, "" if there is none.
func (d *Daemon) BrokerAddr() string {
	if d.broker == nil {
		return ""
	}
	return d.broker.Addr()
}

// stopIn is how long an orderly stop may take. The last sync of the journal has no limit.
const stopIn = 5 * time.Second

// Run runs everything until ctx ends, or until something essential fails: the journal, or the last
// port. It stops the parts in the order in which the data flow: the ports, so that nothing more
// comes in; the stations, which handle what has come in; the journal, which syncs it to disk; the
// keepers of visits; the publisher, which sends what it can and says goodbye to the broker; the
// broker and the page. When Run returns everything has ended and is closed. Its error joins all
// errors.
func (d *Daemon) Run(ctx context.Context) error {
	in, stopPorts := context.WithCancelCause(ctx)
	defer stopPorts(nil)
	journal := start("journal", d.journal.Run)
	telling := start("hub", func(ctx context.Context) error { d.hub.Run(ctx.Done()); return nil })
	outside := d.startOutside()
	visits := d.startVisits()
	var stations sync.WaitGroup
	for _, s := range d.stations {
		stations.Go(func() {
			if err := s.run(journal.ctx); err != nil {
				stopPorts(fmt.Errorf("station %s: %w", s.name, err))
			}
		})
	}
	stations.Go(func() { d.read(in, journal.ctx, stopPorts) })
	stations.Go(func() { service.Watchdog(in, d.alive) })
	if d.pub != nil {
		stations.Go(func() { head.Every(in, d.accepted, func() { d.tellHead(in) }) })
	}
	close(d.ready)
	service.Notify("READY=1")
	stations.Go(func() { service.Status(in, d.standing) })

	select {
	case <-in.Done():
	case <-journal.done:
		stopPorts(fmt.Errorf("journal: %w", journal.err))
	}
	if errors.Is(context.Cause(ctx), errAnew) {
		service.Reloading()
	} else {
		service.Notify("STOPPING=1")
	}
	stopPorts(nil)
	stations.Wait()
	var errs []error
	if cause := context.Cause(in); !errors.Is(cause, context.Canceled) && !errors.Is(cause, errAnew) {
		errs = append(errs, cause)
	}
	errs = append(errs, journal.stop(0))
	visits()
	errs = append(errs, telling.stop(0))
	for _, p := range outside {
		errs = append(errs, p.stop(stopIn))
	}
	return errors.Join(append(errs, d.release())...)
}

// startOutside starts the parts that talk to others. It returns them in the order in which they
// must stop: the publisher says goodbye while the broker still runs.
func (d *Daemon) startOutside() (all []*task) {
	if d.broker != nil {
		all = append(all, start("broker", d.broker.Run))
	}
	if d.pub != nil {
		all = slices.Insert(all, 0, start("publisher", d.pub.Run))
	}
	if d.web != nil {
		all = append(all, start("page", d.web.Run))
	}
	return all
}

// startVisits starts the keepers of visits. Its stop waits until the last visits are on disk. A
// failure to write them does not stop the program.
func (d *Daemon) startVisits() (stop func()) {
	keepers := map[*station]*task{}
	for _, s := range d.stations {
		if s.visits != nil {
			keepers[s] = start("visits", s.visits.Run)
		}
	}
	return func() {
		for s, p := range keepers {
			s.visits.End()
			if err := p.stop(stopIn); err != nil {
				s.log.Error().Err(err).Msg("the disk does not take the last visits")
			}
		}
	}
}

// read runs the ports until ctx ends, then lets the stations end. A recording that has ended leaves
// its station running.
func (d *Daemon) read(ctx, drain context.Context, stop func(error)) {
	d.buses.Run(ctx, drain, stop)
	<-ctx.Done()
	for _, s := range d.stations {
		close(s.chunks)
	}
}

// alive reports whether the goroutine of every station answers in time.
func (d *Daemon) alive(ctx context.Context, limit time.Duration) bool {
	ctx, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	for _, s := range d.stations {
		select {
		case s.ping <- struct{}{}:
		case <-ctx.Done():
			return false
		}
	}
	return true
}

// release closes everything that New opened.
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

// committed takes in records that are now on disk.
func (d *Daemon) committed(records []event.Record) {
	d.hub.Committed(records)
	d.pending.committed(records)
	d.entered.committed(records)
	if d.pub != nil {
		d.pub.Wake()
	}
	if slices.ContainsFunc(records, func(r event.Record) bool { return r.Verdict != nil && r.Verdict.Passes() }) {
		select {
		case d.accepted <- struct{}{}:
		default:
		}
	}
}

// tellHead publishes the head of the journal as it is now.
func (d *Daemon) tellHead(ctx context.Context) {
	last := d.journal.Last()
	if last == 0 {
		return
	}
	h, err := d.journal.Head(ctx, last)
	if err != nil {
		if ctx.Err() == nil {
			d.log.Warn().Err(err).Msg("the head of the journal is not published")
		}
		return
	}
	d.signer.Sign(&h)
	d.pub.Head(h)
}

// Stations implements [web.Source].
func (d *Daemon) Stations() []web.Station {
	list := make([]web.Station, len(d.cfg.Stations))
	for i := range list {
		list[i] = web.Station{Name: d.cfg.Stations[i].Name, Title: d.cfg.Stations[i].Title}
	}
	return list
}

// Unreached implements [web.Passing].
func (d *Daemon) Unreached() (since time.Time, waiting uint64) {
	if d.pub == nil {
		return time.Time{}, 0
	}
	s := d.pub.Status()
	switch {
	case s.Connected:
		return time.Time{}, 0
	case s.Since.IsZero(): // the first attempt is still going on
		return d.start, s.Backlog
	}
	return s.Since, s.Backlog
}

// Bore implements [web.Source].
func (d *Daemon) Bore(station string) *state.Bore { return d.hub.Bore(station) }

// Subscribe implements [web.Source].
func (d *Daemon) Subscribe(station string) web.Subscription { return d.hub.Subscribe(station) }

// Do implements [web.Source]: it carries out an action and returns once the result is on disk. If
// the disk takes longer than stopIn, or ctx ends first, the reply is pending.
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
		reply := event.Reply{ID: a.ID, Do: a.Do, Done: true}
		if d.pending.recorded(name, a.ID) == nil { // otherwise the action is carried out already
			full, err := d.recall(ctx, name, a)
			if err != nil {
				return refused(a, analysis.Say("daemon.not_read", err))
			}
			reply = s.do(ctx, full)
		}
		recorded := d.pending.recorded(name, a.ID)
		if !reply.Done || recorded == nil {
			return reply
		}
		select {
		case <-recorded:
		case <-ctx.Done():
			reply.Done, reply.Pending, reply.Why = false, true, d.notOnDisk()
		}
		return reply
	}
	return refused(a, analysis.Say("daemon.no_station", name))
}

// notOnDisk says why an action that was carried out is not on disk yet.
func (d *Daemon) notOnDisk() analysis.Phrase {
	why := d.journal.Status().Why
	if why.IsZero() {
		why = analysis.Say("store.behind")
	}
	return analysis.Say("daemon.not_on_disk", why)
}

// task is something that runs beside the stations.
type task struct {
	name   string
	ctx    context.Context
	cancel context.CancelFunc
	done   chan struct{}
	err    error
}

// start runs a task until it is stopped or fails.
func start(name string, run func(context.Context) error) *task {
	p := &task{name: name, done: make(chan struct{})}
	p.ctx, p.cancel = context.WithCancel(context.Background())
	go func() {
		defer close(p.done)
		p.err = run(p.ctx)
	}()
	return p
}

// stop ends the task and waits for it, no longer than limit unless that is 0.
func (p *task) stop(limit time.Duration) error {
	p.cancel()
	var late <-chan time.Time
	if limit > 0 {
		late = time.After(limit)
	}
	select {
	case <-p.done:
	case <-late:
		return fmt.Errorf("%s: did not stop within %s", p.name, limit)
	}
	if p.err != nil && !errors.Is(p.err, context.Canceled) {
		return fmt.Errorf("%s: %w", p.name, p.err)
	}
	return nil
}
