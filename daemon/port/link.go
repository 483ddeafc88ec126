package port

import (
	"errors"
	"io"
	"os"
	"time"

	"fairbore/analysis"
)

// link is an open line. Its owner goroutine calls everything but write, which
// the writer goroutine calls; close comes after write has returned for good.
type link interface {
	// read waits for bytes, at most for wait, and passes them to got in order;
	// damaged says that a byte came damaged or is missing in this place.
	// Silence is no error: got isn't called. An error ends the link.
	read(wait time.Duration, got func(data []byte, damaged bool)) error
	// write sends all of b, or fails within about a second where it can.
	write(b []byte) error
	close() error
	String() string // what was opened, for a person
}

// Links may do more.
type (
	// checker looks whether the line is still what was opened; every quarter
	// of a second. An error ends the link.
	checker interface{ check() error }
	// modem has modem lines, or returns errNoLines.
	modem interface{ lines() (ModemLines, error) }
	// counter has counters of the kernel, since it was opened.
	counter interface{ counts() (KernelCounts, bool) }
	// identified knows which adapter it goes through.
	identified interface{ adapter() Adapter }
)

// readWithin reads what comes within wait. Silence is no error; the end of the stream is
// the error gone.
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

// KernelCounts are what the kernel's driver counted on the line.
type KernelCounts struct {
	Frame, Parity, Break uint64 // damaged bytes, breaks
	Overrun, BufOverrun  uint64 // bytes lost in the hardware, in the kernel
}

func (k KernelCounts) plus(o KernelCounts) KernelCounts {
	return KernelCounts{k.Frame + o.Frame, k.Parity + o.Parity, k.Break + o.Break, k.Overrun + o.Overrun, k.BufOverrun + o.BufOverrun}
}

// Errors that callers decide on.
var (
	// ErrDown says that the line isn't open just now.
	ErrDown = errors.New("the line is down")
	// ErrBusy says that another program has the device.
	ErrBusy = errors.New("another program has it open")
	// ErrOtherAdapter says that another adapter turned up under the name.
	ErrOtherAdapter = errors.New("another adapter has this name now")
)

// refusal is an error that another attempt can't fix.
type refusal struct{ error }

func (r refusal) Unwrap() error { return r.error }

func refuse(code string, values ...any) error { return refusal{analysis.Say(code, values...)} }

// fault is what a person is to be told, and the error that callers decide on.
type fault struct {
	analysis.Phrase
	cause error
}

func (f fault) Unwrap() []error { return []error{f.Phrase, f.cause} }

// reason says why a line is lost: the phrase in an error, or what the system says.
func reason(err error) analysis.Phrase {
	var p analysis.Phrase
	if errors.As(err, &p) {
		return p
	}
	return analysis.Say("port.failed", err)
}
