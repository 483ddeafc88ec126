// Package service reports the state of the program to the service manager that started it.
package service

import (
	"context"
	"fmt"
	"net"
	"os"
	"strconv"
	"strings"
	"time"
)

// Notify sends a state to the service manager (sd_notify(3)), as a datagram to the socket that the
// manager named. A manager that does not read must not hold up a gauge, so the write has a deadline
// and errors are ignored.
func Notify(state string) {
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

// Reloading tells the service manager that the configuration is read again. The manager waits until
// it is told READY=1.
func Reloading() { Notify(fmt.Sprintf("RELOADING=1\nMONOTONIC_USEC=%d", monotonic().Microseconds())) }

// statusEvery is how often the text of the program's state is looked at.
const statusEvery = time.Second

// Status keeps the service manager's line about the program up to date until ctx ends. The function
// text returns the line. Status returns at once if there is no service manager.
func Status(ctx context.Context, text func() string) {
	if os.Getenv("NOTIFY_SOCKET") == "" {
		return
	}
	t := time.NewTicker(statusEvery)
	defer t.Stop()
	for told := ""; ; {
		if now := strings.Join(strings.Fields(text()), " "); now != told {
			Notify("STATUS=" + now)
			told = now
		}
		select {
		case <-ctx.Done():
			return
		case <-t.C:
		}
	}
}

// Watchdog pings the service manager's watchdog (sd_watchdog_enabled(3)) while the program is
// alive. The function alive must answer within its limit. Watchdog returns when ctx ends, or at
// once if there is no watchdog.
func Watchdog(ctx context.Context, alive func(ctx context.Context, limit time.Duration) bool) {
	usec, err := strconv.Atoi(os.Getenv("WATCHDOG_USEC"))
	if err != nil || usec <= 0 {
		return
	}
	every := time.Duration(usec) * time.Microsecond / 3
	t := time.NewTicker(every)
	defer t.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-t.C:
			if alive(ctx, every) {
				Notify("WATCHDOG=1")
			}
		}
	}
}
