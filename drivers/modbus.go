package drivers

import (
	"encoding/binary"
	"fmt"
	"math"
	"strconv"
	"strings"
)

// modbus is the part that the drivers modbus-rtu and modbus-tcp share: which registers are read,
// and how they become samples (Modbus Application Protocol V1.1b3, 6.3 and 6.4, from memory).
//
//	request    f aa nn       f  function, 3 holding or 4 input registers
//	reply      f b dd dd ..  aa address of the first register, nn their number
//	exception  F c           b  bytes that follow, dd a register, high byte first
//	                         F  f + 128, c  what is wrong
//
// One request reads all registers, so that the values are of one moment. A value of 32 bits takes
// two registers, in an order that the standard does not define. A wrong order gives no fault, only
// nonsense that may look like a size. So compare the values with the gauge's own display to find
// the order.
type modbus struct {
	unit     byte
	function byte
	first    int // address of the first register
	count    int // number of registers that are read
	values   []register
	swap     order
	status   int // address of the status register, -1 for none
	good     bitTest
	over     bitTest
}

// register is a value in one register, or in two.
type register struct {
	channel string
	address int
	kind    string // int16, uint16, int32, uint32, float32
	step    int64  // one count is step × 10^-places unit
	places  int
	unit    Unit
}

// order is the order of the bytes of a value, where A is the most significant.
type order struct{ words, bytes bool } // words or bytes swapped

// bitTest is a test of the status register: whether its bits in mask are equal to those of value.
type bitTest struct {
	given       bool
	mask, value uint16
}

func (b bitTest) holds(v uint16) bool { return v&b.mask == b.value }

// maxRegisters is the largest number of registers that one request may ask for.
const maxRegisters = 125

func modbusOptions() []Option {
	return append([]Option{
		{"unit-id", "the gauge's address on the line, or behind the gateway", "1", nil},
		{"function", "3 for holding registers, 4 for input registers", "4", []string{"3", "4"}},
		{"registers", "values as NAME@ADDRESS:TYPE:STEP:UNIT, such as size@0:int32:0.0001:mm; ADDRESS counts from 0, TYPE is int16, uint16, int32, uint32 or float32, STEP is one count (or to what a float is rounded)", "@0:int32:0.0001:mm", nil},
		{"order", "in which order the bytes of a value come, A the most significant; AB or BA of 16 bits goes with it", "ABCD", []string{"ABCD", "CDAB", "BADC", "DCBA"}},
		{"status", "address of a status register; none if empty", "", nil},
		{"status-good", "bits of it that say the values are good, as MASK=VALUE, such as 0x0003=0x0001", "", nil},
		{"status-over", "bits of it that say over range, as MASK=VALUE", "", nil},
	}, pacingOptions("100ms", "500ms")...)
}

func readModbus(r *optionReader) modbus {
	m := modbus{
		unit:     byte(r.number("unit-id", 0, 255)),
		function: byte(r.number("function", 3, 4)),
		status:   -1,
		good:     r.bits("status-good"),
		over:     r.bits("status-over"),
		swap:     map[string]order{"CDAB": {words: true}, "BADC": {bytes: true}, "DCBA": {true, true}}[r.text("order")],
	}
	for _, item := range r.list("registers") {
		v, err := parseRegister(item)
		if err != nil {
			r.fault("registers", "%q: %v", item, err)
			continue
		}
		for _, w := range m.values {
			if w.channel == v.channel {
				r.fault("registers", "%q: named twice", v.channel)
			}
		}
		m.values = append(m.values, v)
	}
	if r.text("status") != "" {
		m.status = r.number("status", 0, 65535)
	}
	switch {
	case m.values == nil:
		r.fault("registers", "give one value at least")
		return m
	case m.status >= 0 && !m.good.given && !m.over.given:
		r.fault("status", "say by status-good or status-over what it means")
	case m.status < 0 && (m.good.given || m.over.given):
		r.fault("status", "give the address of the status register")
	}
	m.reach(r)
	return m
}

// reach finds the registers to read: all from the first to the last register of the values and the
// status.
func (m *modbus) reach(r *optionReader) {
	low, high := 65536, 0
	take := func(address, size int) { low, high = min(low, address), max(high, address+size) }
	for _, v := range m.values {
		take(v.address, v.size())
	}
	if m.status >= 0 {
		take(m.status, 1)
	}
	m.first, m.count = low, high-low
	if m.count > maxRegisters || high > 65536 {
		r.fault("registers", "from %d to %d: one request reads %d at most", low, high-1, maxRegisters)
	}
}

// bits reads an option MASK=VALUE.
func (r *optionReader) bits(name string) (t bitTest) {
	if r.text(name) == "" {
		return t
	}
	mask, value, _ := strings.Cut(r.text(name), "=")
	a, err1 := strconv.ParseUint(strings.TrimSpace(mask), 0, 16)
	b, err2 := strconv.ParseUint(strings.TrimSpace(value), 0, 16)
	if err1 != nil || err2 != nil || a == 0 || a&b != b {
		r.fault(name, "%q is not valid: give MASK=VALUE of 16 bits, the value within the mask, such as 0x0003=0x0001", r.text(name))
	}
	return bitTest{true, uint16(a), uint16(b)}
}

