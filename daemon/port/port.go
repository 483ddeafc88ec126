package port

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"sync"
	"sync/atomic"
	"time"

	"github.com/rs/zerolog"

	"fairbore/analysis"
	"fairbore/drivers"
)

const (
	// readWait is the longest wait of a read. A stop or a failed write is noticed within this time.
	readWait = 100 * time.Millisecond
	// modemPoll is the time between two looks at the modem lines. A foot switch stays down for at
	// least 50 ms (common practice).
	modemPoll = 8 * time.Millisecond
	// checkEvery is the time between two checks of the device. The loss of a device is noticed
	// within this time plus a read.
	checkEvery = 250 * time.Millisecond
	writeLimit = time.Second            // a write that takes longer has failed
	idleMost   = 3                      // most Idle chunks in one silence
	retryFirst = 250 * time.Millisecond // pause before the first attempt after a loss
	retryMost  = 5 * time.Second        // longest pause between two attempts
	// upForGood is how long a line must be up so that the pauses start again with retryFirst. A
	// line that sent bytes needs no such time.
	upForGood = 2 * time.Second
)

// Port is one line. Its methods may be called from any goroutine.
type Port struct {
	cfg      Config
	log      zerolog.Logger
	open     func(context.Context) (link, error)
	wait     time.Duration // pause before the first attempt after a loss
	recorder *recorder     // nil without recording

	running  atomic.Bool
	watchers atomic.Int32 // who want the state of the modem lines, besides the configuration
	count    counters

	mu      sync.Mutex // guards the fields below
	current *openLine  // nil when the line is down
	status  Status
	kernel  KernelCounts // sum over the links closed so far
}

type counters struct {
	bytes, written, attempts, opens, losses, lineErrors, writeFaults atomic.Uint64
	blocked                                                          atomic.Bool
}

// New returns a port for a configuration in which Check finds no fault.
func New(c Config, log zerolog.Logger) *Port {
	if c.Start.IsZero() {
		c.Start = time.Now()
	}
	if c.Debounce == 0 {
		c.Debounce = debounceDefault
	}
	if c.RecordMax == 0 {
		c.RecordMax = recordMaxDefault
	}
	c.Host = c.Host.orSystem()
	p := &Port{cfg: c, log: log.With().Str("port", c.Name).Str("device", c.Device).Logger(), wait: retryFirst}
	p.open = p.opener()
	if c.RecordDir != "" {
		p.recorder = newRecorder(c, p.log)
	}
	return p
}

func (p *Port) opener() func(context.Context) (link, error) {
	scheme, rest := p.cfg.split()
	switch scheme {
	case schemeTCP:
		return func(ctx context.Context) (link, error) { return dialTCP(ctx, rest, p.cfg.Stale) }
	case schemeInput:
		return func(context.Context) (link, error) {
			return openInput(rest, func(err error) { p.log.Warn().Err(err).Msg("input device not held by this program alone") })
		}
	case schemeRFC2217:
		return func(ctx context.Context) (link, error) { return dialRFC2217(ctx, rest, p.cfg, p.log) }
	}
	s := &serialOpener{cfg: p.cfg, log: p.log}
	return func(context.Context) (link, error) { return s.open() }
}

// Run opens and reads the line until ctx ends, and then returns nil. It opens the line again after
// each loss. It passes each chunk to sink, in order and in this goroutine, so sink should return
// soon.
//
// Run fails if the very first opening is refused for a reason that another attempt does not fix:
// the line can't have the settings, or another program has the device open ([ErrBusy]). The error
// says what to do. Run plays a recording once and then returns nil.
//
// Everything that Run started has ended when it returns, with one exception: a write that is stuck
// in a driver can't be stopped. It keeps its goroutine and its handle until the device goes away.
func (p *Port) Run(ctx context.Context, sink func(Chunk)) error {
	if !p.running.CompareAndSwap(false, true) {
		return fmt.Errorf("port %s: is running already", p.cfg.Name)
	}
	defer p.running.Store(false)
	if faults := p.cfg.Check(); faults != nil {
		return fmt.Errorf("port %s: %w", p.cfg.Name, errors.Join(faults...))
	}
	if p.recorder != nil {
		p.recorder.start()
		defer p.recorder.stop()
	}
	o := &owner{Port: p, sink: sink}
	if scheme, path := p.cfg.split(); scheme == schemeRecording {
		return o.replay(ctx, path)
	}
	return o.keepOpen(ctx)
}

