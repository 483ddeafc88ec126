package port

import (
	"errors"
	"time"

	"fairbore/analysis"
	"fairbore/drivers"

	"github.com/rs/zerolog"
	"go.bug.st/serial"
)

// serialOpener opens one serial line again and again.
type serialOpener struct {
	cfg   Config
	log   zerolog.Logger
	known bool    // first is set
	first Adapter // the adapter at the first opening
}

// recognise refuses an adapter that differs from the adapter at the first opening. Otherwise the
// daemon would apply the corrections of one gauge to the readings of another.
func (o *serialOpener) recognise(a Adapter) error {
	if !o.known {
		o.known, o.first = true, a
		return nil
	}
	if !o.first.same(a) {
		return fault{analysis.Say("port.other_adapter", a, o.first), ErrOtherAdapter}
	}
	return nil
}

func mode(l drivers.Serial) *serial.Mode {
	parity := map[string]serial.Parity{
		"none": serial.NoParity, "even": serial.EvenParity, "odd": serial.OddParity,
		"mark": serial.MarkParity, "space": serial.SpaceParity,
	}
	m := &serial.Mode{BaudRate: l.Baud, DataBits: l.Data, Parity: parity[l.Parity], StopBits: serial.OneStopBit}
	if l.Stop == 2 {
		m.StopBits = serial.TwoStopBits
	}
	return m
}

// serialPort is the library's port. It sets the read timeout in the reading goroutine, and only
// when the timeout changes. It turns a panic into an error: the library's select panics on a
// descriptor of 1024 or more.
type serialPort struct {
	serial.Port
	wait  time.Duration
	marks *marks // nil: the bytes have no marks
	buf   [4096]byte
}

func openSerial(path string, l drivers.Serial) (*serialPort, error) {
	port, err := serial.Open(path, mode(l))
	if err != nil {
		return nil, err
	}
	return &serialPort{Port: port, wait: serial.NoTimeout}, nil
}

func (s *serialPort) read(wait time.Duration, got func([]byte, bool)) error {
	n, err := s.take(wait)
	if err != nil {
		// The library gives the same error for a port that we closed and for a device that went
		// away. Only the owner closes the port, and not during a read, so the device went away.
		if code := new(serial.PortError); errors.As(err, &code) && code.Code() == serial.PortClosed {
			return analysis.Say("port.went_away")
		}
		return err
	}
	switch {
	case n == 0:
	case s.marks != nil:
		s.marks.feed(s.buf[:n], got)
	default:
		got(s.buf[:n], false)
	}
	return nil
}

func (s *serialPort) take(wait time.Duration) (n int, err error) {
	defer func() {
		if fault := recover(); fault != nil {
			err = analysis.Say("port.too_many_files", fault)
		}
	}()
	if wait != s.wait {
		if err := s.SetReadTimeout(wait); err != nil {
			return 0, err
		}
		s.wait = wait
	}
	return s.Port.Read(s.buf[:])
}
