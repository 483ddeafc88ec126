// Package watch follows the stations of one site or of all sites at a broker. Package publish
// documents the topics and the rule for which stations are served.
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

// Config says how to connect to the broker and which site to follow.
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

// Presence says whether a station is served, by the rule of package publish.
type Presence string

// The values of Presence.
const (
	Served    Presence = "served"
	NotServed Presence = "gone"    // the daemon, or its last will, says so
	Unknown   Presence = "unknown" // there is no connection to the broker, or nothing was heard
)

// Seen is what a watcher knows of a station.
type Seen struct {
	Site, Station string
	// Bore is the newest state, nil until there is one. It may be out of date if Presence is not
	// Served. It must not be changed.
	Bore     *state.Bore
	Presence Presence
	Why      analysis.Phrase // why the station isn't served, or why that isn't known
	// Heard is when the station or its daemon last sent something, by this computer's clock. It is
	// zero if there were only retained messages.
	Heard time.Time
}

// Watcher follows the stations of one site or of all sites at a broker. While the connection is
// down it keeps everything that a display needs, but it does not know which stations are served.
//
// A stranger may have sent any message that comes from the broker. So the watcher checks, limits
// and counts the messages. It follows at most 500 stations.
type Watcher struct {
	dialer *mqtt.Dialer
	site   string // one site, or AllSites
	log    zerolog.Logger

	// One goroutine of Run calls all of these hooks, in order. They may be slow: a state that can't
	// be taken in the meantime is replaced by a newer one. Set them before Run.
	OnStation   func(Seen)                        // the bore or the presence has changed
	OnForgotten func(site, station string)        // the station's retained messages were deleted
	OnLive      func(site string, l event.Live)   // a live value of a station that is served
	OnRecord    func(site string, r event.Record) // each record once, in the order of arrival
	OnStatus    func(Status)                      // Connected or Why has changed

	inbox   *inbox
	silence time.Duration // see the constant silence
	look    time.Duration // time between two checks of what changes with time alone

	mu       sync.Mutex // guards the fields below
	status   Status
	stations map[place]*watched
	alives   map[place]*told
	held     int // bytes of the newest bores of all stations, as they came
	most     int // most bytes in held
	journals journals
	known    bool // the value of Connected when the stations were last told
	lost     bool // bores or alives were dropped on the way
}

// Status is the state of a watcher. It counts from the start.
type Status struct {
	mqtt.Status

	Stations   int    // stations known now
	Records    uint64 // records taken, without repeats
	Duplicates uint64 // records dropped as repeats
	Gaps       uint64 // steps of more than one in the numbers of a journal
	Missing    uint64 // records stepped over that have not come since

	// The counts of dropped messages, by reason.

	TooLarge     uint64 // the message is larger than a real message can be
	NotJSON      uint64 // the message is not JSON, or its contents are not valid
	WrongStation uint64 // the message names another station, or its topic is not that of a station
	TooMany      uint64 // there are too many stations, or too many bytes in all
	Overrun      uint64 // the message came faster than it could be taken
}

// dropped returns the number of all dropped messages.
func (s *Status) dropped() uint64 {
	return s.TooLarge + s.NotJSON + s.WrongStation + s.TooMany + s.Overrun
}

// silence is the time without an alive message after which it is unknown whether a daemon is
// online. It is three times the interval of the alive messages, see package publish.
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
		status: Status{Status: mqtt.NotStarted()}, stations: map[place]*watched{}, alives: map[place]*told{}, journals: journals{of: map[journal]*numbers{}},
	}, nil
}

// Run connects, and connects again after each loss, until ctx ends. Then it returns nil. Call it
// once.
func (w *Watcher) Run(ctx context.Context) error {
	var wg sync.WaitGroup
	defer wg.Wait()
	before := handed{status: w.Status()} // the owner of the hooks already knows this status
	wg.Go(func() { w.take(ctx, before) })
	w.dialer.Keep(ctx, w.connection, w.tell)
	return nil
}

// Status returns the present state of the watcher.
func (w *Watcher) Status() Status {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.standing()
}

// standing returns the status with the counts of the inbox added. The caller holds w.mu.
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

// Stations returns all stations that are known now, sorted by site and station. Numbers in names
// are sorted by value.
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

// tell sets the state of the connection. The goroutine that takes messages then tells the hooks the
// new state. It also tells them all stations, since their presence is unknown without a connection.
func (w *Watcher) tell(connected bool, why analysis.Phrase) {
	w.mu.Lock()
	change, now := w.status.Set(connected, why), w.status.Status
	w.mu.Unlock()
	if change {
		now.Log(w.log)
		w.inbox.changed()
	}
}

// place is the site and the station in a topic.
type place struct{ site, station string }

func (p place) String() string { return fmt.Sprintf("%s/%s", p.site, p.station) }
