package guide

import (
	"context"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/daemon/config"
	"fairbore/daemon/listen"
	"fairbore/daemon/port"
	"fairbore/drivers"
)

// Wanted begins listening: the body of POST /setup/listen.
type Wanted struct {
	Port string `json:"port"`           // a device of [Port], or tcp://HOST:PORT, rfc2217://HOST:PORT
	Baud int    `json:"baud,omitempty"` // 0: the usual speeds are tried
	Ask  bool   `json:"ask,omitempty"`  // requests may be sent; otherwise nothing is ever sent
	Person
}

// Person is who asks, where the configuration names people.
type Person struct {
	Person string `json:"person,omitempty"`
	PIN    string `json:"pin,omitempty"`
	Badge  string `json:"badge,omitempty"`
}

// The states of listening.
const (
	Off       = ""          // nobody listens
	Listening = "listening" // the port is open, and nothing is sent
	Asking    = "asking"    // the port is open, and requests are sent
	Lost      = "lost"      // the port can't be opened or was unplugged; it goes on when it is back
	Ended     = "ended"     // by a person, for want of a browser, after the longest time, or since it can't go on
)

// The ways in which a gauge sends.
const (
	Button    = "button"    // a frame a press
	Streaming = "streaming" // by itself
	Asked     = "asked"     // when it is asked
)

// Hearing is what is known of the gauge that is listened to: an event "hearing" of GET
// /setup/listen?gauge=NAME&station=NAME, as JSON, again whenever something is new.
type Hearing struct {
	State string `json:"state"`
	Port  string `json:"port,omitempty"`
	Line  string `json:"line,omitempty"` // the setting that is tried, "9600 8N1"; "" on a network
	Asks  string `json:"asks,omitempty"` // the request that is tried
	Found bool   `json:"found"`          // frames come whole: it stays with this setting
	Says  string `json:"says"`           // what it does and waits for, a sentence
	Why   string `json:"why,omitempty"`  // why the port is lost or listening ended, and what to do

	Frames []Frame `json:"frames,omitempty"` // the newest, newest last; at most 12
	Count  int     `json:"count"`            // whole frames that came
	Kind   string  `json:"kind,omitempty"`   // Button, Streaming or Asked; "" if it can't be told yet
	Value  string  `json:"value,omitempty"`  // what the newest frame seems to say, "-0.0044"
	Unit   string  `json:"unit,omitempty"`   // mm or in; "" if no frame and no display has said it

	Shown  []Shown  `json:"shown,omitempty"`  // what the person typed, in order
	Needs  []string `json:"needs,omitempty"`  // what can't be told yet, and what is needed for it
	Unseen []string `json:"unseen,omitempty"` // what was not seen; it does no harm that it wasn't
	Sure   bool     `json:"sure"`             // nothing is needed any more
	Step   string   `json:"step,omitempty"`   // its resolution, "0.0001 mm"
	// Averages says over what time the gauge seems to average, a sentence, "" if that can't be told.
	Averages string `json:"averages,omitempty"`
	// Changes are the gauge and the station as the configuration has them, by the names that were
	// asked for. There are none until Sure.
	Changes []config.Change `json:"changes,omitempty"`
}

// Frame is something that came, or was sent.
type Frame struct {
	At    float64 `json:"at"`              // seconds since listening began
	Text  string  `json:"text"`            // with control characters as <CR>
	Means string  `json:"means,omitempty"` // "-0.0044 mm", "" if it can't be told
	Sent  bool    `json:"sent,omitempty"`
	// Damaged says that a byte came here that can't be read.
	Damaged bool `json:"damaged,omitempty"`
}

// Shown is what the gauge's own display showed, and what came of it: also the answer to POST
// /setup/listen/shown, whose body is {"text": "-0.0044 mm"}. The text "undo" takes the last one back.
type Shown struct {
	Text   string `json:"text"`
	Agrees *bool  `json:"agrees"` // null: it can't be told yet
	Says   string `json:"says"`   // in plain words
}