// owner is the state of Run. Only the goroutine of Run uses it.
type owner struct {
	*Port
	sink     func(Chunk)
	debounce debounce
	delay    time.Duration // pause before the next attempt, without jitter
	fault    string        // the latest cause that was logged, empty when the line is up
	down     time.Duration // since when the line has been down
}

func (p *Port) now() drivers.Moment {
	t := time.Now()
	return drivers.Moment{Wall: t.Round(0), Mono: t.Sub(p.cfg.Start)}
}

func (o *owner) emit(c Chunk) {
	switch c.Kind {
	case Data:
		o.count.bytes.Add(uint64(len(c.Data)))
	case LineError:
		o.count.lineErrors.Add(1)
	case LineState:
		o.mu.Lock()
		o.status.Lines, o.status.HasLines = c.Lines, true
		o.mu.Unlock()
	}
	if o.recorder != nil {
		o.recorder.chunk(c)
	}
	o.sink(c)
}

func (o *owner) keepOpen(ctx context.Context) error {
	for {
		o.count.attempts.Add(1)
		l, err := o.open(ctx)
		switch {
		case ctx.Err() != nil:
			if err == nil {
				return l.close()
			}
			return nil
		case err == nil:
			o.count.opens.Add(1)
			if err := o.serve(ctx, l); err != nil {
				o.log.Warn().Err(err).Msg("closing the line")
			}
		case errors.As(err, new(refusal)) && o.count.attempts.Load() == 1:
			return fmt.Errorf("port %s: %w", o.cfg.Name, err)
		default:
			o.lineDown(err)
		}
		if !o.pause(ctx) {
			return nil
		}
	}
}

// pause waits before the next attempt, each time longer. A jitter of a fifth keeps ports that were
// lost together from being tried again together. pause returns false if ctx ended.
func (o *owner) pause(ctx context.Context) bool {
	o.delay = min(max(2*o.delay, o.wait), retryMost)
	t := time.NewTimer(o.delay - time.Duration(rand.Int64N(int64(o.delay)/5)))
	defer t.Stop()
	select {
	case <-t.C:
		return true
	case <-ctx.Done():
		return false
	}
}

// serve reads an open link until it fails or ctx ends, and closes it.
func (o *owner) serve(ctx context.Context, l link) error {
	s := o.begin(l)
	opened := o.now()
	o.lineUp(l, opened)
	got := o.count.bytes.Load()
	err := o.read(ctx, s)
	o.mu.Lock()
	o.current = nil
	o.mu.Unlock()
	close(s.quit)
	if ctx.Err() == nil {
		worked := o.count.bytes.Load() > got && reason(err).Code != ServerSaid
		if worked || o.now().Mono-opened.Mono > upForGood {
			o.delay = 0
		}
		o.count.losses.Add(1)
		o.lineDown(err)
	} else if o.recorder != nil {
		o.recorder.remark(o.now(), "closed")
	}
	return o.end(ctx, s)
}

// end waits for the writer and closes the link. If the writer is stuck in a driver, end waits until
// ctx ends and does not close the link before the write returns. If it closed the link, the writer
// could write into another file that gets the same descriptor.
func (o *owner) end(ctx context.Context, s *openLine) error {
	t := time.NewTimer(writeLimit)
	defer t.Stop()
	select {
	case <-s.ended:
		return s.link.close()
	case <-t.C:
	}
	o.count.blocked.Store(true)
	o.log.Error().Msg("a write is stuck in the driver; the line stays closed to us until it returns: unplug the adapter")
	select {
	case <-s.ended:
		o.count.blocked.Store(false)
		o.log.Info().Msg("the stuck write returned")
		return s.link.close()
	case <-ctx.Done():
		return errors.New("a write is still stuck in the driver; its handle stays open until the program ends")
	}
}

