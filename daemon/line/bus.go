package line

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"sync"
	"time"

	"github.com/rs/zerolog"

	"fairbore/daemon/port"
	"fairbore/drivers"
)

// bus is a port and the instruments on it. Usually there is one instrument. Several instruments may
// belong to one station or to several stations.
//
// Instruments that send by themselves all get every byte, and each takes the values of its own
// channels. An example is a multiplexer that marks each value with its channel.
//
// Instruments that must be asked take turns. An example is an RS-485 line with several addresses.
// One instrument has the line from its request to its reply or timeout, and gets all bytes of that
// time.
type bus struct {
	config port.Config
	port   *port.Port
	inputs []*Input
	asked  bool          // the instruments speak only when asked
	gap    time.Duration // silence between the turns of two instruments

	mu     sync.Mutex
	holder *Input    // the instrument that has, or last had, the line
	busy   bool      // the holder still waits for its reply, or is about to ask
	freed  time.Time // when the line was last released
	queue  []*Input  // the instruments that wait for the line, in order
}

// turnaround returns the silence that a shared line needs between the reply of one instrument and
// the request to the next: 3.5 characters of 11 bits, or 1.75 ms above 19200 baud (MODBUS over
// Serial Line V1.02, 2.5.1.1).
func turnaround(baud int) time.Duration {
	if baud > 19200 || baud <= 0 {
		return 1750 * time.Microsecond
	}
	return time.Duration(3.5 * 11 * float64(time.Second) / float64(baud))
}

// add adds an instrument to the bus. The port serves all of them.
func (b *bus) add(in *Input) {
	pc := &in.line.Port
	b.inputs = append(b.inputs, in)
	b.asked = b.asked || in.line.asker != nil
	b.config.Silence = max(b.config.Silence, pc.Silence)
	b.config.Modem = b.config.Modem || pc.Modem
	if b.config.RecordDir == "" {
		b.config.RecordDir, b.config.RecordMax = pc.RecordDir, pc.RecordMax
	}
}

func (b *bus) shared() bool { return len(b.inputs) > 1 }

// run keeps the port open until ctx ends. If the port refuses the first opening, run calls refused
// with the reason. A later attempt alone does not fix such a reason, but a person may. So run tries
// again, unless refused ends ctx.
func (b *bus) run(ctx context.Context, sink func(port.Chunk), refused func(error)) {
	for range 2 { // a port refuses only its first opening
		err := b.port.Run(ctx, sink)
		if err == nil {
			return
		}
		refused(err)
	}
}

// sink returns the function that passes a chunk from the port's goroutine to the goroutines of the
// stations.
func (b *bus) sink(ctx context.Context, stamp func(drivers.Moment) drivers.Moment) func(port.Chunk) {
	return func(c port.Chunk) {
		c.At = stamp(c.At)
		// The port's data is valid only until sink returns. Nobody changes the copy.
		c.Data = append([]byte(nil), c.Data...)
		for _, in := range b.hearers(c.Kind) {
			select {
			case in.heard <- Heard{in, c}:
			case <-ctx.Done():
			}
		}
	}
}

// hearers returns the instruments that must get a chunk of a kind.
func (b *bus) hearers(k port.Kind) []*Input {
	if !b.shared() {
		return b.inputs
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	switch k {
	case port.Up, port.Lost, port.End:
		b.holder, b.busy, b.queue = nil, false, nil
	case port.Data, port.Idle, port.LineError:
		if i := slices.Index(b.inputs, b.holder); b.asked && i >= 0 {
			return b.inputs[i : i+1]
		}
	}
	return b.inputs
}

// acquire gives the line to an instrument that wants to ask. It returns false if the instrument
// must wait: another instrument has the line, or the gap after its turn is not over. The poller of
// the waiting instrument then calls due when the turn comes.
func (b *bus) acquire(in *Input) bool {
	if !b.shared() {
		return true
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.busy && b.holder != in {
		if !slices.Contains(b.queue, in) {
			b.queue = append(b.queue, in)
		}
		return false
	}
	wait := b.gap - time.Since(b.freed)
	if b.holder == nil || b.holder == in {
		wait = 0
	}
	b.holder, b.busy = in, true
	if wait > 0 {
		in.poll.soon(wait)
	}
	return wait <= 0
}

// release takes the line from the instrument that has it, and gives it to the next one that waits.
func (b *bus) release(in *Input) {
	if !b.shared() {
		return
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.holder != in || !b.busy {
		return
	}
	b.busy, b.freed = false, time.Now()
	if len(b.queue) > 0 {
		next := b.queue[0]
		b.queue, b.holder, b.busy = b.queue[1:], next, true
		next.poll.soon(b.gap)
	}
}

// Buses are the ports of all stations with their instruments. Add all instruments, then Open, then
// Run.
type Buses struct {
	// Stamp converts the time of a chunk to the stations' clock.
	Stamp func(drivers.Moment) drivers.Moment
	all   []*bus
}

// Add adds an instrument of a station to the bus of its port. heard gets the chunks for the
// instrument. due gets the instrument when it is time to ask it.
func (b *Buses) Add(station string, l *Line, heard chan<- Heard, due chan<- *Input, log zerolog.Logger) *Input {
	in := &Input{station: station, line: l, heard: heard, log: log}
	in.poll = newPoller(l.asker, func() { due <- in })
	pc := &l.Port
	i := slices.IndexFunc(b.all, func(b *bus) bool { return b.config.Device == pc.Device })
	if i < 0 {
		i = len(b.all)
		b.all = append(b.all, &bus{gap: turnaround(pc.Line.Baud), config: *pc})
	}
	in.bus = b.all[i]
	in.bus.add(in)
	return in
}

// Open makes the ports. It opens no device; Run does.
func (b *Buses) Open() {
	for _, one := range b.all {
		one.port = port.New(one.config, one.inputs[0].log)
	}
}

// Run keeps the ports open until ctx ends. Chunks that came before are still passed on until drain
// ends. A port that is refused does not disturb the other ports. If all ports are refused, Run
// calls stop with the reasons.
func (b *Buses) Run(ctx, drain context.Context, stop func(error)) {
	var ports sync.WaitGroup
	var mu sync.Mutex
	refused := map[*bus]error{}
	for _, one := range b.all {
		ports.Go(func() {
			one.run(ctx, one.sink(drain, b.Stamp), func(err error) {
				mu.Lock()
				defer mu.Unlock()
				refused[one] = fmt.Errorf("station %s: %w", one.inputs[0].station, err)
				if len(refused) == len(b.all) {
					stop(errors.Join(slices.Collect(maps.Values(refused))...))
					return
				}
				one.inputs[0].log.Error().Err(err).Msg("port refused; the other stations go on, and it is tried again")
			})
		})
	}
	ports.Wait()
}
