package listen

import (
	"context"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/rs/zerolog"

	"fairbore/analysis"
	"fairbore/drivers"
)

// Settings say how to listen.
type Settings struct {
	Device string
	Line   drivers.Serial // for a serial line; Baud 0: try the usual settings
	Ask    bool           // allow requests; otherwise nothing is ever sent
	// Patient says that somebody is there. Settings are then tried again and again, as long as it
	// takes, and a port that is lost is waited for. Otherwise each setting is tried once.
	Patient bool
	For     time.Duration // how long to wait for a gauge with each setting; 0: 3 s, or 30 s if Patient
	Log     zerolog.Logger
	Now     func() time.Time // nil: time.Now
	Tell    func(Passing)    // is told what passes, in the goroutine of Listen; nil: nobody is
}

// What passes while a [Listener] listens.
const (
	Trying  = iota // a setting of the line, and a request in Text if there is one
	Came           // bytes, of one frame if it ends with a control character
	Damaged        // a byte that can't be read
	Sent           // a request
	Gone           // the line was lost
	Whole          // frames come whole; Text is the request that they answer to, if there is one
)

// Passing is something that passes.
type Passing struct {
	Is   int
	At   time.Duration // since listening began
	Line drivers.Serial
	Text string // what came or was sent, as a person can read it; why the line was lost
}

const (
	listenFor  = 3 * time.Second
	patientFor = 30 * time.Second
	askFor     = 1200 * time.Millisecond
	quietFor   = 4 * time.Second // how long a gauge that may be asked is waited for before it is asked
	// guessEvery is the least time between two guesses, and guessShare how much of the time they may
	// take at most: one part in so many.
	guessEvery = 400 * time.Millisecond
	guessShare = 5
	goodFrames = 3 // frames of one kind that are no chance
)

// Listener listens to a gauge on one port. It tries one setting of the line after another until
// frames come whole, and stays there. [Listener.Listen] does it; the other methods may be called
// from any goroutine meanwhile.
type Listener struct {
	Settings
	start time.Time

	mu    sync.Mutex // guards the fields below
	heard []*Heard   // a setting each
	state State
	came  time.Duration // when something came last, with any setting
	last  time.Duration // when state.Best was worked out
	cost  time.Duration // how long that took
}

// State is what a Listener does and knows.
type State struct {
	Line   drivers.Serial  // the setting that is tried; zero on a network
	Asking string          // the request that is tried
	Up     bool            // the port is open
	Lost   analysis.Phrase // why it is not open
	Found  bool            // frames come whole: it stays with this setting
	// Spoilt is the setting before, if what came with it could not be read.
	Spoilt drivers.Serial
	Bytes  int       // that came with this setting
	Newest []Passing // what came and was sent with this setting, at most newestMost
	Shown  []string  // the displays that were typed with this setting
	Best   *Proposal // nil: nothing can be read
	At     time.Duration
	Quiet  time.Duration // how long nothing has come, with any setting
}

// newestMost is how much of what passed is kept to be shown.
const newestMost = 12

// NewListener returns a listener. It opens nothing.
func NewListener(s Settings) *Listener {
	if s.Now == nil {
		s.Now = time.Now
	}
	if s.For == 0 {
		s.For = listenFor
		if s.Patient {
			s.For = patientFor
		}
	}
	return &Listener{Settings: s, start: s.Now()}
}

func (l *Listener) at() time.Duration { return l.Now().Sub(l.start) }

// tell keeps what passes, and tells it.
func (l *Listener) tell(p Passing) {
	l.mu.Lock()
	switch s := &l.state; p.Is {
	case Trying:
		*s = State{Line: p.Line, Asking: p.Text, Spoilt: s.Spoilt, Lost: s.Lost}
	case Came, Damaged, Sent:
		if p.Is != Sent {
			l.came = p.At
		}
		s.Newest = append(s.Newest, p)
		if len(s.Newest) > newestMost {
			s.Newest = slices.Clone(s.Newest[1:])
		}
	case Whole:
		s.Found = true
	}
	l.mu.Unlock()
	if l.Tell != nil {
		l.Tell(p)
	}
}

