package drivers

import "encoding/binary"

// Driver modbus-tcp: registers read over a network (Modbus Messaging on TCP/IP V1.0b, from memory).
// Each letter is a byte:
//
//	to it    tt pp ll u f aa nn       00 01 00 00 00 06 01 04 00 00 00 02
//	from it  tt pp ll u f b dd dd ..  00 01 00 00 00 07 01 04 04 00 01 F0 1B
//	         tt pp ll u F x           00 01 00 00 00 03 01 84 02
//
//	t  transaction, counted up    p  protocol, 0    l  bytes that follow
//	u  unit    f aa nn b dd F x  see modbus
//
// The transaction number tells which request a reply answers. The frame has no check of its own;
// only TCP checks it.
func modbusTCPDriver() Driver {
	return Driver{
		Name:    "modbus-tcp",
		Help:    "registers read by Modbus over a network",
		Options: modbusOptions(),
		New:     newModbusTCP,
	}
}

type modbusTCP struct {
	pacing
	modbus
	transaction uint16 // transaction number of the latest request
	asked       bool   // the latest request was not answered yet
}

func newModbusTCP(o Options) (Decoder, error) {
	r := &optionReader{options: o}
	d := &modbusTCP{pacing: readPacing(r), modbus: readModbus(r)}
	return d, r.err()
}

// mbap is the length of the header, up to and including the unit.
const mbap = 7

// Reset implements Resetter. A reply can't come over a new connection, so the count begins again.
func (d *modbusTCP) Reset() { d.asked, d.transaction = false, 0 }

// Request implements Requester.
func (d *modbusTCP) Request(out []byte) []byte {
	d.asked = true
	d.transaction++
	out = binary.BigEndian.AppendUint16(out, d.transaction)
	return d.appendRequest(append(out, 0, 0, 0, 6, d.unit))
}

// Split implements Decoder.
func (d *modbusTCP) Split(data []byte, _ bool) (advance int, frame []byte) {
	for i := range data {
		switch n := d.length(data[i:]); {
		case n < 0:
			continue
		case i > 0: // noise before the reply
			return i, nil
		case n > 0 && n <= len(data):
			return n, data[:n]
		}
		return 0, nil
	}
	return len(data), nil
}

// length returns the length of the reply that data may begin with, with the same special values as
// modbus.measure.
func (d *modbusTCP) length(data []byte) int {
	body := 0 // length that the header states
	for i, c := range data[:min(len(data), mbap)] {
		switch {
		case i == 5 && (c == 3 || int(c) == 3+2*d.count):
			body = int(c)
		case i == 6 && c == d.unit, i < 2:
		case i >= 2 && i < 5 && c == 0:
		default:
			return -1
		}
	}
	if len(data) < mbap {
		return 0
	}
	n := d.measure(data[mbap:])
	if n > 0 && n != body-1 {
		return -1
	}
	if n > 0 {
		n += mbap
	}
	return n
}

// Decode implements Decoder.
func (d *modbusTCP) Decode(frame []byte, out []Sample) ([]Sample, error) {
	if !d.asked || binary.BigEndian.Uint16(frame) != d.transaction {
		return out, NotAsked
	}
	d.asked = false
	out, fault := d.decode(frame[mbap:], frame, out)
	if fault != "" {
		return out, fault
	}
	return out, nil
}
