package daemon

import (
	"testing"
	"testing/synctest"
	"time"
)

// TestAliveAsksEveryStation checks that the watchdog is pinged only for progress: the goroutine of
// each station must answer.
func TestAliveAsksEveryStation(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := &Daemon{stations: []*station{{ping: make(chan struct{})}, {ping: make(chan struct{})}}}
		for _, s := range d.stations {
			go func() { <-s.ping }()
		}
		if !d.alive(t.Context(), time.Second) {
			t.Error("not alive although both stations answered")
		}
		go func() { <-d.stations[0].ping }()
		began := time.Now()
		if d.alive(t.Context(), time.Second) || time.Since(began) != time.Second {
			t.Errorf("alive, or waited %s of 1s, although the second station is stuck", time.Since(began))
		}
	})
}
