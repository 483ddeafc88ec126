// Package wall serves the screen of a site. It shows all stations of the site, from the messages at
// a broker, and changes nothing.
package wall

import (
	"context"
	"crypto/rand"
	"fmt"
	"maps"
	"os"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/rs/zerolog"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/daemon/event"
	"fairbore/daemon/hub"
	"fairbore/daemon/mqtt"
	"fairbore/daemon/service"
	"fairbore/daemon/state"
	"fairbore/daemon/watch"
	"fairbore/daemon/web"
)

// Options say which broker a wall listens to and where it is served.
type Options struct {
	Broker       string // tcp://host:1883, ssl://host:8883, ws:// or wss://host:port/path
	User         string // empty: none
	PasswordFile string // the password is its first line
	CAFile       string // PEM; the only authorities trusted, empty: those of the system
	CertFile     string // PEM; the client's own certificate, with KeyFile
	KeyFile      string
	ClientID     string             // unique at the broker, empty: a random one
	Site         string             // empty or "+": all sites
	Listen       string             // host:port of the page
	Names        []string           // of the page, besides addresses and names of the shop's own network
	Language     *notation.Language // of the page; nil is English
	Version      string
	Log          zerolog.Logger
}

// Serve serves the screen of a site until ctx ends. It needs no journal and no station of its own,
// so it can run wherever the screen is. A station that it can't hear is shown as out of reach.
func Serve(ctx context.Context, o Options) error {
	w, err := newWall(&o)
	if err != nil {
		return err
	}
	page, err := web.Listen(web.Config{Wall: true, Listen: o.Listen, Names: o.Names, Language: o.Language, Version: o.Version}, w, o.Log)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithCancel(ctx)
	var watching sync.WaitGroup
	var lost error
	watching.Go(func() { lost = w.watcher.Run(ctx) })
	o.Log.Info().Str("page", web.URL(page.Addr())).Str("broker", o.Broker).Str("site", o.Site).Msg("wall started")
	service.Notify("READY=1")
	watching.Go(func() { service.Status(ctx, w.standing) })
	err = page.Run(ctx)
	service.Notify("STOPPING=1")
	cancel()
	watching.Wait()
	if err == nil {
		err = lost
	}
	return err
}

// wall shows the stations that a watcher sees.
type wall struct {
	watcher *watch.Watcher
	all     bool // all sites are shown
	viewers hub.Viewers

	mu    sync.Mutex             // guards the fields below; taken before the lock of viewers
	tiles map[string]*state.Bore // what is shown of each station
	empty *state.Bore            // shown while there are no stations
}

// nobody is the name of the tile on an empty wall, which says why it is empty. No station can have
// that name.
const nobody = "no.station.yet"

func newWall(o *Options) (*wall, error) {
	c := watch.Config{
		Config: mqtt.Config{Broker: o.Broker, User: o.User, CAFile: o.CAFile, CertFile: o.CertFile, KeyFile: o.KeyFile, ClientID: o.ClientID},
		Site:   o.Site,
	}
	if c.Site == "" {
		c.Site = watch.AllSites
	}
	if c.ClientID == "" {
		c.ClientID = "fairbore-wall-" + rand.Text()[:8]
	}
	if o.PasswordFile != "" {
		secret, err := os.ReadFile(o.PasswordFile)
		if err != nil {
			return nil, fmt.Errorf("password file: %w", err)
		}
		c.Password, _, _ = strings.Cut(string(secret), "\n")
		c.Password = strings.TrimRight(c.Password, "\r")
	}
	watcher, err := watch.New(c, o.Log)
	if err != nil {
		return nil, err
	}
	w := &wall{watcher: watcher, all: c.Site == watch.AllSites, tiles: map[string]*state.Bore{}}
	watcher.OnStation = func(s watch.Seen) { w.show(&s, time.Now()) }
	watcher.OnForgotten = w.forget
	watcher.OnStatus = w.status
	w.status(watcher.Status())
	watcher.OnRecord = w.record
	watcher.OnLive = w.live
	return w, nil
}

// standing says in a line for the service manager how the wall does.
func (w *wall) standing() string {
	s := w.watcher.Status()
	if s.Connected {
		return fmt.Sprintf("%d stations", s.Stations)
	}
	return "broker lost: " + notation.Format{}.Say(s.Why)
}

// name returns the name of a station in addresses. With several sites it has site and station,
// separated by a dot, which neither of them can contain.
func (w *wall) name(site, station string) string {
	if w.all {
		return site + "." + station
	}
	return station
}

