package daemon

import (
	"context"
	"strconv"
	"time"

	"github.com/rs/zerolog"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/daemon/event"
	"fairbore/daemon/hub"
	"fairbore/daemon/line"
	"fairbore/daemon/session"
	"fairbore/daemon/state"
	"fairbore/daemon/visit"
	"fairbore/drivers"
)

// station is a place with a gauge: its instruments, their lines into one session, and the one
// goroutine that uses the session.
type station struct {
	name     string
	session  *session.Session
	inputs   []*line.Input // the gauge first, then the instruments beside it
	job      string        // chosen at the start if the journal has none
	chunks   chan line.Heard
	requests chan request
	settings chan state.Settings
	ping     chan struct{}    // the goroutine receives from it, which shows that it runs
	due      chan *line.Input // the instrument to ask now
	journal  appender
	pending  *pendingActions
	hub      *hub.Hub
	clock    func() drivers.Moment
	log      zerolog.Logger
	counts   counted
	visits   *visit.Keeper // nil: visits are not kept
}

// appender is the journal as a station needs it. Append queues events in order and waits only when
// the queue is full.
type appender interface {
	Append(ctx context.Context, events []event.Event) error
}

type request struct {
	action event.Action
	reply  chan event.Reply
}

// chunksKept is how many chunks may wait between ports and session. If the disk stalls for longer,
// the bytes wait in the kernel.
const chunksKept = 256

// tellDropped is how long it takes at most until an event tells that the gauge sent too much.
const tellDropped = 10 * time.Second

// run is the station's goroutine. It ends when the ports have ended and all their chunks are
// handled, or when the journal can take no more.
func (s *station) run(ctx context.Context) error {
	if err := s.append(ctx, s.begin()); err != nil {
		return err
	}
	for _, in := range s.inputs {
		defer in.Stop()
	}
	tell := time.NewTimer(tellDropped)
	tell.Stop()
	defer tell.Stop()
	for telling := false; ; {
		var err error
		if !telling && s.session.Untold() {
			telling = true
			tell.Reset(tellDropped)
		}
		select {
		case c, ok := <-s.chunks:
			if !ok {
				return s.append(ctx, s.session.TellDropped(s.clock()))
			}
			err = s.take(ctx, c)
		case <-tell.C:
			telling = false
			err = s.append(ctx, s.session.TellDropped(s.clock()))
		case r := <-s.requests:
			events, reply := s.session.Act(s.clock(), r.action)
			s.pending.begin(events)
			r.reply <- reply // before append, which waits while the journal's queue is full
			err = s.append(ctx, events)
		case set := <-s.settings:
			err = s.append(ctx, s.session.Configure(s.clock(), set))
		case <-s.ping:
		case in := <-s.due:
			err = s.append(ctx, in.Ask(ctx, s.clock()))
		}
		if err != nil {
			return err
		}
	}
}

func (s *station) take(ctx context.Context, c line.Heard) error {
	events := c.Take()
	if c.By == s.inputs[0] {
		s.counts.set(c.By.Frames())
		if l, ok := s.session.Live(); ok {
			s.hub.Live(l)
		}
	}
	return s.append(ctx, events)
}

// begin records the start, and chooses the configured job if there is none yet.
func (s *station) begin() []event.Event {
	at := s.clock()
	events := s.session.Begin(at)
	if s.session.Fold().Job == nil && s.job != "" {
		more, _ := s.session.Act(at, event.Action{Do: "job", Job: s.job, Source: "daemon"})
		events = append(events, more...)
	}
	return events
}

func (s *station) append(ctx context.Context, events []event.Event) error {
	if len(events) == 0 {
		return nil
	}
	s.counts.events(events)
	return s.journal.Append(ctx, events)
}

// do carries out an action in the station's goroutine.
func (s *station) do(ctx context.Context, a event.Action) event.Reply {
	r := request{a, make(chan event.Reply, 1)}
	select {
	case s.requests <- r:
	case <-ctx.Done():
		return refused(a, analysis.Say("daemon.try_again"))
	}
	select {
	case reply := <-r.reply:
		return reply
	case <-ctx.Done():
		return refused(a, analysis.Say("daemon.no_answer"))
	}
}

func refused(a event.Action, why analysis.Phrase) event.Reply {
	return event.Reply{ID: a.ID, Do: a.Do, Why: why}
}

// rejected counts what a driver could not read, and logs it for whoever looks for the reason.
func (s *station) rejected(r drivers.Reason, frame []byte) {
	s.counts.reject(r)
	s.log.Debug().Str("reason", string(r)).Str("frame", strconv.Quote(string(frame))).Msg("rejected")
}

// declined logs why a foot switch or a scanner did nothing, since neither shows a reply.
func (s *station) declined(source string, r event.Reply) {
	s.log.Warn().Str("source", source).Str("do", r.Do).Str("why", notation.Format{}.Say(r.Why)).Msg("not done")
}
