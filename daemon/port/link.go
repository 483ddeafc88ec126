package port

import (
	"errors"
	"io"
	"os"
	"time"

	"fairbore/analysis"
)

// link is an open line. The owner goroutine calls all methods except write, which the writer
// goroutine calls. The owner calls close after the last write has returned.
type link interface {
	// read waits for bytes, at most for wait, and passes them to got in order. damaged says that a
	// byte came damaged or is missing in this place. In silence read does not call got and returns
	// no error. An error ends the link.
	read(wait time.Duration, got func(data []byte, damaged bool)) error
	// write sends all of b. Where the system allows it, write fails within about a second.
	write(b []byte) error
	close() error
	String() string // what was opened, for a person
}

// A link may implement these interfaces too.
type (
	// checker checks that the line is still the one that was opened. The owner calls it every
	// quarter of a second. An error ends the link.
	checker interface{ check() error }
	// modem returns the states of the modem lines, or errNoLines if there are none.
	modem interface{ lines() (ModemLines, error) }
	// counter returns the counts of the kernel since the link was opened.
	counter interface{ counts() (KernelCounts, bool) }
	// identified returns the adapter that the line goes through.
	identified interface{ adapter() Adapter }
)

// readWithin reads the bytes that come within wait. Silence is no error. At the end of the stream
// it returns the error gone.
func readWithin(r interface {
	io.Reader
	SetReadDeadline(time.Time) error
}, wait time.Duration, b []byte, gone error) (int, error) {
	if err := r.SetReadDeadline(time.Now().Add(wait)); err != nil {
		return 0, err
	}
	n, err := r.Read(b)
	switch {
	case errors.Is(err, os.ErrDeadlineExceeded):
		return n, nil
	case errors.Is(err, io.EOF):
		return n, gone
	}
	return n, err
}

// KernelCounts are the counts of the kernel's driver for the line.
type KernelCounts struct {
	Frame, Parity, Break uint64 // framing errors, parity errors, breaks
	Overrun, BufOverrun  uint64 // bytes lost in the hardware, bytes lost in the kernel
}

func (k KernelCounts) plus(o KernelCounts) KernelCounts {
	return KernelCounts{k.Frame + o.Frame, k.Parity + o.Parity, k.Break + o.Break, k.Overrun + o.Overrun, k.BufOverrun + o.BufOverrun}
}

// The errors that a caller can test for.
var (
	// ErrDown says that the line isn't open now.
	ErrDown = errors.New("the line is down")
	// ErrBusy says that another program has the device open.
	ErrBusy = errors.New("another program has it open")
	// ErrOtherAdapter says that another adapter has appeared under the configured name.
	ErrOtherAdapter = errors.New("another adapter has this name now")
)

// ServerSaid is the code of the loss of a connection that a device server closed at once, after it
// had said why in a line of text. What came on that connection did not come from the gauge.
const ServerSaid = "port.server_said"

// refusal is an error that another attempt does not fix.
type refusal struct{ error }

func (r refusal) Unwrap() error { return r.error }

func refuse(code string, values ...any) error { return refusal{analysis.Say(code, values...)} }

// fault holds the phrase to tell a person and the error that a caller can test for.
type fault struct {
	analysis.Phrase
	cause error
}

func (f fault) Unwrap() []error { return []error{f.Phrase, f.cause} }

// reason returns the phrase in an error, or else a phrase with the text of the error.
func reason(err error) analysis.Phrase {
	var p analysis.Phrase
	if errors.As(err, &p) {
		return p
	}
	return analysis.Say("port.failed", err)
}