// show takes in what the watcher sees of a station.
func (w *wall) show(s *watch.Seen, now time.Time) {
	name := w.name(s.Site, s.Station)
	var b *state.Bore
	switch {
	case s.Presence != watch.Served:
		b = outOfReach(name, s.Bore, noWord(s, now))
	case s.Bore == nil:
		b = outOfReach(name, nil, analysis.Say("wall.told_nothing"))
	default:
		here := *s.Bore
		here.Station = name
		b = &here
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	w.tiles[name] = b
	w.viewers.Show(b)
}

// status takes in the state of the watcher, for a wall that has nothing else to show.
func (w *wall) status(s watch.Status) {
	why := analysis.Say("wall.empty")
	if !s.Connected {
		why = analysis.Say("wall.no_broker", s.Why)
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	w.empty = outOfReach(nobody, nil, why)
	if len(w.tiles) == 0 {
		w.viewers.Show(w.empty)
	}
}

// forget removes a station from the wall, and tells those who still look at it.
func (w *wall) forget(site, station string) {
	name := w.name(site, station)
	w.mu.Lock()
	defer w.mu.Unlock()
	b := outOfReach(name, w.tiles[name], analysis.Say("wall.taken_off"))
	delete(w.tiles, name)
	w.viewers.Show(b)
}

func (w *wall) record(site string, r event.Record) {
	r.Station = w.name(site, r.Station)
	w.viewers.Event(&r)
}

func (w *wall) live(site string, l event.Live) {
	l.Station = w.name(site, l.Station)
	w.viewers.Live(l)
}

// noWord says since when nothing is known of a station, and why. A time from before the start of
// the wall is a time of the station's own clock.
func noWord(s *watch.Seen, now time.Time) analysis.Phrase {
	since := s.Heard
	if since.IsZero() && s.Bore != nil {
		since = s.Bore.At
	}
	switch {
	case since.IsZero():
		return analysis.Say("wall.no_word", s.Why)
	case now.Sub(since).Abs() < 12*time.Hour:
		return analysis.Say("wall.no_word_since", analysis.Clock(since.Local()), s.Why)
	}
	return analysis.Say("wall.no_word_since", since.Local(), s.Why)
}

// outOfReach returns the state of a bore of which nothing is known now. What was on the machine
// stays; every size and verdict goes, since the work may have gone on and nobody may act on an old
// size.
func outOfReach(name string, was *state.Bore, why analysis.Phrase) *state.Bore {
	why.Text = notation.Format{}.Say(why) // for receivers without a catalogue
	b := &state.Bore{Station: name, State: event.CannotJudge, Why: why, Recording: true, Warning: why}
	b.Now = state.Now{Is: state.NoSignal, Sentence: analysis.Say("now.no_signal"), Reason: why}
	b.Master.Why = why
	b.Gauge = &event.InstrumentState{Lost: true, Why: why}
	if was == nil {
		return b
	}
	b.Journal, b.Seq, b.At = was.Journal, was.Seq, was.At
	b.Job, b.Part, b.Round, b.Basis = was.Job, was.Part, was.Round, was.Round
	if was.Gauge != nil {
		b.Gauge.Name = was.Gauge.Name
	}
	return b
}

// Stations implements [web.Source]. The list is sorted by site and name.
func (w *wall) Stations() []web.Station {
	seen := w.watcher.Stations()
	w.mu.Lock()
	defer w.mu.Unlock()
	if len(w.tiles) == 0 {
		return []web.Station{{Name: nobody, Title: "no station yet"}}
	}
	var list []web.Station
	for _, s := range seen {
		name, title := w.name(s.Site, s.Station), s.Station
		if w.all {
			title = s.Site + "/" + s.Station
		}
		if _, shown := w.tiles[name]; shown {
			list = append(list, web.Station{Name: name, Title: title})
		}
	}
	return list
}

// Bore implements [web.Source].
func (w *wall) Bore(station string) *state.Bore {
	w.mu.Lock()
	defer w.mu.Unlock()
	if len(w.tiles) == 0 && station == nobody {
		return w.empty
	}
	return w.tiles[station]
}

// Subscribe implements [web.Source]. The viewer first gets the current state.
func (w *wall) Subscribe(station string) web.Subscription {
	w.mu.Lock()
	defer w.mu.Unlock()
	standing := slices.Collect(maps.Values(w.tiles))
	if len(standing) == 0 {
		standing = []*state.Bore{w.empty}
	}
	return w.viewers.Subscribe(station, standing...)
}

// Do implements [web.Source]. It refuses every action, since a wall only shows.
func (w *wall) Do(_ context.Context, _ string, a event.Action) event.Reply {
	return event.Reply{ID: a.ID, Do: a.Do, Why: analysis.Say("daemon.wall_shows")}
}
