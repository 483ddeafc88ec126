//go:build !linux

package port

import (
	"errors"
	"fmt"

	"go.bug.st/serial"

	"fairbore/analysis"
)

// ttyLink is a serial line on a system other than Linux. It has no side descriptor. Windows always
// opens a port exclusively. This is untested on such a system.
type ttyLink struct {
	*serialPort
	name string
}

func (o *serialOpener) open() (link, error) {
	port, err := openSerial(o.cfg.Device, o.cfg.Line)
	code := new(serial.PortError)
	switch {
	case err == nil:
		return &ttyLink{port, fmt.Sprintf("%s at %v", o.cfg.Device, o.cfg.Line)}, nil
	case errors.As(err, &code) && code.Code() == serial.PortBusy:
		return nil, refusal{fault{analysis.Say("port.busy_hidden", o.cfg.Device), ErrBusy}}
	}
	return nil, fault{analysis.Say("port.open", o.cfg.Device, err), err}
}

// write may block in the driver. The owner then leaves the port alone until write returns.
func (t *ttyLink) write(b []byte) error {
	_, err := t.Port.Write(b)
	return err
}

func (t *ttyLink) lines() (ModemLines, error) {
	b, err := t.GetModemStatusBits()
	if err != nil {
		return ModemLines{}, fmt.Errorf("%w: %w", errNoLines, err)
	}
	return ModemLines{CTS: b.CTS, DSR: b.DSR, DCD: b.DCD, RI: b.RI}, nil
}

func (t *ttyLink) close() error   { return t.Port.Close() }
func (t *ttyLink) String() string { return t.name }

// Hindrance says why this program could not open a device now. On this system only opening tells.
func (h Host) Hindrance(string) analysis.Phrase { return analysis.Phrase{} }
