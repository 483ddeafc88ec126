package daemon

import (
	"context"
	"net"
	"os"
	"strconv"
	"time"
)

// notify tells the service manager a state (sd_notify(3)): a datagram to the
// socket it named. A manager that does not read must not stop a gauge, so the
// write has a deadline, and what goes wrong is left alone.
func notify(state string) {
	path := os.Getenv("NOTIFY_SOCKET")
	if path == "" {
		return
	}
	if path[0] == '@' {
		path = "\x00" + path[1:]
	}
	c, err := net.DialTimeout("unixgram", path, 100*time.Millisecond)
	if err != nil {
		return
	}
	defer c.Close()
	if err := c.SetWriteDeadline(time.Now().Add(100 * time.Millisecond)); err == nil {
		_, _ = c.Write([]byte(state))
	}
}

// watch pings the service manager's watchdog (sd_watchdog_enabled(3)) as long as
// every station's goroutine answers: progress is watched, not life. A lost gauge
// is no reason to stop pinging. The channel is closed when watching has ended.
func (d *Daemon) watch(ctx context.Context) <-chan struct{} {
	done := make(chan struct{})
	usec, err := strconv.Atoi(os.Getenv("WATCHDOG_USEC"))
	if err != nil || usec <= 0 {
		close(done)
		return done
	}
	every := time.Duration(usec) * time.Microsecond / 3
	go func() {
		defer close(done)
		t := time.NewTicker(every)
		defer t.Stop()
		for {
			select {
			case <-ctx.Done():
				return
			case <-t.C:
				if d.alive(ctx, every) {
					notify("WATCHDOG=1")
				}
			}
		}
	}()
	return done
}

// alive reports whether every station's goroutine answers in time.
func (d *Daemon) alive(ctx context.Context, limit time.Duration) bool {
	ctx, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	for _, s := range d.stations {
		select {
		case s.ping <- struct{}{}:
		case <-ctx.Done():
			return false
		}
	}
	return true
}
