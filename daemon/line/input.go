package line

import (
	"context"
	"time"

	"github.com/rs/zerolog"

	"fairbore/daemon/event"
	"fairbore/daemon/port"
	"fairbore/drivers"
)

// Input is an instrument of a station on the bus of its port.
type Input struct {
	station string
	line    *Line
	poll    *poller
	bus     *bus
	heard   chan<- Heard
	log     zerolog.Logger
}

// Port returns the port of the instrument.
func (in *Input) Port() *port.Port { return in.bus.port }

// Heard is a chunk for an instrument.
type Heard struct {
	By *Input
	port.Chunk
}

// Take passes the chunk to the line of the instrument and returns the events that follow.
func (h *Heard) Take() []event.Event {
	events := h.By.line.Take(h.Chunk)
	if h.By.poll.saw(h.Kind, h.By.line.outcomes) {
		h.By.bus.release(h.By)
	}
	return events
}

// Ask sends the next request to an instrument whose turn it is. If the previous request had no
// reply, Ask returns the events that follow from that. A request that can't be written is left out.
// The port then logs the reason and recovers.
func (in *Input) Ask(ctx context.Context, now drivers.Moment) (events []event.Event) {
	if in.poll.waiting { // no reply came
		events = in.line.Take(port.Chunk{At: now, Kind: port.Idle})
		in.poll.missed()
		in.bus.release(in)
	}
	if in.poll.restful(in.bus.shared()) || !in.bus.acquire(in) {
		return events
	}
	if request := in.poll.next(time.Now()); len(request) > 0 {
		if err := in.bus.port.Write(ctx, request); err != nil {
			in.log.Debug().Err(err).Str("instrument", in.line.Name).Msg("request not sent")
		}
	}
	return events
}

// Stop ends the requests to the instrument.
func (in *Input) Stop() { in.poll.timer.Stop() }

// Frames returns how many frames gave a value.
func (in *Input) Frames() uint64 { return in.line.stream.Frames }

// Status returns the state of the port.
func (in *Input) Status() port.Status { return in.bus.port.Status() }
