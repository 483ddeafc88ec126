// Package watch follows the stations of a site, or of all, at a broker, by the topics and
// the rule of who is alive that package publish states.
package watch

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"github.com/rs/zerolog"

	"fairbore/analysis"
	"fairbore/daemon/event"
	"fairbore/daemon/mqtt"
	"fairbore/daemon/publish"
	"fairbore/daemon/state"
)

// AllSites is the site of a watcher that follows every site of a broker.
const AllSites = "+"

// Config says where to listen, as whom, and to which site.
type Config struct {
	mqtt.Config
	Site string // one site, or AllSites
}

// check reports every fault of the configuration.
func (c *Config) check() error {
	faults := []error{c.Config.Check(), publish.CheckLevel("client id", c.ClientID)}
	if c.Site != AllSites {
		faults = append(faults, publish.CheckLevel("site", c.Site))
	}
	return errors.Join(faults...)
}

// Presence is whether a station is served, by the rule of package publish.
type Presence string

// What is known of a station's presence.
const (
	Served    Presence = "served"
	NotServed Presence = "gone"    // its daemon said so, or its last will did
	Unknown   Presence = "unknown" // no connection to the broker, or nothing heard
)

// Seen is what a watcher knows of a station.
type Seen struct {
	Site, Station string
	// Bore is the newest state, nil until there is one. It may be old: see
	// Presence. It must not be changed.
	Bore     *state.Bore
	Presence Presence
	Why      analysis.Phrase // why it isn't served, or isn't known to be
	// Heard is when the station or its daemon last said something, by this
	// computer's clock; zero if all there is was kept at the broker.
	Heard time.Time
}

// Watcher follows the stations of a site, or of all, at a broker. It forgets
// nothing that a display needs while the connection is down, but knows nothing
// of who is alive then.
//
// Everything that comes from the broker may be the work of a stranger: it is
// checked, bounded and counted. At most 500 stations are followed.
type Watcher struct {
	dialer *mqtt.Dialer
	site   string // or AllSites
	log    zerolog.Logger

	// All of these are called from one goroutine of Run, in order, and may take
	// their time: states that can't be taken meanwhile are replaced by newer
	// ones. Set them before Run.
	OnStation   func(Seen)                        // its bore or its presence has changed
	OnForgotten func(site, station string)        // what the broker kept of it was deleted
	OnLive      func(site string, l event.Live)   // of a station that is served
	OnRecord    func(site string, r event.Record) // once each, in the order of arrival
	OnStatus    func(Status)                      // Connected or Why has changed

	inbox   *inbox
	silence time.Duration // after so long without a word a daemon's state isn't known
	look    time.Duration // between two looks at what time alone changes

	mu       sync.Mutex // guards what follows
	status   Status
	stations map[place]*watched
	alives   map[place]*told
	held     int // bytes of all newest bores, as they came
	most     int // of them
	journals journals
	known    bool // Connected, as the stations were last told by it
	lost     bool // states have been dropped on the way
}

// Status is how a watcher stands. Counts are since the start.
type Status struct {
	Connected bool
	Since     time.Time       // of Connected
	Why       analysis.Phrase // why not connected

	Stations   int    // known now
	Records    uint64 // taken, without repeats
	Duplicates uint64 // records dropped as repeats
	Gaps       uint64 // steps of more than one in the numbers of a journal
	Missing    uint64 // records stepped over that have not come since

	// What was dropped, by reason.

	TooLarge     uint64 // more bytes than such a message can have
	NotJSON      uint64 // or not of the shape of such a message
	WrongStation uint64 // says that it is of another station, or came on another's topic
	TooMany      uint64 // of a station above the limit, or too much in all
	Overrun      uint64 // came faster than it could be taken
}

// dropped is the sum of what was dropped.
func (s *Status) dropped() uint64 {
	return s.TooLarge + s.NotJSON + s.WrongStation + s.TooMany + s.Overrun
}

// silence is after how long without a word from it a daemon's state isn't
// known: three of its beats, see package publish.
const silence = 30 * time.Second

// New returns a watcher for a checked configuration. It connects in Run.
func New(cfg Config, log zerolog.Logger) (*Watcher, error) {
	if err := cfg.check(); err != nil {
		return nil, err
	}
	dialer, err := mqtt.NewDialer(cfg.Config, log)
	if err != nil {
		return nil, err
	}
	return &Watcher{
		dialer: dialer, site: cfg.Site, log: log, inbox: newInbox(), silence: silence, look: time.Second, most: maxHeld,
		status: Status{Why: analysis.Say("mqtt.not_started")}, stations: map[place]*watched{}, alives: map[place]*told{}, journals: journals{of: map[journal]*numbers{}},
	}, nil
}

// Run connects, and connects again after each loss, until ctx ends; it then
// returns nil. Call it once.
func (w *Watcher) Run(ctx context.Context) error {
	var wg sync.WaitGroup
	defer wg.Wait()
	before := handed{status: w.Status()} // as whoever set the hooks knows it
	wg.Go(func() { w.take(ctx, before) })
	w.dialer.Keep(ctx, w.connection, w.tell)
	return nil
}

// Status returns how the watcher stands now.
func (w *Watcher) Status() Status {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.standing()
}

// standing adds up the status; w.mu is held.
func (w *Watcher) standing() Status {
	s := w.status
	s.Stations = len(w.stations)
	in := w.inbox.counts()
	s.TooLarge += in.TooLarge
	s.WrongStation += in.WrongStation
	s.TooMany += in.TooMany
	s.Overrun += in.Overrun
	return s
}

// Stations returns what is known now, by site and station, numbers in names in
// the order of their value.
func (w *Watcher) Stations() []Seen {
	w.mu.Lock()
	defer w.mu.Unlock()
	now := time.Now()
	list := make([]Seen, 0, len(w.stations))
	for p, s := range w.stations {
		list = append(list, w.seen(p, s, now))
	}
	slices.SortFunc(list, func(a, b Seen) int {
		return compareNames(a.Site, a.Station, b.Site, b.Station)
	})
	return list
}

// tell changes the connection state; the goroutine that takes tells of it, and
// of all the stations, of which nothing is known without a connection.
func (w *Watcher) tell(connected bool, why analysis.Phrase) {
	w.mu.Lock()
	change := w.status.Connected != connected || w.status.Why.Error() != why.Error() || w.status.Since.IsZero()
	if w.status.Connected != connected || w.status.Since.IsZero() {
		w.status.Since = time.Now()
	}
	w.status.Connected, w.status.Why = connected, why
	w.mu.Unlock()
	if change {
		w.log.Info().Bool("connected", connected).Str("why", why.Error()).Msg("broker")
		w.inbox.changed()
	}
}

// place is a topic's site and station.
type place struct{ site, station string }

func (p place) String() string { return fmt.Sprintf("%s/%s", p.site, p.station) }
