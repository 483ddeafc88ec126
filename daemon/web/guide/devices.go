package guide

import (
	"reflect"
	"sync"
	"time"

	"github.com/rs/zerolog"

	"fairbore/daemon/port"
)

// Machine is what [Devices] need of the running program. Its functions may be called from any
// goroutine.
type Machine struct {
	// Uses returns the station that uses a device, "" for none.
	Uses func(device string) (station string)
	// Wired returns the port with the contacts of a station, nil if there is none, and the lines that
	// are set up as its pedal and its spindle, "" for none.
	Wired func(station string) (p *port.Port, pedal, spindle string)
	Host  port.Host // where the system shows its devices; zero: the usual places
	Log   zerolog.Logger
}

// Devices are what is plugged into this machine: its ports, the gauge that is listened to, and the
// contacts that are tried. [NewDevices] makes them; their methods may be called from any goroutine.
type Devices struct {
	Machine

	mu      sync.Mutex // guards the fields below
	ear     *ear       // the newest, nil before the first
	trying  bool       // somebody tries the contacts of a port that no station uses
	closed  bool
	plugged plugged
}

// NewDevices returns the devices of a machine. They must be closed.
func NewDevices(m Machine) *Devices { return &Devices{Machine: m} }

// Close ends listening, and gives the port back.
func (d *Devices) Close() {
	d.mu.Lock()
	d.closed = true
	d.mu.Unlock()
	d.Stop()
}

// follow calls say every so often until done is closed, and sends what it says if that is new. If
// nothing is, it sends nil, by which send may show that it is still there. send returns false if
// the viewer has gone.
func follow[T any](done <-chan struct{}, every time.Duration, say func() T, send func(v any) bool) {
	tick := time.NewTicker(every)
	defer tick.Stop()
	var last any
	for {
		v := any(say())
		if reflect.DeepEqual(v, last) {
			v = nil
		} else {
			last = v
		}
		if !send(v) {
			return
		}
		select {
		case <-tick.C:
		case <-done:
			return
		}
	}
}
