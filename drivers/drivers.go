// Package drivers turns the bytes that a gauge sends into samples. Each wire format has a file, and
// one table lists them all.
//
// A driver frames and decodes. The two steps are separate, and neither does input or output: Split
// cuts the bytes into frames, and Decode turns a whole frame into samples or returns a [Reason] why
// it can't. A [Sample] keeps the digits and the unit that the gauge sent. The drivers convert
// nothing, correct nothing and guess nothing. A frame that is not understood is rejected, and the
// rejects are counted by their reason.
//
// To add a driver, add a file with the layout of the frame as its comment, a line in [Table], a
// folder of recordings in testdata/drivers (see [Recording]), an example in configs/drivers, and a
// fuzz target in drivers_test.go.
package drivers

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Unit is the unit of a sample as the gauge states it. It is a UCUM code (ucum.org), or empty if
// the gauge states no unit.
type Unit string

// Units that a gauge, a scale or a sensor sends.
const (
	NoUnit    Unit = ""
	MM        Unit = "mm"
	UM        Unit = "um"
	Inch      Unit = "[in_i]"
	MicroInch Unit = "u[in_i]"
	Celsius   Unit = "Cel"
	Degree    Unit = "deg"
)

// Sample is one value decoded from the gauge, as sent: Digits × 10^-Places Unit.
type Sample struct {
	Channel string // which of the gauge's values this is; empty if the gauge sends only one
	Digits  int64
	Places  int // decimal places sent, 0 or more
	Unit    Unit
	Raw     []byte // the frame that held the sample; copy it to keep it
}

// Decimal writes the number as it was sent, without the unit: "-0.0044".
func (s Sample) Decimal() string {
	digits := strconv.FormatInt(s.Digits, 10)
	sign := ""
	if digits[0] == '-' {
		sign, digits = "-", digits[1:]
	}
	if n := s.Places + 1 - len(digits); n > 0 {
		digits = strings.Repeat("0", n) + digits
	}
	if s.Places == 0 {
		return sign + digits
	}
	point := len(digits) - s.Places
	return sign + digits[:point] + "." + digits[point:]
}

// String writes the sample on one line: "A: -0.0044 mm".
func (s Sample) String() string {
	text := s.Decimal()
	if s.Channel != "" {
		text = s.Channel + ": " + text
	}
	if s.Unit != NoUnit {
		text += " " + string(s.Unit)
	}
	return text
}

// Reason is why a frame gave no sample. The zero value means that there is no reason.
type Reason string

// Error makes a Reason an error.
func (r Reason) Error() string { return string(r) }

// The reasons. Rejects are counted by reason.
const (
	TooShort    Reason = "too short"
	TooLong     Reason = "too long"
	Noise       Reason = "not this format" // bytes or a frame of some other kind
	NoNumber    Reason = "no number"       // the frame is right, but it has text in place of the number
	OverRange   Reason = "over range"      // the gauge says that it is beyond its travel
	CheckFailed Reason = "check failed"    // a checksum, check digit or echo does not agree
	UnknownUnit Reason = "unit unknown"
	OtherUnit   Reason = "other unit"       // not the unit that the gauge is set to
	TooLarge    Reason = "number too large" // more digits than can be kept
	Cut         Reason = "may be cut"       // the first bytes after opening, which may be the end of a frame
	LineError   Reason = "line error"       // parity or framing error reported by the port
	GaugeError  Reason = "gauge error"      // the gauge reports that it has a fault
	NotAsked    Reason = "not asked"        // a reply to another request, or to no request
	BadChannel  Reason = "other channel"    // a channel that is not configured
)

// Decoder decodes the stream of one gauge. One goroutine uses it. It may keep state between calls.
type Decoder interface {
	// Split finds the first frame in data, as bufio.SplitFunc does. It returns how many bytes to
	// drop, and the frame. A nil frame means that there is no frame yet; a nil frame with advance >
	// 0 drops noise. idle says that no more bytes belong to data, because the line fell silent (see
	// Pauser) or was closed. A frame that is empty but not nil drops filler that is no fault, such
	// as the second of two line ends. Split never returns more than len(data) and never keeps data.
	Split(data []byte, idle bool) (advance int, frame []byte)
	// Decode appends the samples of the frame that Split returned last to out, or fails with a
	// [Reason]. Sample.Raw may alias frame. Decode does not allocate for a good frame if out has
	// room.
	Decode(frame []byte, out []Sample) ([]Sample, error)
}

