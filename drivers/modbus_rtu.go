package drivers

import (
	"bytes"
	"encoding/binary"
	"time"
)

// Driver modbus-rtu: registers read over a serial line (Modbus over Serial Line V1.02, from
// memory). Each letter is a byte:
//
//	to it    u f aa nn cc             01 04 00 00 00 02 71 CB
//	from it  u f b dd dd .. cc        01 04 04 00 01 F0 1B BF 8F
//	         u F x cc                 01 84 02 C2 C1
//
//	u  unit    f aa nn b dd F x  see modbus    c  CRC-16, low byte first
//
// A frame is found by its unit, function, length and CRC. It is not found by the silence around it,
// because neither adapters nor operating systems keep that silence. Silence only ends the wait for
// the rest of a frame. The adapter of a two-wire line may hear what it sends, so an echo of the
// request is dropped.
func modbusRTUDriver() Driver {
	return Driver{
		Name:    "modbus-rtu",
		Help:    "registers read by Modbus over a serial line",
		Line:    Serial{19200, 8, "even", 1},
		Options: append(modbusOptions(), Option{"quiet", "silence after which an unfinished reply is given up", "50ms", nil}),
		New:     newModbusRTU,
	}
}

type modbusRTU struct {
	exchange
	modbus
	quiet   time.Duration
	request []byte
	heard   bool // the echo of the request came, or something else came
}

func newModbusRTU(o Options) (Decoder, error) {
	r := &optionReader{options: o}
	d := &modbusRTU{exchange: exchange{pacing: readPacing(r)}, modbus: readModbus(r)}
	d.quiet = readQuiet(r)
	if d.unit == 0 || d.unit > 247 {
		r.fault("unit-id", "give 1 to 247")
	}
	d.request = d.appendRequest([]byte{d.unit})
	d.request = binary.LittleEndian.AppendUint16(d.request, crc16(d.request))
	return d, r.err()
}

// Checked implements Checker.
func (d *modbusRTU) Checked() bool { return true }

// Pause implements Pauser.
func (d *modbusRTU) Pause() time.Duration { return d.quiet }

// Request implements Requester.
func (d *modbusRTU) Request(out []byte) []byte {
	if !d.next() {
		return out
	}
	d.heard = false
	return append(out, d.request...)
}

// Split implements Decoder.
func (d *modbusRTU) Split(data []byte, idle bool) (advance int, frame []byte) {
	return d.split(data, idle, d.cut)
}

func (d *modbusRTU) cut(data []byte, idle bool) (advance int, frame []byte) {
	if !d.heard && len(data) > 0 {
		if bytes.HasPrefix(data, d.request) {
			d.heard = true
			return len(d.request), data[:0]
		}
		if bytes.HasPrefix(d.request, data) && !idle {
			if n := d.length(data); n <= 0 || n > len(data) {
				return 0, nil
			}
		}
	}
	for i := range data {
		switch n := d.length(data[i:]); {
		case n < 0:
			continue
		case i > 0: // noise before the reply
			return i, nil
		case n > 0 && n <= len(data):
			d.heard = true
			if crc16(data[:n]) != 0 { // a reply may begin within these bytes
				return 1, data[:n]
			}
			return n, data[:n]
		case idle:
			return 1, nil
		}
		return 0, nil
	}
	return len(data), nil
}

// length returns the length of the reply that data may begin with, with the same special values as
// modbus.measure.
func (d *modbusRTU) length(data []byte) int {
	if data[0] != d.unit {
		return -1
	}
	n := d.measure(data[1:])
	if n > 0 {
		n += 3
	}
	return n
}

// Decode implements Decoder.
func (d *modbusRTU) Decode(frame []byte, out []Sample) ([]Sample, error) {
	if crc16(frame) != 0 {
		return out, CheckFailed
	}
	if !d.answers() {
		return out, NotAsked
	}
	out, fault := d.decode(frame[1:len(frame)-2], frame, out)
	if fault != "" {
		return out, fault
	}
	return out, nil
}

// crc16 returns the CRC of b by the polynomial 0x8005, lowest bit first (0xA001), starting from
// 0xFFFF. The CRC of a message with its own CRC appended, low byte first, is 0.
func crc16(b []byte) uint16 {
	crc := uint16(0xFFFF)
	for _, c := range b {
		crc ^= uint16(c)
		for range 8 {
			odd := crc & 1
			crc >>= 1
			if odd != 0 {
				crc ^= 0xA001
			}
		}
	}
	return crc
}
