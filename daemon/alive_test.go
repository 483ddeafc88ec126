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

// What the service manager is told has the day with a time of another day.
func TestSince(t *testing.T) {
	now := time.Date(2026, 11, 30, 9, 0, 0, 0, time.Local)
	for want, at := range map[string]time.Time{
		"": {}, " since 08:59": now.Add(-time.Minute).UTC(), " since 2026-11-29 21:00": now.Add(-12 * time.Hour),
	} {
		if got := since(at, now); got != want {
			t.Errorf("%v: %q, want %q", at, got, want)
		}
	}
}