const (
	mostFrames = 12
	hearEvery  = 200 * time.Millisecond
	// leftFor is how long listening goes on when no page looks on, such as one that is loaded again,
	// and longestFor how long after a person began it or typed a display.
	leftFor    = 10 * time.Second
	longestFor = 20 * time.Minute
)

// ear listens on one port.
type ear struct {
	*listen.Listener
	wanted Wanted
	stop   context.CancelFunc
	done   chan struct{}

	mu      sync.Mutex // guards the fields below
	viewers int
	left    time.Time       // when the last viewer left
	touched time.Time       // when a person began it or typed a display
	why     analysis.Phrase // why it ended
}

func (e *ear) ended() bool {
	select {
	case <-e.done:
		return true
	default:
		return false
	}
}

// newest returns what listens or listened last, nil before the first.
func (d *Devices) newest() *ear {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.ear
}

// refused says why a device may not be opened, and what to do. A page names devices and addresses of
// the network, and no other files.
func (d *Devices) refused(device string) analysis.Phrase {
	c := port.Config{Name: "gauge", Device: device, Line: drivers.Serial{Baud: 9600, Data: 8, Parity: "none", Stop: 1}}
	network := strings.HasPrefix(device, "tcp://") || strings.HasPrefix(device, "rfc2217://")
	folder := d.Host.Folder()
	if c.Check() != nil || !network && (filepath.Clean(device) != device || !strings.HasPrefix(device, folder+"/")) {
		return analysis.Say("hear.refused.device", device)
	}
	if d.Uses != nil {
		real, err := filepath.EvalSymlinks(device)
		if err != nil {
			real = device
		}
		if s := d.uses(port.Device{Path: device, Node: real}); s != "" {
			return analysis.Say("hear.port.station", s)
		}
	}
	return analysis.Phrase{}
}

// Begin begins to listen. It says why it can't.
func (d *Devices) Begin(w Wanted) analysis.Phrase {
	if why := d.refused(w.Port); !why.IsZero() {
		return why
	}
	set := listen.Settings{Device: w.Port, Ask: w.Ask, Patient: true, Log: d.Log}
	if w.Baud != 0 {
		set.Line = drivers.Serial{Baud: w.Baud, Data: 8, Parity: "none", Stop: 1}
		if (port.Config{Name: "gauge", Device: w.Port, Line: set.Line}).Check() != nil {
			return analysis.Say("hear.refused.baud", w.Baud)
		}
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	switch {
	case d.closed:
		return analysis.Say("hear.ended.program")
	case d.ear != nil && !d.ear.ended():
		return analysis.Say("hear.refused.listening", d.ear.wanted.Port)
	case d.trying:
		return analysis.Say("hear.contacts.tried")
	}
	ctx, cancel := context.WithCancel(context.Background())
	w.Person = Person{}
	e := &ear{Listener: listen.NewListener(set), wanted: w, stop: cancel, done: make(chan struct{}), left: time.Now(), touched: time.Now()}
	d.ear = e
	go e.watch(ctx)
	go func() {
		defer close(e.done)
		defer cancel()
		if err := e.Listen(ctx); err != nil {
			e.end(analysis.Reason(err))
		}
	}()
	return analysis.Phrase{}
}

// watch ends listening when nobody needs it any more.
func (e *ear) watch(ctx context.Context) {
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case now := <-tick.C:
			e.mu.Lock()
			gone := e.viewers == 0 && now.Sub(e.left) > leftFor
			long := now.Sub(e.touched) > longestFor
			e.mu.Unlock()
			switch {
			case gone:
				e.end(analysis.Say("hear.ended.left"))
			case long:
				e.end(analysis.Say("hear.ended.long"))
			}
		}
	}
}

// end ends listening and notes why, unless it has ended before.
func (e *ear) end(why analysis.Phrase) {
	e.mu.Lock()
	if e.why.IsZero() {
		e.why = why
	}
	e.mu.Unlock()
	e.stop()
}

