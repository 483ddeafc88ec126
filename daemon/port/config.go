package port

import (
	"fmt"
	"math"
	"net"
	"slices"
	"strconv"
	"strings"
	"time"

	"fairbore/drivers"
)

// Config says what to open and how.
type Config struct {
	Name   string         // name of the port in messages and in file names of recordings
	Device string         // see the package comment
	Line   drivers.Serial // settings of a serial line or an RFC 2217 server; others ignore it

	// Silence is how long the line must be silent, after bytes or after the opening, before Run
	// emits an Idle chunk. 0 means no Idle chunks. The silence is measured where the bytes arrive,
	// so an adapter or a network that delays bytes makes it longer.
	Silence time.Duration

	Modem    bool          // watch the modem lines; they are polled every 8 ms
	Debounce time.Duration // how long a modem line must keep its new state; 0: 25 ms

	// Stale is for a network line whose gauge streams. A connection that is silent for longer is
	// treated as dead. With 0 only the keep-alive finds a dead connection, after some 16 s.
	Stale time.Duration

	// Speed is the pace at which a recording is played: 1 as recorded, 2 twice as fast, 0 as fast
	// as possible.
	Speed    float64
	Progress func(done, total uint64) // called after each chunk of a played recording; may be nil

	RecordDir string            // folder for recordings of all traffic; empty: no recordings
	RecordMax int64             // most bytes of all recordings of this port together; 0: 64 MiB
	About     drivers.Recording // head of each new recording; its entries aren't used

	Start time.Time // Moment.Mono counts from this time; zero: the time of the call of New
	Host  Host      // where the system shows its devices; zero: the usual places of Linux
}

const (
	schemeTCP       = "tcp://"
	schemeRFC2217   = "rfc2217://"
	schemeRecording = "recording:"
	schemeInput     = "input:"

	debounceDefault  = 25 * time.Millisecond
	recordMaxDefault = 64 << 20
	recordMaxLeast   = 64 << 10
)

// inputDevices is the folder of the input devices on Linux. A path in it needs no scheme.
const inputDevices = "/dev/input/"

// rates returns the bit rates that are in use. Many adapters accept other rates too, but another
// rate is more likely a typing error.
func rates() []int {
	return []int{50, 75, 110, 134, 150, 200, 300, 600, 1200, 1800, 2400, 4800, 7200, 9600, 14400, 19200, 28800, 31250,
		38400, 57600, 76800, 115200, 128000, 230400, 250000, 256000, 460800, 500000, 576000, 921600, 1000000, 1152000,
		1500000, 2000000, 2500000, 3000000, 3500000, 4000000}
}

// Check returns all faults of the configuration. Each fault names its field and what is allowed.
func (c Config) Check() []error {
	var faults []error
	fault := func(format string, a ...any) { faults = append(faults, fmt.Errorf(format, a...)) }
	if c.Name == "" {
		fault("name: missing; it tells this port from others")
	}
	faults = append(faults, c.checkDevice()...)
	if c.Silence < 0 || c.Silence > 10*time.Second {
		fault("silence: %v is out of range: give 0 to 10s", c.Silence)
	}
	if c.Debounce < 0 || c.Debounce > time.Second {
		fault("debounce: %v is out of range: give 0 to 1s", c.Debounce)
	}
	if c.Stale < 0 || (c.Stale > 0 && c.Stale < time.Second) {
		fault("stale: %v is out of range: give 0 for never, or at least 1s", c.Stale)
	}
	if !(c.Speed >= 0) || math.IsInf(c.Speed, 0) {
		fault("speed: %v is out of range: give 1 for the recorded pace, more for faster, 0 for as fast as can be", c.Speed)
	}
	if c.RecordMax != 0 && c.RecordMax < recordMaxLeast {
		fault("record_max: %d bytes is out of range: give at least %d, or 0 for %d", c.RecordMax, recordMaxLeast, recordMaxDefault)
	}
	return faults
}

func (c Config) checkDevice() []error {
	scheme, rest := c.split()
	switch scheme {
	case schemeTCP:
		return checkAddress(rest)
	case schemeRFC2217:
		return append(checkAddress(rest), checkLine(c.Line)...)
	case schemeInput:
		if rest == "" {
			return []error{fmt.Errorf("device: %q is not valid: give the path of an input device, such as one under /dev/input/by-id", c.Device)}
		}
		return nil
	case schemeRecording:
		if rest == "" {
			return []error{fmt.Errorf("device: %q is not valid: give the path of a recording after %s", c.Device, schemeRecording)}
		}
		return nil
	}
	var faults []error
	switch {
	case c.Device == "":
		faults = append(faults, fmt.Errorf("device: missing: give the path of a serial line, tcp://HOST:PORT, rfc2217://HOST:PORT or recording:PATH"))
	case strings.Contains(c.Device, "://"):
		faults = append(faults, fmt.Errorf("device: %q is not valid: give the path of a serial line, tcp://HOST:PORT, rfc2217://HOST:PORT or recording:PATH", c.Device))
	}
	return append(faults, checkLine(c.Line)...)
}

// Recorded reports whether a device is a recording.
func Recorded(device string) bool { return strings.HasPrefix(device, schemeRecording) }

// split cuts the device into its scheme and the rest. The scheme of a plain path is empty.
func (c Config) split() (scheme, rest string) {
	if strings.HasPrefix(c.Device, inputDevices) {
		return schemeInput, c.Device
	}
	for _, s := range []string{schemeTCP, schemeRFC2217, schemeRecording, schemeInput} {
		if rest, ok := strings.CutPrefix(c.Device, s); ok {
			return s, rest
		}
	}
	return "", c.Device
}

func checkAddress(address string) []error {
	host, port, err := net.SplitHostPort(address)
	if err != nil {
		return []error{fmt.Errorf("device: %q is not valid: give HOST:PORT, such as 192.0.2.7:4001 or [2001:db8::7]:4001", address)}
	}
	var faults []error
	if host == "" {
		faults = append(faults, fmt.Errorf("device: %q: the host is missing", address))
	}
	if n, err := strconv.Atoi(port); err != nil || n < 1 || n > 65535 {
		faults = append(faults, fmt.Errorf("device: %q is not valid: give a port number from 1 to 65535", address))
	}
	return faults
}

func checkLine(l drivers.Serial) []error {
	var faults []error
	fault := func(format string, a ...any) { faults = append(faults, fmt.Errorf(format, a...)) }
	if !slices.Contains(rates(), l.Baud) {
		fault("baud: %d is not valid: give the gauge's rate, such as 9600; the nearest in use is %d", l.Baud, nearestRate(l.Baud))
	}
	if l.Data != 7 && l.Data != 8 {
		fault("data: %d is out of range: give 7 or 8 data bits", l.Data)
	}
	if !slices.Contains([]string{"none", "even", "odd", "mark", "space"}, l.Parity) {
		fault("parity: %q is not valid: give none, even, odd, mark or space", l.Parity)
	}
	if l.Stop != 1 && l.Stop != 2 {
		fault("stop: %d is out of range: give 1 or 2 stop bits", l.Stop)
	}
	return faults
}

func nearestRate(baud int) int {
	best := rates()[0]
	for _, r := range rates()[1:] {
		if abs(r-baud) < abs(best-baud) {
			best = r
		}
	}
	return best
}

func abs(n int) int { return max(n, -n) }