// State returns what is known now. The caller must not change what Best leads to.
func (l *Listener) State() State {
	l.mu.Lock()
	defer l.mu.Unlock()
	s := l.state
	s.Newest, s.At = slices.Clone(s.Newest), l.at()
	s.Quiet = s.At - l.came
	if h := l.current(); h != nil {
		for _, d := range h.Shown {
			s.Shown = append(s.Shown, d.Text)
		}
	}
	return s
}

// Evidence returns what was heard with each setting.
func (l *Listener) Evidence() (all []Heard) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, h := range l.heard {
		all = append(all, *h)
	}
	return all
}

// current returns what was heard with the setting of now, nil before the first. mu is held.
func (l *Listener) current() *Heard {
	if len(l.heard) == 0 {
		return nil
	}
	return l.heard[len(l.heard)-1]
}

// Show notes what the gauge's own display shows now. It reports whether that is a number.
func (l *Listener) Show(text string) bool {
	s := Shown{Text: strings.TrimSpace(text), At: l.at()}
	l.mu.Lock()
	h := l.current()
	_, ok := s.read()
	if ok = ok && h != nil; ok {
		h.Shown = append(h.Shown, s)
		if len(h.Shown) > shownMost {
			h.Shown = slices.Clone(h.Shown[1:])
		}
	}
	l.mu.Unlock()
	if ok {
		l.guess()
	}
	return ok
}

// Undo takes the newest display back, and returns it; "" if there is none.
func (l *Listener) Undo() (text string) {
	l.mu.Lock()
	if h := l.current(); h != nil && len(h.Shown) > 0 {
		last := len(h.Shown) - 1
		text, h.Shown = h.Shown[last].Text, slices.Clone(h.Shown[:last])
	}
	l.mu.Unlock()
	l.guess()
	return text
}

// guess works out what can be read with the setting of now.
func (l *Listener) guess() {
	began := l.Now()
	l.mu.Lock()
	h := l.current()
	if h == nil {
		l.mu.Unlock()
		return
	}
	evidence := *h // entries and displays are only appended to, or made anew
	l.mu.Unlock()
	ps := Guess([]Heard{evidence})
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.current() != h {
		return
	}
	l.state.Best = nil
	if len(ps) > 0 {
		l.state.Best = &ps[0]
	}
	l.last, l.cost = l.at(), l.Now().Sub(began)
}

// due reports whether a guess may be made again.
func (l *Listener) due() bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.at()-l.last >= max(guessEvery, guessShare*l.cost)
}

// Listen listens until ctx ends or, unless it is patient, until all settings were tried. It fails if
// the port can't be opened in a way that waiting doesn't mend.
func (l *Listener) Listen(ctx context.Context) error {
	for {
		found, err := l.sweep(ctx)
		if err == nil && !found && l.Ask && ctx.Err() == nil {
			found, err = l.ask(ctx)
		}
		if err != nil || found || !l.Patient || ctx.Err() != nil {
			return err
		}
	}
}

// sweep listens with one setting after another. It stays with the first that gives whole frames.
func (l *Listener) sweep(ctx context.Context) (found bool, err error) {
	all := l.lines(listenLines())
	for lines := all; len(lines) > 0; lines = lines[1:] {
		t := taking{Listener: l, line: lines[0], stays: len(all) == 1 && l.Patient && !l.Ask, limit: l.For}
		if l.Patient && l.Ask {
			t.limit = quietFor
		}
		if found, err := t.run(ctx); found || err != nil || ctx.Err() != nil {
			return found, err
		}
		if l.Patient && l.Ask && !t.came { // it says nothing by itself, whatever the speed
			return false, nil
		}
		lines = next(lines, t.heard)
	}
	return false, nil
}

