package port

import "bytes"

// marks takes apart the bytes of a terminal with PARMRK set (POSIX, General
// Terminal Interface, "Input Modes"): FF 00 xx stands for the byte xx that
// came with a parity or framing error, FF 00 00 for a break too, FF FF for a
// good FF. A mark may be cut by the end of a read.
type marks struct{ state uint8 }

const (
	markNone  = iota
	markFF    // FF came
	markFF00  // FF 00 came
	markByte  = 0xFF
	goodBytes = "\xFF"
)

// feed passes the good bytes in p to got, and calls it with damaged for each damaged
// one, which is dropped. The bytes are slices of p, or constant.
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
			default: // not of this code; the kernel never sends it
				got(nil, true)
			}
			p = p[1:]
		default:
			m.state, p = markNone, p[1:]
			got(nil, true)
		}
	}
}