// Stop ends listening. The port is given back when it returns.
func (d *Devices) Stop() {
	if e := d.newest(); e != nil {
		e.end(analysis.Say("hear.ended.stopped"))
		<-e.done
	}
}

// Heard is what is known of the gauge that is listened to, or was; gauge and station are the names
// for the changes.
func (d *Devices) Heard(gauge, station string, f notation.Format) Hearing {
	e := d.newest()
	if e == nil {
		return Hearing{Says: f.Text("hear.says.off")}
	}
	return e.hearing(gauge, station, f)
}

func (e *ear) changes(s *listen.State, gauge, station string) (out []config.Change) {
	if s.Best == nil || !s.Best.Sure() {
		return nil
	}
	ofGauge, ofStation := s.Best.Settings(gauge, e.wanted.Port)
	for _, one := range ofGauge {
		out = append(out, config.Change{Key: []string{"gauges", gauge, one.Key}, Value: plain(one.Value)})
	}
	for _, one := range ofStation {
		out = append(out, config.Change{Key: []string{"stations", station, one.Key}, Value: plain(one.Value)})
	}
	if streams, known := s.Best.Streams(s.At); known && !streams && !s.Best.Requested() {
		out = append(out, config.Change{Key: []string{"stations", station, "capture"}, Value: "button"})
	}
	return out
}

// plain returns a value with maps in place of settings.
func plain(v any) any {
	all, ok := v.([]listen.Setting)
	if !ok {
		return v
	}
	m := map[string]any{}
	for _, s := range all {
		m[s.Key] = plain(s.Value)
	}
	return m
}

// FollowHearing sends what is known of the gauge, and again whenever something is new, until done is
// closed or the viewer has gone. gauge and station are the names for the changes.
func (d *Devices) FollowHearing(done <-chan struct{}, gauge, station string, f notation.Format, send func(v any) bool) {
	var seen *ear
	look := func(e *ear, n int) {
		if e != nil {
			e.mu.Lock()
			e.viewers, e.left = e.viewers+n, time.Now()
			e.mu.Unlock()
		}
	}
	defer func() { look(seen, -1) }()
	follow(done, hearEvery, func() Hearing {
		if e := d.newest(); e != seen {
			look(seen, -1)
			look(e, 1)
			seen = e
		}
		if seen == nil {
			return Hearing{Says: f.Text("hear.says.off")}
		}
		return seen.hearing(gauge, station, f)
	}, send)
}

// hearing says what is known.
func (e *ear) hearing(gauge, station string, f notation.Format) Hearing {
	s := e.State()
	h := Hearing{State: Listening, Port: e.wanted.Port, Asks: s.Asking, Found: s.Found, Says: f.Say(e.says(&s))}
	if s.Line.Baud > 0 {
		h.Line = s.Line.String()
	}
	e.mu.Lock()
	why := e.why
	e.mu.Unlock()
	switch {
	case e.ended():
		h.State, h.Why, h.Says = Ended, f.Say(why), f.Text("hear.says.ended")
	case !s.Up && !s.Lost.IsZero():
		h.State, h.Why = Lost, f.Say(s.Lost)
	case s.Asking != "":
		h.State = Asking
	}
	for _, p := range s.Newest {
		h.Frames = append(h.Frames, Frame{At: p.At.Seconds(), Text: p.Text, Sent: p.Is == listen.Sent, Damaged: p.Is == listen.Damaged})
	}
	for i := range s.Shown {
		h.Shown = append(h.Shown, shown(&s, i, f))
	}
	b := s.Best
	if b == nil {
		return h
	}
	if reads := b.Newest(mostFrames); len(reads) > 0 {
		h.Frames = h.Frames[:0]
		for _, r := range reads {
			h.Frames = append(h.Frames, Frame{At: r.At.Seconds(), Text: r.Text, Means: r.Value})
		}
	}
	h.Count, h.Sure = b.Agreed, s.Found && b.Sure()
	if b.Line.Baud > 0 {
		h.Line = b.Line.String()
	}
	h.Value, h.Unit = b.Value()
	if h.Unit != "" {
		h.Step = b.Step + " " + h.Unit
	}
	switch streams, known := b.Streams(s.At); {
	case b.Requested():
		h.Kind = Asked
	case streams:
		h.Kind = Streaming
	case known:
		h.Kind = Button
	}
	for _, o := range b.Open {
		h.Needs = append(h.Needs, f.Say(o))
	}
	for _, u := range b.Unseen {
		h.Unseen = append(h.Unseen, f.Say(u))
	}
	if h.Sure {
		h.Changes = e.changes(&s, gauge, station)
	}
	switch {
	case b.Interval == 0:
	case b.Averages <= b.Interval:
		h.Averages = f.Text("hear.averages.none", b.Interval)
	default:
		h.Averages = f.Text("hear.averages", b.Averages)
	}
	return h
}