// Pauser is a Decoder for which silence has a meaning: it shows that a frame is over, or that the
// next byte begins a frame.
type Pauser interface {
	// Pause returns how long the line must be silent before Split is called with idle. Split is
	// called with idle at least once after the line was opened, and once after bytes came. It
	// should be called with idle again after another silence of the same length. The first call
	// ends a frame that broke off. The second call shows that the rest of that frame will not come.
	Pause() time.Duration
}

// Resetter is a Decoder that remembers its place in the stream.
type Resetter interface {
	// Reset forgets the place, as after the line was opened: the next bytes may begin within a
	// frame. A new decoder is in that state.
	Reset()
}

// Checker is a Decoder that can tell whether a damaged byte would be noticed.
type Checker interface {
	// Checked reports whether every frame carries a check, so that a damaged frame is never taken
	// for another value.
	Checked() bool
}

// Requester is a Decoder of a gauge that sends only when it is asked.
type Requester interface {
	// Request appends the bytes to send next. The reply is passed to Split and Decode, which check
	// that it answers this request. Request may append nothing. Then nothing is sent, and whatever
	// comes before the timeout is an answer that came too late.
	Request(out []byte) []byte
	// Pace returns the least time between two requests, and how long to wait for a reply before the
	// next request.
	Pace() (interval, timeout time.Duration)
}

// Serial holds the settings of a serial line.
type Serial struct {
	Baud   int    // bits per second
	Data   int    // 7 or 8
	Parity string // none, even, odd, mark, space
	Stop   int    // 1 or 2
}

// String writes the settings in the usual way: "9600 8N1".
func (l Serial) String() string {
	p := "?"
	if l.Parity != "" {
		p = strings.ToUpper(l.Parity[:1])
	}
	return fmt.Sprintf("%d %d%s%d", l.Baud, l.Data, p, l.Stop)
}

// Option is a setting of a driver.
type Option struct {
	Name    string
	Help    string   // one line
	Default string   // the value if none is given
	Values  []string // the allowed values; nil if New accepts any text
}

// Driver is an entry of the table.
type Driver struct {
	Name    string // the name in the configuration
	Help    string // one line
	Line    Serial // usual settings of the serial line
	Options []Option
	// New makes a decoder. Callers use the method Decoder, which sets the options that were left
	// out to their defaults. New opens no port. Its errors name the option and say what is allowed.
	New func(Options) (Decoder, error)
}

// Options are a driver's settings by name.
type Options map[string]string

// Decoder returns a new decoder after checking that every option is known and has an allowed value.
// One error holds all faults, one on each line.
func (d *Driver) Decoder(o Options) (Decoder, error) {
	full := Options{}
	var faults []string
	for _, opt := range d.Options {
		v, given := o[opt.Name]
		if !given {
			v = opt.Default
		}
		if given && opt.Values != nil && !slices.Contains(opt.Values, v) {
			faults = append(faults, fmt.Sprintf("%s: %q is not one of %s", opt.Name, v, strings.Join(opt.Values, ", ")))
		}
		full[opt.Name] = v
	}
	names := make([]string, 0, len(o))
	for name := range o {
		names = append(names, name)
	}
	slices.Sort(names)
	for _, name := range names {
		if _, ok := full[name]; !ok {
			faults = append(faults, fmt.Sprintf("%s: driver %s has no such option; it has %s", name, d.Name, d.optionNames()))
		}
	}
	if faults != nil {
		return nil, fmt.Errorf("%s", strings.Join(faults, "\n"))
	}
	dec, err := d.New(full)
	if err != nil {
		return nil, err
	}
	return dec, nil
}

func (d *Driver) optionNames() string {
	if len(d.Options) == 0 {
		return "none"
	}
	names := make([]string, len(d.Options))
	for i, o := range d.Options {
		names[i] = o.Name
	}
	return strings.Join(names, ", ")
}

// Find returns the driver of that name.
func Find(name string) (*Driver, error) {
	table := Table()
	names := make([]string, len(table))
	for i := range table {
		if table[i].Name == name {
			return &table[i], nil
		}
		names[i] = table[i].Name
	}
	return nil, fmt.Errorf("driver %q: not one of %s", name, strings.Join(names, ", "))
}
