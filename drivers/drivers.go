// Package drivers turns the bytes a gauge sends into samples: one file per
// wire format, and one table of them all.
//
// A driver is framing and decoding, kept apart and both pure: Split cuts bytes
// into frames, Decode turns a whole frame into samples or a [Reason] why not.
// A [Sample] keeps what the gauge said, digits and unit; nothing is converted
// or corrected here, and nothing is guessed: a frame that isn't understood is
// rejected and counted by its reason.
//
// To add a driver: a file with the layout of the frame as its comment, a line
// in [Table], a folder of recordings in testdata/drivers (see [Recording]), an
// example in configs/drivers, a fuzz target in drivers_test.go.
package drivers

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Unit is the unit of a sample as the gauge states it, a UCUM code
// (ucum.org); empty if it states none.
type Unit string

// Units a gauge, scale or sensor sends.
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
	Channel string // which of several values of the gauge, empty if it sends one
	Digits  int64
	Places  int // decimal places sent, 0 or more
	Unit    Unit
	Raw     []byte // the frame it came in; copy it to keep it
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

// Reason is why a frame gave no sample. The zero value is no reason.
type Reason string

// Error makes a Reason an error.
func (r Reason) Error() string { return string(r) }

// The reasons. Rejects are counted by them.
const (
	TooShort    Reason = "too short"
	TooLong     Reason = "too long"
	Noise       Reason = "not this format" // bytes or a frame of some other kind
	NoNumber    Reason = "no number"       // the right frame with text in the number's place
	OverRange   Reason = "over range"      // the gauge says that it is beyond its travel
	CheckFailed Reason = "check failed"    // a checksum, check digit or echo does not agree
	UnknownUnit Reason = "unit unknown"
	OtherUnit   Reason = "other unit"       // not the unit that the gauge is set to
	TooLarge    Reason = "number too large" // more digits than can be kept
	Cut         Reason = "may be cut"       // the first bytes after opening, which may be the end of a frame
	LineError   Reason = "line error"       // parity or framing error reported by the port
	GaugeError  Reason = "gauge error"      // the gauge reports a fault of its own
	NotAsked    Reason = "not asked"        // a reply to another request, or to none
	BadChannel  Reason = "other channel"    // a channel that is not configured
)

// Decoder decodes the stream of one gauge. It is used by one goroutine and may
// keep state between calls.
type Decoder interface {
	// Split finds the first frame in data, as bufio.SplitFunc does: it returns
	// how many bytes to drop and the frame (nil: none yet; advance > 0 with a
	// nil frame drops noise). idle says that no more bytes belong to these: the
	// line fell silent (see Pauser) or was closed. A frame that is empty but not
	// nil drops filler that is no fault, such as the second of two line ends.
	// Split never returns more than len(data) and never keeps data.
	Split(data []byte, idle bool) (advance int, frame []byte)
	// Decode appends the samples of the frame that Split returned last to out,
	// or fails with a [Reason]. Sample.Raw may alias frame. It does not allocate
	// for a good frame when out has room.
	Decode(frame []byte, out []Sample) ([]Sample, error)
}

// Pauser is a Decoder to which silence tells something: that a frame is over,
// or that the next byte begins one.
type Pauser interface {
	// Pause returns how long the line must be silent to be called idle: once
	// after opening and once after bytes, at the least. It should be called
	// idle again when as much silence follows: the first time ends a frame that
	// broke off, the second tells that its rest will not come.
	Pause() time.Duration
}

// Resetter is a Decoder that keeps its place in the stream.
type Resetter interface {
	// Reset forgets the place, as after the line was opened: the bytes that
	// come next may begin within a frame. A new decoder is in that state.
	Reset()
}

// Checker is a Decoder that can tell whether a damaged byte would be noticed.
type Checker interface {
	// Checked reports whether every frame carries a check, so that a damaged
	// one is never taken for another value.
	Checked() bool
}

// Requester is a Decoder of a gauge that speaks only when asked.
type Requester interface {
	// Request appends the bytes to send next. The reply comes to Split and
	// Decode, which check that it answers this request. It may append nothing:
	// then nothing is sent, and what comes until the timeout is an answer that
	// came too late.
	Request(out []byte) []byte
	// Pace returns the least time between two requests, and how long to wait
	// for a reply before asking again.
	Pace() (interval, timeout time.Duration)
}

// Serial is how a serial line is set.
type Serial struct {
	Baud   int    // bits per second
	Data   int    // 7 or 8
	Parity string // none, even, odd, mark, space
	Stop   int    // 1 or 2
}

// String writes the line the usual way: "9600 8N1".
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
	Default string   // what it is when not given
	Values  []string // the values allowed, nil for any text that New accepts
}

// Driver is an entry of the table.
type Driver struct {
	Name    string // as in the configuration
	Help    string // one line
	Line    Serial // usual settings of the serial line
	Options []Option
	// New makes a decoder; use the method Decoder, which sets the options that
	// were left out to their defaults. It touches no port. Its errors name the
	// option and say what is allowed.
	New func(Options) (Decoder, error)
}

// Options are a driver's settings by name.
type Options map[string]string

// Decoder returns a new decoder after checking that every option is known and
// has an allowed value. All faults come in one error, a line each.
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
