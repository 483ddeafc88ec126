package port

import "bytes"

// Telnet codes (RFC 854, RFC 855) and options (RFC 856, RFC 858, RFC 2217).
const (
	telnetSE   = 240
	telnetSB   = 250
	telnetWILL = 251
	telnetWONT = 252
	telnetDO   = 253
	telnetDONT = 254
	telnetIAC  = 255

	optionBinary  = 0
	optionSGA     = 3
	optionComPort = 44
)

// maxSub is the size of the longest sub-negotiation that is kept. A sub-negotiation of RFC 2217 has
// a few bytes, except a signature, which we don't ask for.
const maxSub = 256

// telnetHandler receives the contents of a telnet stream, in order.
type telnetHandler interface {
	data(b []byte)
	option(verb, option byte)
	sub(b []byte) // the option and its value, unescaped
}

// telnet separates data, options and sub-negotiations in a stream. The end of a read may cut the
// stream anywhere.
type telnet struct {
	state telnetState
	verb  byte
	subn  []byte
	long  bool // the sub-negotiation is longer than maxSub and is dropped
}

type telnetState uint8

const (
	inData telnetState = iota
	afterIAC
	afterVerb
	inSub
	inSubIAC
)

func (t *telnet) feed(p []byte, h telnetHandler) {
	for len(p) > 0 {
		if t.state == inData {
			i := bytes.IndexByte(p, telnetIAC)
			if i < 0 {
				h.data(p)
				return
			}
			if i > 0 {
				h.data(p[:i])
			}
			t.state, p = afterIAC, p[i+1:]
			continue
		}
		t.step(p[:1], h)
		p = p[1:]
	}
}

// step takes one byte that belongs to a telnet command.
func (t *telnet) step(p []byte, h telnetHandler) {
	c := p[0]
	switch t.state {
	case afterIAC:
		t.command(p, h)
	case afterVerb:
		t.state = inData
		h.option(t.verb, c)
	case inSub:
		if c == telnetIAC {
			t.state = inSubIAC
			return
		}
		t.keep(c)
	case inSubIAC:
		t.state = inSub
		switch c {
		case telnetIAC:
			t.keep(c)
		case telnetSE:
			t.state = inData
			if !t.long && len(t.subn) > 0 {
				h.sub(t.subn)
			}
		default: // another command has begun, so the sub-negotiation was never ended
			t.command(p, h)
		}
	}
}

func (t *telnet) command(p []byte, h telnetHandler) {
	t.state = inData
	switch c := p[0]; c {
	case telnetIAC:
		h.data(p)
	case telnetWILL, telnetWONT, telnetDO, telnetDONT:
		t.state, t.verb = afterVerb, c
	case telnetSB:
		t.state, t.subn, t.long = inSub, t.subn[:0], false
	}
}

func (t *telnet) keep(c byte) {
	if len(t.subn) >= maxSub {
		t.long = true
		return
	}
	t.subn = append(t.subn, c)
}

// appendEscaped appends data to b and doubles each IAC.
func appendEscaped(b, data []byte) []byte {
	for _, c := range data {
		if c == telnetIAC {
			b = append(b, c)
		}
		b = append(b, c)
	}
	return b
}

// appendSub appends a sub-negotiation to b.
func appendSub(b []byte, option byte, value ...byte) []byte {
	b = append(b, telnetIAC, telnetSB, option)
	b = appendEscaped(b, value)
	return append(b, telnetIAC, telnetSE)
}
