package line

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"sync"

	"github.com/rs/zerolog"

	"fairbore/daemon/port"
)

// Buses are the ports of all stations, with what hangs on them. Add everything, then
// Open, then Run.
type Buses struct {
	// Stamp makes the time of a chunk that which the stations go by.
	Stamp func(port.Moment) port.Moment
	all   []*bus
}

// Add hangs an instrument of a station on the bus of its port. What it hears goes to
// heard; due gets it when it is to be asked.
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

// Open makes the ports; none is touched before Run.
func (b *Buses) Open() {
	for _, one := range b.all {
		one.port = port.New(one.config, one.inputs[0].log)
	}
}

// Run keeps the ports open until ctx ends; what came until then is handed on until
// drain ends. A port that is refused disturbs no other; if all are, stop is told why.
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
