package publish

import (
	"context"
	"encoding/json"
	"errors"
	"time"

	"fairbore/analysis"
	"fairbore/daemon/event"
	"fairbore/daemon/mqtt"
)

// recordsPerPass is how many records are read and sent before acknowledgements, live values and
// bores are considered again.
const recordsPerPass = 64

// link is one connection. The goroutine of Run owns it.
type link struct {
	p    *Publisher
	to   carrier
	lost <-chan error
	buf  []byte // for a payload, free to be used; nil while there is none

	flight  []flying        // messages on their way, oldest first
	records int             // number of records among them
	full    bool            // the window was full and is not yet half empty
	queue   []event.Record  // records read from the journal, not yet sent
	sent    uint64          // last record sent
	saved   uint64          // cursor last given to the journal
	replied uint64          // last reply sent
	moved   time.Time       // time of the last acknowledgement, or of the first message awaited
	beat    time.Time       // when alive is due again
	refused analysis.Phrase // why there are no commands although the connection is up
}

// flying is a message on its way. A message that the broker already has, or that can't be sent, has
// no token. It counts as acknowledged when its turn comes.
type flying struct {
	token   mqtt.Token
	seq     uint64 // of the record, 0 for other messages
	skipped bool   // it can't be sent
	landed  func() // called with p.mu held; may be nil
}

func newLink(p *Publisher, to carrier, lost <-chan error) *link {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.head.again()
	for _, s := range p.slots {
		s.bore.again()
		s.live = nil
	}
	return &link{p: p, to: to, lost: lost, sent: p.acked, saved: p.acked, moved: time.Now()}
}

// connection makes one connection and serves it until it fails or ctx ends. It returns how long the
// connection lasted, 0 if it was not made.
func (p *Publisher) connection(ctx context.Context) (held time.Duration, err error) {
	l, err := p.connect(ctx)
	if err != nil {
		return 0, err
	}
	start := time.Now()
	defer func() {
		l.to.Cut()
		l.save()
		held = max(time.Since(start), 1)
	}()
	if err := l.greet(ctx); err != nil {
		return 0, err
	}
	p.tell(true, l.refused)
	if err := l.serve(ctx); err != nil {
		return 0, l.cause(err)
	}
	l.leave()
	return 0, nil
}

// cause returns why the connection failed. The library's reason for a loss is better than what it
// says about each message lost with the connection, which comes first.
func (l *link) cause(err error) error {
	if errors.Is(err, mqtt.ErrNoAck) {
		return err
	}
	select {
	case lost := <-l.lost:
		return mqtt.Lost(lost)
	case <-time.After(200 * time.Millisecond):
		return err
	}
}

// greet publishes who is alive and subscribes to commands, before any record is sent.
func (l *link) greet(ctx context.Context) (err error) {
	if l.p.cfg.Commands && l.p.OnCommand != nil {
		if l.refused, err = l.p.subscribe(ctx, l.to); err != nil {
			return err
		}
	}
	if err := l.sayAlive(Online, ""); err != nil {
		return err
	}
	if len(l.p.cfg.Stations) == 1 {
		return nil // its topic is the daemon's
	}
	return l.sayStations(Online, "")
}

func (l *link) sayAlive(state, why string) error {
	c := &l.p.cfg
	now := time.Now()
	l.beat = now.Add(l.p.every.beat)
	return l.sendJSON(Topic(c.Site, c.daemonLevel(), LeafAlive), c.daemonAlive(state, why, now))
}

func (l *link) sayStations(state, why string) error {
	c := &l.p.cfg
	for _, s := range c.Stations {
		if err := l.sendJSON(Topic(c.Site, s, LeafAlive), c.stationAlive(s, state, why, time.Now())); err != nil {
			return err
		}
	}
	return nil
}

// serve sends until the connection fails (an error) or ctx ends (nil).
func (l *link) serve(ctx context.Context) error {
	tick := time.NewTicker(max(l.p.dialer.Waits.Answer/5, time.Millisecond))
	defer tick.Stop()
	liveDue := time.NewTimer(time.Hour)
	defer liveDue.Stop()
	for {
		next, err := l.pass(ctx)
		if err != nil {
			return err
		}
		if next > 0 {
			liveDue.Reset(next)
		}
		select {
		case <-ctx.Done():
			return nil
		case err := <-l.lost:
			return mqtt.Lost(err)
		case <-l.awaited():
		case <-l.p.poke:
		case <-liveDue.C:
		case <-tick.C:
			if err := l.tick(); err != nil {
				return err
			}
		}
	}
}