func parseRegister(s string) (v register, err error) {
	parts := strings.Split(s, ":")
	if len(parts) < 3 || len(parts) > 4 {
		return v, fmt.Errorf("give NAME@ADDRESS:TYPE:STEP:UNIT")
	}
	name, address, _ := strings.Cut(parts[0], "@")
	v.channel, v.kind = name, parts[1]
	if v.address, err = strconv.Atoi(address); err != nil || v.address < 0 || v.address > 65535 {
		return v, fmt.Errorf("give @ and an address from 0 to 65535")
	}
	switch v.kind {
	case "int16", "uint16", "int32", "uint32", "float32":
	default:
		return v, fmt.Errorf("type %q is not valid: give int16, uint16, int32, uint32 or float32", v.kind)
	}
	step, places, rest, fault := scanDigits([]byte(parts[2]), '.')
	if fault != "" || len(rest) > 0 || step == 0 || step > 1e9 || places > 9 {
		return v, fmt.Errorf("step %q is not valid: give a number such as 0.0001 or 0.5", parts[2])
	}
	v.step, v.places = step, places
	if len(parts) == 4 {
		u, ok := parseUnit([]byte(parts[3]))
		if !ok {
			return v, fmt.Errorf("unit %q is not valid: give mm, um, in, uin, deg or degC", parts[3])
		}
		v.unit = u
	}
	return v, nil
}

// size returns the number of registers that a value takes.
func (v *register) size() int {
	if strings.HasSuffix(v.kind, "32") {
		return 2
	}
	return 1
}

// appendRequest appends the function, the address and the count.
func (m *modbus) appendRequest(out []byte) []byte {
	out = append(out, m.function)
	out = binary.BigEndian.AppendUint16(out, uint16(m.first))
	return binary.BigEndian.AppendUint16(out, uint16(m.count))
}

// measure reads the start of what may be a reply, beginning at the function, and returns the length
// of the reply. The length is 0 if more bytes are needed to tell, and -1 if this is not a reply to
// the request.
func (m *modbus) measure(b []byte) int {
	switch {
	case len(b) == 0:
		return 0
	case b[0] == m.function|0x80:
		return 2
	case b[0] != m.function:
		return -1
	case len(b) == 1:
		return 0
	case int(b[1]) != 2*m.count:
		return -1
	}
	return 2 + 2*m.count
}

// decode reads a whole reply, beginning at the function.
func (m *modbus) decode(b, frame []byte, out []Sample) ([]Sample, Reason) {
	if b[0] != m.function {
		return out, GaugeError
	}
	data := b[2:]
	if m.status >= 0 {
		s := binary.BigEndian.Uint16(data[2*(m.status-m.first):])
		switch {
		case m.over.given && m.over.holds(s):
			return out, OverRange
		case m.good.given && !m.good.holds(s):
			return out, GaugeError
		}
	}
	n := len(out)
	for i := range m.values {
		v := &m.values[i]
		s, fault := v.sample(m.swap, data[2*(v.address-m.first):])
		if fault != "" {
			return out[:n], fault
		}
		s.Raw = frame
		out = append(out, s)
	}
	return out, ""
}

// sample reads the value at the beginning of b.
func (v *register) sample(o order, b []byte) (s Sample, fault Reason) {
	s = Sample{Channel: v.channel, Places: v.places, Unit: v.unit}
	var u uint32
	if v.size() == 1 {
		u = uint32(o.word(b))
	} else {
		high, low := o.word(b), o.word(b[2:])
		if o.words {
			high, low = low, high
		}
		u = uint32(high)<<16 | uint32(low)
	}
	switch v.kind {
	case "int16":
		s.Digits = int64(int16(u)) * v.step
	case "int32":
		s.Digits = int64(int32(u)) * v.step
	case "float32":
		s.Digits, fault = v.round(math.Float32frombits(u))
	default:
		s.Digits = int64(u) * v.step
	}
	return s, fault
}

func (o order) word(b []byte) uint16 {
	if o.bytes {
		return binary.LittleEndian.Uint16(b)
	}
	return binary.BigEndian.Uint16(b)
}

// round returns the digits of that multiple of the step which is nearest to f.
func (v *register) round(f float32) (int64, Reason) {
	if f != f {
		return 0, NoNumber
	}
	if math.IsInf(float64(f), 0) {
		return 0, OverRange
	}
	counts := math.Round(float64(f) * math.Pow10(v.places) / float64(v.step))
	if math.Abs(counts) > 1<<53 || math.Abs(counts)*float64(v.step) > 1<<62 {
		return 0, TooLarge
	}
	return int64(counts) * v.step, ""
}