// quietLong is how long nothing has come until it is said what else may be wrong.
const quietLong = time.Minute

// says what is done, and what is waited for.
func (e *ear) says(s *listen.State) analysis.Phrase {
	b := s.Best
	switch {
	case !s.Up && !s.Lost.IsZero():
		return analysis.Say("hear.says.lost")
	case s.Found && b != nil && b.Sure():
		return analysis.Say("hear.says.sure")
	case s.Found && b != nil && len(s.Shown) > 0:
		return analysis.Say("hear.says.needs")
	case s.Found:
		return analysis.Say("hear.says.whole")
	case s.Asking != "" && s.Line.Baud > 0:
		return analysis.Say("hear.says.asking", s.Asking, s.Line.String())
	case s.Asking != "":
		return analysis.Say("hear.says.asking_network", s.Asking)
	case b != nil && b.Score > 0.5:
		return analysis.Say("hear.says.more", b.Last.String())
	case s.Bytes > 0 && e.wanted.Baud > 0:
		return analysis.Say("hear.says.unreadable", s.Line.String())
	case s.Spoilt.Baud > 0:
		return analysis.Say("hear.says.next", s.Spoilt.String(), s.Line.String())
	case s.Quiet > quietLong:
		return analysis.Say("hear.says.quiet", s.Quiet.Truncate(quietLong/2))
	case s.Line.Baud > 0:
		return analysis.Say("hear.says.waiting", s.Line.String())
	}
	return analysis.Say("hear.says.waiting_network")
}

// shown says what came of a display, by the order in which they were typed.
func shown(s *listen.State, display int, f notation.Format) Shown {
	out := Shown{Text: s.Shown[display]}
	if s.Best == nil {
		out.Says = f.Text("hear.shown.unread", out.Text)
		return out
	}
	agrees, known := s.Best.Agrees(display)
	switch {
	case !known:
		out.Says = f.Text("hear.shown.unread", out.Text)
		return out
	case agrees:
		out.Says = f.Text("hear.shown.agrees", out.Text)
	default:
		out.Says = f.Text("hear.shown.differs", out.Text, s.Best.Last.String())
	}
	out.Agrees = &agrees
	return out
}

// Show notes what the gauge's own display shows, and says what came of it. ok is false if that is
// not a number, or nobody listens. The text "undo" takes the last one back.
func (d *Devices) Show(text string, f notation.Format) (out Shown, ok bool) {
	e := d.newest()
	if e == nil || e.ended() {
		return Shown{Text: text, Says: f.Text("hear.says.off")}, false
	}
	e.mu.Lock()
	e.touched = time.Now()
	e.mu.Unlock()
	if strings.EqualFold(strings.TrimSpace(text), "undo") {
		return Shown{Text: e.Undo(), Says: f.Text("hear.shown.undone")}, true
	}
	if !e.Show(text) {
		return Shown{Text: text, Says: f.Text("hear.shown.not_number", text)}, false
	}
	s := e.State()
	if len(s.Shown) == 0 {
		return Shown{Text: text, Says: f.Text("hear.shown.unread", text)}, true
	}
	return shown(&s, len(s.Shown)-1, f), true
}
