package port

import "bytes"

// marks separates good bytes and marks in what a terminal with PARMRK sends (POSIX, General
// Terminal Interface, "Input Modes"). FF 00 xx stands for the byte xx with a parity or framing
// error. FF 00 00 also stands for a break. FF FF stands for a good FF. The end of a read may cut a
// mark in two.
type marks struct{ state uint8 }

const (
	markNone  = iota
	markFF    // FF came
	markFF00  // FF 00 came
	markByte  = 0xFF
	goodBytes = "\xFF"
)

// feed passes the good bytes in p to got as slices of p or as a constant. It drops each damaged
// byte and calls got with damaged set instead.
func (m *marks) feed(p []byte, got func(data []byte, damaged bool)) {
	for len(p) > 0 {
		switch m.state {
		case markNone:
			i := bytes.IndexByte(p, markByte)
			if i < 0 {
				got(p, false)
				return
			}
			if i > 0 {
				got(p[:i], false)
			}
			m.state, p = markFF, p[i+1:]
		case markFF:
			m.state = markNone
			switch p[0] {
			case markByte:
				got([]byte(goodBytes), false)
			case 0:
				m.state = markFF00
			default: // no valid mark; the kernel never sends one
				got(nil, true)
			}
			p = p[1:]
		default:
			m.state, p = markNone, p[1:]
			got(nil, true)
		}
	}
}
