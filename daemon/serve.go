package daemon

import (
	"cmp"
	"context"
	"errors"
	"os"
	"os/signal"
	"runtime/debug"
	"sync"
	"syscall"
	"time"

	"github.com/rs/zerolog"

	"fairbore/daemon/config"
	"fairbore/daemon/service"
	"fairbore/daemon/web"
)

// Served says what [Serve] runs.
type Served struct {
	Path string // the file of the configuration
	// Fresh is what a new file begins with, if there is none yet; nil: there must be one.
	Fresh   []config.Change
	Version string
	Log     zerolog.Logger
	Started func(page string) // called with the address of the page, "" for none, once it is served

	running func(*Daemon) // called with each daemon once it is opened, or has failed to
}

// provedIn is how long the program must run by a changed configuration until that is not taken back
// any more.
const provedIn = 30 * time.Second

// Serve runs a configuration until ctx ends. It refuses one that opens something to the network
// without saying that it is meant. The pages may change the file, and on SIGHUP it is read again:
// jobs, rings and limits apply from then on, but a job in progress keeps its own; for a port, a
// station or an address everything ends in order and begins anew in this process. A file with faults
// changes nothing, and a change with which nothing runs is taken back.
func Serve(ctx context.Context, o Served) error {
	f, err := openFile(o.Path, o.Fresh)
	if err != nil {
		return err
	}
	if err := errors.Join(f.cfg.Exposed()...); err != nil {
		return err
	}
	hup := make(chan os.Signal, 1)
	signal.Notify(hup, syscall.SIGHUP)
	defer signal.Stop(hup)
	for addr := ""; ; {
		began := time.Now()
		cfg, changed, same := f.inForce()
		d := &Daemon{cfg: cfg, version: o.Version, log: o.Log, speed: 1, file: f}
		if same {
			d.listen = addr // the same again, also if it was any that is free
		}
		anew, err := o.run(ctx, d, hup)
		switch {
		case anew:
			if err != nil {
				o.Log.Error().Err(err).Msg("not all ended well before it begins anew")
			}
		case err != nil && ctx.Err() == nil && changed && time.Since(began) < provedIn:
			o.Log.Error().Err(err).Msg("the changed configuration does not run, and is taken back")
			if e := f.undo(err); e != nil {
				return errors.Join(err, e)
			}
		default:
			return err
		}
		addr = cmp.Or(d.Addr(), addr)
	}
}

// run runs one daemon. It reports whether it ended to begin anew.
func (o *Served) run(ctx context.Context, d *Daemon, hup <-chan os.Signal) (anew bool, _ error) {
	spare(len(d.cfg.Stations))
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	d.leave = cancel
	_, err := open(ctx, d)
	if o.running != nil {
		o.running(d)
	}
	if err != nil {
		return false, err
	}
	var reloads sync.WaitGroup
	reloads.Go(func() {
		for {
			select {
			case <-ctx.Done():
				return
			case <-hup:
				service.Reloading()
				if d.reload(ctx); ctx.Err() == nil {
					service.Notify("READY=1")
				}
			}
		}
	})
	if err := d.noticed(ctx); err != nil {
		d.log.Warn().Err(err).Msg("whether somebody wrote in the configuration is not known")
	}
	page := web.URL(d.Addr())
	d.log.Info().Str("page", page).Str("journal", d.cfg.Journal.Path).Int("stations", len(d.cfg.Stations)).Msg("started")
	if o.Started != nil {
		o.Started(page)
	}
	err = d.Run(ctx)
	anew = errors.Is(context.Cause(ctx), errAnew)
	cancel(nil)
	reloads.Wait()
	return anew, err
}

// collectAt returns how much garbage may build up in relation to the memory in use, in percent. The
// more stations hold memory, the less it is. With 64 gauges at 100 readings a second values from 40 to
// 75, and 400, made no difference to the delays or, below 75, to the processor time, and 40 uses the
// least memory. With one gauge little memory is in use, and collecting it takes much of the processor
// (30 Nov 2026, 2 quiet cores, a flood from one gauge, two runs of two rounds each):
//
//	percent                            40               100              200
//	mosquitto, readings/s              12,450, 12,600   17,550, 16,900   20,950, 18,950
//	mosquitto, processor ms per 1000   105, 105         73, 74           61, 65
//	broker inside, readings/s          14,950, 14,300   20,350, 20,350   24,200, 23,100
func collectAt(stations int) int { return min(200, max(40, 2560/max(1, stations))) }

// spare sets the garbage collector for a number of stations, unless GOGC is set in the environment.
func spare(stations int) {
	if os.Getenv("GOGC") == "" {
		debug.SetGCPercent(collectAt(stations))
	}
}