// ask asks with one setting and one request after another.
func (l *Listener) ask(ctx context.Context) (found bool, err error) {
	for _, line := range l.lines(askLines()) {
		for _, p := range probes(l.Device) {
			t := taking{Listener: l, line: line, probe: p, limit: askFor}
			if found, err := t.run(ctx); found || err != nil || ctx.Err() != nil {
				return found, err
			}
		}
	}
	return false, nil
}

// lines returns the settings to try: those of the settings, or none on a network.
func (l *Listener) lines(usual []drivers.Serial) []drivers.Serial {
	switch k := kind(l.Device); {
	case k == "tcp" || k == "keyboard":
		return []drivers.Serial{{}}
	case l.Line.Baud > 0:
		return []drivers.Serial{l.Line}
	}
	return usual
}

// next puts settings with the same speed and with parity first, if bytes were damaged without
// parity.
func next(lines []drivers.Serial, h *Heard) []drivers.Serial {
	v := views([]Heard{*h})[0]
	if h.Line.Parity != "none" || v.bytes+v.damaged < 4 || v.damaged*10 < v.bytes+v.damaged || v.damaged > 3*v.bytes {
		return lines
	}
	even, odd := h.Line, h.Line
	even.Parity, odd.Parity = "even", "odd"
	return slices.Insert(slices.Clone(lines), 1, even, odd)
}

// begin makes a setting the one of now, with what was heard with it before.
func (l *Listener) begin(line drivers.Serial, p probe) *Heard {
	l.mu.Lock()
	defer l.mu.Unlock()
	if h := l.current(); h != nil {
		h.trim(leftMost, leftMost*32)
		if !slices.ContainsFunc(h.Entries, func(e drivers.Entry) bool { return !e.Out && e.Mark != drivers.MarkOpened }) {
			h.Entries = nil // a request that nobody answered
		}
	}
	h := &Heard{Line: line, Keys: isKeys(l.Device), Driver: p.driver, Options: p.options}
	same := func(o *Heard) bool {
		return o.Line == line && o.Driver == p.driver && equalOptions(o.Options, p.options)
	}
	if i := slices.IndexFunc(l.heard, same); i >= 0 {
		h = l.heard[i]
		l.heard = slices.Delete(l.heard, i, i+1)
	}
	l.heard = append(l.heard, h)
	return h
}

// keep adds an entry to what was heard with a setting.
func (l *Listener) keep(h *Heard, e drivers.Entry) {
	l.mu.Lock()
	defer l.mu.Unlock()
	h.Entries = append(h.Entries, e)
	if h.size += len(e.Data); len(h.Entries) > entriesMost || h.size > bytesMost {
		h.trim(entriesMost, bytesMost)
	}
	if !e.Out {
		l.state.Bytes += len(e.Data)
	}
}

// How much is kept of what was heard with a setting: entries and bytes while listening with it, and
// entries after that; and how many displays.
const (
	entriesMost = 4000
	bytesMost   = 256 << 10
	leftMost    = 200
	shownMost   = 40
)

// trim bounds what is kept: the newest half of the most, and what a display is compared with.
func (h *Heard) trim(entries, bytes int) {
	if len(h.Entries) <= entries && h.size <= bytes {
		return
	}
	var kept []drivers.Entry
	size, old := 0, false // old: beyond the half
	shown := func(e drivers.Entry) bool {
		return slices.ContainsFunc(h.Shown, func(s Shown) bool { return e.At >= s.At-typedWithin && e.At <= s.At+typedAfter })
	}
	gap := false
	for _, e := range slices.Backward(h.Entries) {
		old = old || len(kept) >= entries/2 || size >= bytes/2
		if old && (len(kept) >= entries || size >= bytes || !shown(e)) {
			gap = true
			continue
		}
		if gap {
			kept, gap = append(kept, drivers.Entry{At: e.At, Mark: drivers.MarkLost}), false
		}
		kept = append(kept, e)
		size += len(e.Data)
	}
	slices.Reverse(kept)
	h.Entries, h.size = kept, size
}