// awaited returns the channel that closes when an acknowledgement needs attention: the first one
// due or, if the window was full, the one at which it is half empty. Call settle before, so that
// the first message on its way has a token.
func (l *link) awaited() <-chan struct{} {
	if len(l.flight) == 0 {
		return nil
	}
	if i := l.records - l.p.cfg.Window/2 - 1; l.full && i > 0 && i < len(l.flight) && l.flight[i].token != nil {
		half := l.flight[i].token.Done()
		select {
		case <-half: // before the first, if the broker does not keep the order
		default:
			return half
		}
	}
	return l.flight[0].token.Done()
}

// tick handles what depends only on time.
func (l *link) tick() error {
	now := time.Now()
	if len(l.flight) > 0 && now.Sub(l.moved) > l.p.dialer.Waits.Answer {
		return mqtt.ErrNoAck
	}
	if now.After(l.beat) {
		return l.sayAlive(Online, "")
	}
	return nil
}

// pass handles the acknowledgements that have come and sends what may be sent. It returns the time
// until a live value is due, 0 if none is.
func (l *link) pass(ctx context.Context) (time.Duration, error) {
	if err := l.settle(); err != nil {
		return 0, err
	}
	l.to.hold()
	more, err := l.sendRecords(ctx)
	if err = errors.Join(err, l.to.release()); err != nil {
		return 0, err
	}
	if more {
		l.p.Wake() // continue at once, after a look at the rest
	}
	if err := l.sendStates(); err != nil {
		return 0, err
	}
	next, err := l.sendLive(time.Now())
	if err != nil {
		return 0, err
	}
	return next, l.settle()
}

// settle removes acknowledged messages from the head of the flight, in order, up to the first one
// without an acknowledgement, and advances the cursor over them.
func (l *link) settle() error {
	n := 0
	defer func() {
		if n == 0 {
			return
		}
		l.flight = append(l.flight[:0], l.flight[n:]...)
		if len(l.flight) == 0 || l.p.cursor() >= l.saved+uint64(l.p.cfg.Window)/2+1 {
			l.save()
		}
	}()
	for ; n < len(l.flight); n++ {
		f := &l.flight[n]
		if f.token != nil {
			select {
			case <-f.token.Done():
				if err := f.token.Error(); err != nil {
					return err
				}
			default:
				return nil
			}
		}
		l.moved = time.Now()
		l.acknowledge(f)
	}
	return nil
}

func (l *link) acknowledge(f *flying) {
	l.p.mu.Lock()
	defer l.p.mu.Unlock()
	if f.seq > 0 {
		l.records--
		l.p.acked = f.seq
		if f.skipped {
			l.p.status.Skipped++
		} else {
			l.p.status.Published++
		}
	}
	if f.landed != nil {
		f.landed()
	}
}

func (p *Publisher) cursor() uint64 {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.acked
}

// save gives the cursor to the journal, which writes it with its next commit. If that is lost,
// records are repeated after a restart, but none is lost.
func (l *link) save() {
	if c := l.p.cursor(); c != l.saved {
		l.p.src.SetCursor(cursorName, c)
		l.saved = c
	}
}

// leave says goodbye: it waits for the records already on their way, tells the stations offline,
// and disconnects properly, which cancels the last will.
func (l *link) leave() {
	limit := time.NewTimer(l.p.every.leave)
	defer limit.Stop()
	err := l.settle()
	if err == nil && len(l.p.cfg.Stations) > 1 {
		err = l.sayStations(Offline, Stopped)
	}
	if err == nil {
		err = l.sayAlive(Offline, Stopped)
	}
	err = errors.Join(err, l.settle())
	for err == nil && len(l.flight) > 0 {
		select {
		case <-l.flight[0].token.Done():
			err = l.settle()
		case err = <-l.lost:
		case <-limit.C:
			err = mqtt.ErrNoAck
		}
	}
	if err != nil {
		l.p.log.Warn().Err(err).Msg("could not say goodbye to the broker")
		return
	}
	l.to.Leave()
}

func (l *link) sendJSON(topic string, v any) error {
	payload, err := json.Marshal(v)
	if err != nil {
		return err
	}
	return l.send(topic, true, payload, 0, nil)
}

// send passes a message of QoS 1 to the carrier and keeps its token. It waits for the socket no
// longer than the write limit.
func (l *link) send(topic string, retain bool, payload []byte, seq uint64, landed func()) error {
	t, err := l.to.Publish(topic, 1, retain, payload)
	if err == nil {
		l.fly(flying{token: t, seq: seq, landed: landed})
	}
	return err
}

func (l *link) fly(f flying) {
	if len(l.flight) == 0 {
		l.moved = time.Now()
	}
	l.flight = append(l.flight, f)
}