// read reads an open link until it fails or ctx ends.
func (o *owner) read(ctx context.Context, s *openLine) error {
	var (
		idles   int            // Idle chunks since last
		last    = o.now().Mono // time of the latest bytes, or of the opening
		checked = last
		blind   bool // there are no modem lines
		fresh   = func(data []byte, damaged bool) {
			at := o.now()
			last, idles = at.Mono, 0
			if damaged {
				o.emit(Chunk{At: at, Kind: LineError})
			} else {
				o.emit(Chunk{At: at, Data: data})
			}
		}
	)
	idle := func() (due time.Duration, wanted bool) {
		return last + time.Duration(idles+1)*o.cfg.Silence, o.cfg.Silence > 0 && idles < idleMost
	}
	o.debounce = debounce{hold: o.cfg.Debounce}
	for ctx.Err() == nil {
		wait := readWait
		watched := !blind && (o.cfg.Modem || o.watchers.Load() > 0)
		if watched {
			wait = modemPoll
		}
		if due, ok := idle(); ok {
			wait = max(min(wait, due-o.now().Mono), 0)
		}
		if err := s.link.read(wait, fresh); err != nil {
			return err
		}
		now := o.now()
		if due, ok := idle(); ok && now.Mono >= due {
			idles++
			o.emit(Chunk{At: now, Kind: Idle})
		}
		if watched {
			blind = !o.watch(s.link, now)
		}
		if err := s.failed(now.Mono); err != nil {
			return err
		}
		if now.Mono-checked >= checkEvery {
			checked = now.Mono
			if err := o.check(s.link); err != nil {
				return err
			}
		}
	}
	return nil
}

// watch reads the modem lines. It returns whether they can be watched further.
func (o *owner) watch(l link, now drivers.Moment) bool {
	m, ok := l.(modem)
	if !ok {
		return false
	}
	seen, err := m.lines()
	if err != nil {
		o.log.Warn().Err(err).Msg("modem lines not watched")
		return false
	}
	if state, changed := o.debounce.step(seen, now.Mono); changed {
		if o.cfg.Modem {
			o.emit(Chunk{At: now, Kind: LineState, Lines: state})
			return true
		}
		o.mu.Lock()
		o.status.Lines, o.status.HasLines = state, true
		o.mu.Unlock()
	}
	return true
}

// check checks the link and reads its kernel counts.
func (o *owner) check(l link) error {
	if c, ok := l.(counter); ok {
		if k, ok := c.counts(); ok {
			o.mu.Lock()
			o.status.Counters.Kernel, o.status.Counters.KernelCounted = o.kernel.plus(k), true
			o.mu.Unlock()
		}
	}
	if c, ok := l.(checker); ok {
		return c.check()
	}
	return nil
}

// lineUp logs that the line is open and emits Up.
func (o *owner) lineUp(l link, at drivers.Moment) {
	o.mu.Lock()
	o.kernel = o.status.Counters.Kernel
	o.status.Up, o.status.Since, o.status.Name, o.status.Why, o.status.HasLines = true, at, l.String(), analysis.Phrase{}, false
	if id, ok := l.(identified); ok {
		o.status.Adapter = id.adapter()
	}
	o.mu.Unlock()
	e := o.log.Info().Str("line", l.String())
	if o.fault != "" {
		e = e.Dur("down", at.Mono-o.down)
	}
	e.Msg("line open")
	o.fault = ""
	o.emit(Chunk{At: at, Kind: Up, Name: l.String()})
}

// lineDown emits Lost once in each outage and logs each new cause.
func (o *owner) lineDown(err error) {
	at, why := o.now(), reason(err)
	o.mu.Lock()
	was := o.status
	o.status.Up, o.status.Why, o.status.HasLines = false, why, false
	if was.Up || was.Since == (drivers.Moment{}) {
		o.status.Since = at
	}
	o.mu.Unlock()
	if err.Error() != o.fault {
		o.log.Warn().Err(err).Msg("line lost")
	}
	if o.fault == "" {
		o.down = at.Mono
		o.emit(Chunk{At: at, Kind: Lost, Why: why})
	}
	o.fault = err.Error()
}
