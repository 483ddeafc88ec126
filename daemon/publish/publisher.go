package publish

import (
	"context"
	"encoding/json"
	"fmt"
	"sync"
	"time"

	"github.com/rs/zerolog"

	"fairbore/daemon/event"
	"fairbore/daemon/mqtt"
)

// cursorName is the name under which the journal keeps how far the broker has been served.
const cursorName = "publish"

// Bounds of the queues.
const (
	maxReplies  = 64
	maxCommands = 32
)

// Source is the journal, as a publisher needs it.
type Source interface {
	// RawRecords returns up to limit records with a number above seq, in order. Of each record it
	// needs station, kind and body; if the body is missing, all of it.
	RawRecords(ctx context.Context, seq uint64, limit int) ([]event.Record, error)
	// Last returns the number of the newest committed record, 0 if there is none.
	Last() uint64
	// Cursor returns the number last given to SetCursor under the name, or 0.
	Cursor(name string) (uint64, error)
	// SetCursor keeps the number. It may be lost in a crash; records are then repeated.
	SetCursor(name string, seq uint64)
}

// Publisher sends the records of a journal, and the state of its stations, to a broker. Its methods
// may be called from any goroutine and never wait for the network.
type Publisher struct {
	cfg    Config
	dialer *mqtt.Dialer
	every  intervals
	src    Source
	log    zerolog.Logger

	// OnCommand gets the commands for a station in the order of arrival, one at a time, on a
	// goroutine of Run that is not the one that talks to the broker. The payload is as sent: not
	// checked, at most 16 kB. Commands are accepted only while connected; none is kept for later.
	// Set it before Run.
	OnCommand func(station string, payload []byte)
	// OnStatus is called with each change of Connected or Why. It must not block. Set it before
	// Run.
	OnStatus func(Status)

	poke     chan struct{} // received from when something is to be sent
	commands chan command

	mu      sync.Mutex // guards what follows
	status  Status
	acked   uint64 // the cursor
	slots   map[string]*slot
	head    bores // the newest head of the journal
	replies []reply
	replied uint64 // number of the newest reply queued
}

// slot has what is to be sent about a station; the newest value wins.
type slot struct {
	live     any // nil if there is nothing new
	liveNext time.Time
	bore     bores
}

type reply struct {
	no      uint64
	station string
	payload []byte
}

type command struct {
	station string
	payload []byte
}

// New returns a publisher for a configuration, which it checks. Run connects.
func New(cfg Config, src Source, log zerolog.Logger) (*Publisher, error) {
	if err := cfg.check(); err != nil {
		return nil, err
	}
	if cfg.Local != nil { // what is configured for a connection does not apply
		cfg.Config = mqtt.Config{ClientID: cfg.ClientID, Waits: cfg.Waits}
	}
	dialer, err := mqtt.NewDialer(cfg.Config, log)
	if err != nil {
		return nil, err
	}
	if cfg.Window == 0 {
		cfg.Window = DefaultWindow
	}
	cursor, err := src.Cursor(cursorName)
	if err != nil {
		return nil, fmt.Errorf("cursor of the publisher: %w", err)
	}
	if last := src.Last(); cursor > last {
		log.Error().Uint64("cursor", cursor).Uint64("last", last).Msg("cursor lies beyond the journal; publishing all of it again")
		cursor = 0
	}
	p := &Publisher{
		cfg: cfg, dialer: dialer, every: usualIntervals(), src: src, log: log,
		poke: make(chan struct{}, 1), commands: make(chan command, maxCommands),
		acked: cursor, slots: map[string]*slot{}, status: Status{Status: mqtt.NotStarted()},
	}
	for _, s := range cfg.Stations {
		p.slots[s] = &slot{}
	}
	return p, nil
}

// Run connects, and reconnects after each loss, until ctx ends. It then says goodbye within two
// seconds and returns nil. Call it once. The source must stay open until it returns.
func (p *Publisher) Run(ctx context.Context) error {
	var wg sync.WaitGroup
	if p.cfg.Commands && p.OnCommand != nil {
		wg.Go(func() { p.takeCommands(ctx) })
	}
	defer wg.Wait()
	p.dialer.Keep(ctx, p.connection, p.tell)
	return nil
}

func (p *Publisher) takeCommands(ctx context.Context) {
	for {
		select {
		case <-ctx.Done():
			return
		case c := <-p.commands:
			p.OnCommand(c.station, c.payload)
		}
	}
}

// Wake says that the journal has new records.
func (p *Publisher) Wake() {
	select {
	case p.poke <- struct{}{}:
	default:
	}
}

// Live sets what the gauge of a station shows now. It is encoded only if it is sent. It replaces
// one that was not sent; at most twenty a second are sent, and none is kept while there is no
// connection.
func (p *Publisher) Live(station string, value any) {
	p.mu.Lock()
	news := false // one that waits for its time was already seen
	if s := p.slots[station]; s != nil && p.status.Connected {
		news = s.live == nil
		s.live = value
	}
	p.mu.Unlock()
	if news {
		p.Wake()
	}
}

// Bore sets the state of a station's bore, which is based on the records committed so far. The
// broker retains it. It replaces one that was not sent, and is sent again after each new
// connection.
func (p *Publisher) Bore(station string, payload []byte) {
	if p.tooLarge(station, LeafBore, payload) {
		return
	}
	after := p.src.Last()
	p.mu.Lock()
	if s := p.slots[station]; s != nil {
		s.bore.offer(rested{payload, after})
	}
	p.mu.Unlock()
	p.Wake()
}

// Head sets the newest head of the journal. It is sent after the record that it is of. The broker
// retains it. It replaces one that was not sent, and is sent again after each new connection.
func (p *Publisher) Head(h event.Head) {
	payload, err := json.Marshal(h)
	if err != nil { // a Head can always be encoded
		return
	}
	p.mu.Lock()
	p.head.offer(rested{payload, h.Seq})
	p.mu.Unlock()
	p.Wake()
}

// Done queues the reply to a command. It is sent at least once. If more than 64 wait, the oldest
// are dropped and counted.
func (p *Publisher) Done(station string, payload []byte) {
	if p.tooLarge(station, LeafDone, payload) {
		return
	}
	p.mu.Lock()
	if p.slots[station] != nil {
		if len(p.replies) == maxReplies {
			p.replies = p.replies[1:]
			p.status.DroppedReplies++
		}
		p.replied++
		p.replies = append(p.replies, reply{p.replied, station, payload})
	}
	p.mu.Unlock()
	p.Wake()
}

// tooLarge refuses a message for which a broker would disconnect the client.
func (p *Publisher) tooLarge(station, leaf string, payload []byte) bool {
	if len(payload) <= MaxPayload {
		return false
	}
	p.count(&p.status.Skipped)
	p.log.Error().Str("station", station).Str("topic", leaf).Int("bytes", len(payload)).Msg("message is too large to publish")
	return true
}

// intervals are the times of a publisher besides those of its connection. Tests shorten them.
type intervals struct {
	live  time.Duration // between two live messages of a station
	beat  time.Duration // between two alive messages
	leave time.Duration // to say goodbye
}

func usualIntervals() intervals {
	return intervals{live: 50 * time.Millisecond, beat: 10 * time.Second, leave: 2 * time.Second}
}
