package daemon

import (
	"context"
	"strconv"
	"time"

	"github.com/rs/zerolog"

	"fairbore/daemon/port"
	"fairbore/daemon/session"
	"fairbore/drivers"
)

// line turns what a port tells into events of a session. It is used by one
// goroutine; live use and replay share it.
type line struct {
	stream   drivers.Stream
	session  *session.Session
	asker    drivers.Requester // nil if the gauge speaks by itself
	outcomes uint64            // frames and rejects so far
	damaged  bool              // bytes went bad: nothing is believed up to the next frame
	reject   func(drivers.Reason, []byte)
}

func newLine(d drivers.Decoder, s *session.Session) *line {
	l := &line{stream: drivers.Stream{Decoder: d}, session: s, reject: func(drivers.Reason, []byte) {}}
	l.asker, _ = d.(drivers.Requester)
	return l
}

// take takes a chunk of the port in and returns the events that follow.
func (l *line) take(c port.Chunk) (events []session.Event) {
	at := session.Stamp(c.At)
	found := func(f drivers.Found) {
		l.outcomes++
		switch {
		case f.Reject != "":
			l.reject(f.Reject, f.Frame)
		case l.damaged: // the frame around a bad byte may be whole and wrong
			l.damaged = false
			l.reject(drivers.LineError, f.Frame)
		default:
			events = append(events, l.session.Sample(at, f.Samples)...)
		}
	}
	switch c.Kind {
	case port.Data:
		l.stream.Feed(c.Data, false, found)
	case port.Idle:
		l.stream.Feed(nil, true, found)
	case port.LineError:
		l.damaged = true
	case port.Up:
		l.stream.Reset(found)
		l.damaged = false
		events = append(events, l.session.GaugeState(at, false, "")...)
	case port.Lost, port.End:
		l.stream.Reset(found)
		if c.Kind == port.Lost {
			events = append(events, l.session.GaugeState(at, true, c.Why)...)
		}
	}
	return events
}

// station is a place where a gauge hangs: its port, its line, and the one
// goroutine that has both.
type station struct {
	name     string
	port     *port.Port
	line     *line
	job      string // taken up when the journal has none
	chunks   chan port.Chunk
	requests chan request
	settings chan session.Settings
	ping     chan struct{} // taken to show that the goroutine still runs
	journal  appender
	hub      *hub
	clock    func() session.Stamp
	log      zerolog.Logger
	counts   counted
}

// appender is the journal, as a station needs it: Append queues events in order
// and waits only when the queue is full; Wait returns when all that was queued
// before is on disk.
type appender interface {
	Append(ctx context.Context, events []session.Event) error
}

type request struct {
	action session.Action
	reply  chan session.Reply
}

// chunksKept is how many chunks may wait between port and session. When the
// disk stalls for longer, the bytes wait in the kernel.
const chunksKept = 256

// sink hands a chunk from the port's goroutine to the station's.
func (s *station) sink(ctx context.Context) func(port.Chunk) {
	return func(c port.Chunk) {
		c.Data = append([]byte(nil), c.Data...) // the port's until it returns
		select {
		case s.chunks <- c:
		case <-ctx.Done():
		}
	}
}

// run is the station's goroutine. It ends when the port has ended and all its
// chunks are taken, or when the journal can take no more.
func (s *station) run(ctx context.Context) error {
	if err := s.append(ctx, s.begin()); err != nil {
		return err
	}
	ask := newAsking(s.line.asker)
	defer ask.timer.Stop()
	for {
		var err error
		select {
		case c, ok := <-s.chunks:
			if !ok {
				return nil
			}
			err = s.append(ctx, s.line.take(c))
			ask.saw(c.Kind, s.line.outcomes)
			s.counts.set(s.line.stream.Frames)
			s.showLive()
		case r := <-s.requests:
			events, reply := s.line.session.Act(s.clock(), r.action)
			err = s.append(ctx, events)
			r.reply <- reply
		case set := <-s.settings:
			s.line.session.Configure(set)
		case <-s.ping:
		case <-ask.timer.C:
			if ask.waiting { // no reply: what came of it is over
				err = s.append(ctx, s.line.take(port.Chunk{At: port.Stamp(s.clock()), Kind: port.Idle}))
			}
			s.ask(ctx, ask)
		}
		if err != nil {
			return err
		}
	}
}

// begin marks the start and takes the configured job up if there is none yet.
func (s *station) begin() []session.Event {
	at := s.clock()
	events := s.line.session.Begin(at, "started")
	if s.line.session.Fold().Job == nil && s.job != "" {
		more, _ := s.line.session.Act(at, session.Action{Do: "job", Job: s.job, Source: "daemon"})
		events = append(events, more...)
	}
	return events
}

func (s *station) append(ctx context.Context, events []session.Event) error {
	if len(events) == 0 {
		return nil
	}
	return s.journal.Append(ctx, events)
}

func (s *station) showLive() {
	if l, ok := s.line.session.Live(); ok {
		s.hub.live(l)
	}
}

// do carries an action out in the station's goroutine.
func (s *station) do(ctx context.Context, a session.Action) session.Reply {
	r := request{a, make(chan session.Reply, 1)}
	select {
	case s.requests <- r:
	case <-ctx.Done():
		return refused(a, "the station did not answer in time; try again")
	}
	select {
	case reply := <-r.reply:
		return reply
	case <-ctx.Done():
		return refused(a, "the station did not answer in time; look whether it was done before you try again")
	}
}

func refused(a session.Action, why string) session.Reply {
	return session.Reply{ID: a.ID, Do: a.Do, Why: why}
}

// ask sends the next request. One that can't be written is left out: the port
// says why in its log, and comes back.
func (s *station) ask(ctx context.Context, a *asking) {
	a.buf = a.asker.Request(a.buf[:0])
	if len(a.buf) > 0 {
		if err := s.port.Write(ctx, a.buf); err != nil {
			s.log.Debug().Err(err).Msg("request not sent")
		}
	}
	a.sent(time.Now())
}

// rejected counts what the driver could not take, and shows it to whoever looks
// for the reason.
func (s *station) rejected(r drivers.Reason, frame []byte) {
	s.counts.reject(r)
	s.log.Debug().Str("reason", string(r)).Str("frame", strconv.Quote(string(frame))).Msg("rejected")
}
