package daemon

import (
	"context"
	"errors"
	"os"
	"os/signal"
	"runtime/debug"
	"sync"
	"syscall"

	"github.com/rs/zerolog"

	"fairbore/daemon/config"
	"fairbore/daemon/service"
	"fairbore/daemon/setup"
	"fairbore/daemon/web"
)

// Serve runs a configuration until ctx ends. It refuses one that opens something to the network
// without saying that it is meant. On SIGHUP it reads the file again. New jobs, rings and
// limits apply from then on, but a job in progress keeps its own. The ports, the journal, the
// broker and the page stay as they are until a restart. A file with faults changes nothing.
func Serve(ctx context.Context, cfg *config.Config, path, version string, log zerolog.Logger) error {
	if err := errors.Join(cfg.Exposed()...); err != nil {
		return err
	}
	spare(len(cfg.Stations))
	d, err := New(ctx, cfg, version, log)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithCancel(ctx)
	hup := make(chan os.Signal, 1)
	signal.Notify(hup, syscall.SIGHUP)
	defer signal.Stop(hup)
	var reloads sync.WaitGroup
	reloads.Go(func() {
		for {
			select {
			case <-ctx.Done():
				return
			case <-hup:
				d.reload(ctx, path)
			}
		}
	})
	log.Info().Str("page", web.URL(d.Addr())).Str("journal", cfg.Journal.Path).Int("stations", len(cfg.Stations)).Msg("started")
	err = d.Run(ctx)
	cancel()
	reloads.Wait()
	return err
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

// reload reads the configuration again and gives each station the settings that may change while it
// runs.
func (d *Daemon) reload(ctx context.Context, path string) {
	service.Reloading()
	defer service.Notify("READY=1")
	cfg, err := config.Load(path)
	if err == nil {
		err = setup.Check(cfg)
	}
	if err != nil {
		d.log.Error().Err(err).Msg("configuration not reloaded; the one before stays in force")
		return
	}
	for _, s := range d.stations {
		for i := range cfg.Stations {
			if cfg.Stations[i].Name != s.name {
				continue
			}
			set := d.settingsOf(cfg, &cfg.Stations[i])
			select {
			case s.settings <- set:
				d.hub.Configure(set)
			case <-ctx.Done():
				return
			}
		}
	}
	d.log.Info().Str("file", path).Msg("configuration reloaded")
}
