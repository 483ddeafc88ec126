package listen

import (
	"encoding/binary"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"time"

	"fairbore/drivers"
)

// unknown is a made-up gauge: what it shows, and how it says it.
type unknown struct {
	family string
	line   drivers.Serial
	places int
	unit   drivers.Unit
	told   bool // the person tells the unit with the display
	minus  bool // it can show negative values
	stream bool
	period time.Duration
	frame  func(v int64) []byte // as sent; for asked ones the reply
	words  [][]byte             // frames that are no value
	asked  string               // the request it answers; "" speaks by itself
	reply  func(req []byte, v int64) []byte
	driver string // of the requests
	probe  drivers.Options
	keys   bool
	second func() []byte // a frame of another channel, sent in turn
}

type gen struct{ *rand.Rand }

func pick[T any](g gen, of ...T) T { return of[g.IntN(len(of))] }

// number writes v with its decimal places.
func number(v int64, places int, mark string) string {
	s := drivers.Sample{Digits: max(v, -v), Places: places}.Decimal()
	return strings.Replace(s, ".", mark, 1)
}

// signs are the ways in which a gauge writes its sign.
func (g gen) signer() func(v int64, n string) string {
	width := pick(g, 0, 0, 7, 8, 9)
	zero := g.IntN(2) == 0
	style := pick(g, "always", "always", "minus", "blank")
	return func(v int64, n string) string {
		sign := ""
		switch {
		case v < 0:
			sign = "-"
		case style == "always":
			sign = "+"
		case style == "blank":
			sign = " "
		}
		for len(n) < width {
			if zero {
				n = "0" + n
			} else if style == "minus" { // blanks, then the sign
				return strings.Repeat(" ", max(0, width-len(n)-len(sign))) + sign + n
			} else {
				n = " " + n
			}
		}
		return sign + n
	}
}

func (g gen) unknown() unknown {
	u := unknown{
		unit: pick(g, drivers.MM, drivers.MM, drivers.Inch), told: true, minus: g.IntN(2) == 0,
		stream: g.IntN(2) == 0,
		line:   drivers.Serial{Baud: pick(g, 1200, 2400, 4800, 9600, 9600, 9600, 19200, 38400, 57600, 115200), Data: 8, Parity: "none", Stop: 1},
	}
	u.places = pick(g, 3, 4, 4)
	if u.unit == drivers.Inch {
		u.places++
	}
	if g.IntN(3) == 0 {
		u.line.Data, u.line.Parity, u.line.Stop = 7, pick(g, "even", "odd"), pick(g, 1, 2)
	} else if g.IntN(6) == 0 {
		u.line.Parity = pick(g, "even", "odd")
	}
	u.period = time.Duration(pick(g, 100, 200, 250, 500, 1000)) * time.Millisecond
	if !u.stream {
		u.period = time.Duration(900+g.IntN(2500)) * time.Millisecond
	}
	make := []func(*unknown){
		g.plain, g.plain, g.plain, g.plain, g.plain, g.plain, g.fields, g.fields, g.channels, g.channels,
		g.columns, g.columns, g.columns, g.sentence, g.sentence, g.nibbles, g.nibbles, g.ask, g.ask, g.scpi, g.modbus, g.modbus, g.typed,
	}
	make[g.IntN(len(make))](&u)
	return u
}

func (g gen) unitText(u drivers.Unit) string {
	if u == drivers.Inch {
		return pick(g, " in", "in", " IN", "\"", " inch")
	}
	return pick(g, " mm", "mm", " MM")
}

func (g gen) end() string { return pick(g, "\r", "\n", "\r\n", "\r\n", "\n\r") }

func (g gen) plain(u *unknown) {
	u.family = "line"
	sign, end, mark := g.signer(), g.end(), pick(g, ".", ".", ".", ",")
	unit := pick(g, "", g.unitText(u.unit), g.unitText(u.unit))
	prefix := pick(g, "", "", "", "M ", "D=", "\x02", "A", "No ")
	places := u.places
	u.frame = func(v int64) []byte { return []byte(prefix + sign(v, number(v, places, mark)) + unit + end) }
	u.words = [][]byte{[]byte("OVER" + end), []byte("------" + end), []byte("Err 07" + end)}
}

func (g gen) fields(u *unknown) {
	u.family = "line, several values"
	sign, end, mark, sep := g.signer(), g.end(), ".", pick(g, ",", ";", ";", "\t", " ")
	if sep == ";" && g.IntN(2) == 0 {
		mark = ","
	}
	if sep == " " {
		sign = func(v int64, n string) string { return map[bool]string{true: "-", false: "+"}[v < 0] + n }
	}
	unit, places, first := pick(g, "", g.unitText(u.unit)), u.places, g.IntN(2) == 0
	if strings.Contains(unit, " ") && sep == " " {
		unit = ""
	}
	u.frame = func(v int64) []byte {
		size := sign(v, number(v, places, mark)) + unit
		depth := number(int64(g.IntN(60000)), 3, mark)
		if first {
			return []byte(size + sep + depth + end)
		}
		return []byte(depth + sep + size + end)
	}
}

func (g gen) channels(u *unknown) {
	u.family = "line, channels"
	sign, end := func(v int64, n string) string { return map[bool]string{true: "-", false: "+"}[v < 0] + n }, g.end()
	marks := pick(g, []string{"A", "B"}, []string{"1: ", "2: "}, []string{"CH1 ", "CH2 "}, []string{"D=", "T="}, []string{"X", "Z"})
	unit, places := pick(g, "", g.unitText(u.unit)), u.places
	u.frame = func(v int64) []byte { return []byte(marks[0] + sign(v, number(v, places, ".")) + unit + end) }
	u.second = func() []byte { return []byte(marks[1] + sign(1, number(int64(g.IntN(60000)), 3, ".")) + unit + end) }
}

// columns is a frame of fixed columns that needs driver fixed: codes, a point
// that is not sent, check digits, control characters around it.
func (g gen) columns(u *unknown) {
	u.family = "fixed columns"
	places, point, check, end := u.places, pick(g, ".", ""), pick(g, "", "xor", "sum"), pick(g, "\r", "\r\n", "\x03")
	status, unit := pick(g, "", " ", "G"), pick(g, "", "mm", "0", "E")
	start := pick(g, "", "A")
	if end == "\x03" {
		start = "\x02" + start
	}
	if start == "" && point != "" && status == "" && check == "" {
		status = "#"
	}
	if unit == "mm" && u.unit == drivers.Inch {
		unit = "in"
	}
	star := pick(g, "", "*")
	from := g.IntN(2)
	u.frame = func(v int64) []byte {
		sign := "+"
		if v < 0 {
			sign = "-"
		}
		n := fmt.Sprintf("%07d", max(v, -v))
		n = n[:7-places] + point + n[7-places:]
		body := start + sign + n + unit + status
		var sum byte
		for i := from; i < len(body); i++ {
			if check == "xor" {
				sum ^= body[i]
			} else {
				sum += body[i]
			}
		}
		if check != "" {
			if star != "" {
				if check == "xor" {
					sum ^= star[0]
				} else {
					sum += star[0]
				}
			}
			body += star + fmt.Sprintf("%02X", sum)
		}
		return []byte(body + end)
	}
}

func (g gen) sentence(u *unknown) {
	u.family = "sentence"
	sign, end, places := func(v int64, n string) string { return map[bool]string{true: "-", false: "+"}[v < 0] + n }, pick(g, "\r", "\r\n"), u.places
	unit, tail, count := strings.TrimSpace(g.unitText(u.unit)), pick(g, " OK", " ;", " pass"), 0
	head := pick(g, "ID07 D=", "N%04d V ", "[%03d] ")
	u.frame = func(v int64) []byte {
		count++
		h := head
		if strings.Contains(h, "%") {
			h = fmt.Sprintf(h, count)
		}
		return []byte(h + sign(v, number(v, places, ".")) + unit + tail + end)
	}
}

func (g gen) nibbles(u *unknown) {
	u.family = "13 nibbles"
	u.places = min(u.places, 4)
	if u.unit == drivers.Inch {
		u.places = 5
	}
	u.line.Data, u.line.Parity, u.line.Stop = 8, pick(g, "none", "none", "even"), 1
	u.stream = g.IntN(3) > 0
	packing, least, highest := pick(g, "nibbles", "packed", "hex"), g.IntN(4) == 0, g.IntN(4) == 0
	order := pick(g, "sdpu", "sdpu", "sdpu", "sdup", "dspu")
	places, unit := u.places, map[drivers.Unit]byte{drivers.MM: 0, drivers.Inch: 1}[u.unit]
	u.frame = func(v int64) []byte {
		n := []byte{15, 15, 15, 15}
		d := []byte(fmt.Sprintf("%06d", max(v, -v)))
		for i := range d {
			d[i] -= '0'
		}
		if least {
			for i, j := 0, len(d)-1; i < j; i, j = i+1, j-1 {
				d[i], d[j] = d[j], d[i]
			}
		}
		for _, c := range order {
			switch c {
			case 's':
				n = append(n, map[bool]byte{true: 8, false: 0}[v < 0])
			case 'd':
				n = append(n, d...)
			case 'p':
				n = append(n, byte(places))
			case 'u':
				n = append(n, unit)
			}
		}
		if highest {
			for i, b := range n {
				n[i] = b&1<<3 | b&2<<1 | b&4>>1 | b&8>>3
			}
		}
		switch packing {
		case "packed":
			var out []byte
			for i := 0; i < 12; i += 2 {
				out = append(out, n[i]|n[i+1]<<4)
			}
			return append(out, n[12])
		case "hex":
			s := ""
			for _, b := range n {
				s += fmt.Sprintf("%X", b)
			}
			return []byte(s + "\r")
		}
		return n
	}
}

func (g gen) ask(u *unknown) {
	g.plain(u)
	if g.IntN(4) == 0 {
		g.columns(u)
	}
	u.family = "asked"
	u.words = nil
	u.asked = pick(g, "\r", "?\r", "?\n", "?\r\n")
	u.driver, u.probe = "ask", drivers.Options{"request": escape(u.asked), "timeout": "300ms"}
}

func (g gen) scpi(u *unknown) {
	u.family = "scpi"
	u.asked = pick(g, "MEAS?\n", "READ?\n", "FETC?\n")
	u.driver, u.probe = "scpi", drivers.Options{"query": strings.TrimSpace(u.asked), "errors": "", "timeout": "300ms"}
	places, metres, plain := u.places, u.unit == drivers.MM && g.IntN(3) == 0, g.IntN(3) == 0
	u.frame = func(v int64) []byte {
		x := float64(v) * math.Pow10(-places)
		if metres {
			x /= 1000
		}
		if plain && !metres {
			return []byte(fmt.Sprintf("%+.*f\n", places, x))
		}
		return []byte(fmt.Sprintf("%+.8E\n", x))
	}
}

func (g gen) modbus(u *unknown) {
	u.family = "modbus"
	u.driver = pick(g, "modbus-rtu", "modbus-rtu", "modbus-tcp")
	const n = 6
	u.probe = drivers.Options{"registers": probeRegisters(n), "function": pick(g, "3", "4"), "timeout": "300ms"}
	u.line = drivers.Serial{Baud: pick(g, 9600, 19200), Data: 8, Parity: pick(g, "even", "none"), Stop: 1}
	if u.driver == "modbus-tcp" {
		u.line = drivers.Serial{}
	}
	u.minus = true
	at, kind, order, places := g.IntN(3), pick(g, "int32", "int32", "float32"), pick(g, "ABCD", "CDAB", "BADC", "DCBA"), u.places
	u.reply = func(req []byte, v int64) []byte {
		raw := uint32(int32(v))
		if kind == "float32" {
			raw = math.Float32bits(float32(float64(v) * math.Pow10(-places)))
		}
		b := binary.BigEndian.AppendUint32(nil, raw)
		b = map[string][]byte{"ABCD": {b[0], b[1], b[2], b[3]}, "CDAB": {b[2], b[3], b[0], b[1]}, "BADC": {b[1], b[0], b[3], b[2]}, "DCBA": {b[3], b[2], b[1], b[0]}}[order]
		all := make([]byte, 2*n)
		binary.BigEndian.PutUint16(all[2*n-2:], 0x0001)
		copy(all[2*at:], b)
		if u.driver == "modbus-tcp" {
			first, count := int(binary.BigEndian.Uint16(req[8:])), int(binary.BigEndian.Uint16(req[10:]))
			return append([]byte{req[0], req[1], 0, 0, 0, byte(3 + 2*count), req[6], req[7], byte(2 * count)}, all[2*first:2*(first+count)]...)
		}
		first, count := int(binary.BigEndian.Uint16(req[2:])), int(binary.BigEndian.Uint16(req[4:]))
		out := append([]byte{req[0], req[1], byte(2 * count)}, all[2*first:2*(first+count)]...)
		return binary.LittleEndian.AppendUint16(out, crc(out))
	}
}

// crc is the CRC of Modbus over Serial Line V1.02, 6.2.2, bit by bit; its own
// so that the driver's is not checked against itself.
func crc(b []byte) uint16 {
	c := uint16(0xFFFF)
	for _, x := range b {
		c ^= uint16(x)
		for range 8 {
			if c&1 != 0 {
				c = c>>1 ^ 0xA001
			} else {
				c >>= 1
			}
		}
	}
	return c
}

func (g gen) typed(u *unknown) {
	u.family = "typed"
	u.line, u.keys, u.stream = drivers.Serial{}, true, false
	u.period = 3 * time.Second
	size, end, places := pick(g, 24, 24, 16), pick(g, uint16(28), uint16(15)), u.places
	unit := pick(g, "", "mm")
	if u.unit == drivers.Inch {
		unit = pick(g, "", "in")
	}
	at := 1_700_000_000 * time.Second
	u.frame = func(v int64) []byte {
		text := number(v, places, ".") + unit
		if v < 0 {
			text = "-" + text
		}
		at += 3 * time.Second
		var out []byte
		for _, c := range text {
			out = append(out, key(size, &at, keyOf(byte(c)))...)
		}
		return append(out, key(size, &at, end)...)
	}
}

// keyOf returns the code of a key (linux/input-event-codes.h).
func keyOf(c byte) uint16 {
	return map[byte]uint16{'1': 2, '2': 3, '3': 4, '4': 5, '5': 6, '6': 7, '7': 8, '8': 9, '9': 10, '0': 11, '-': 12, '.': 52, 'm': 50, 'i': 23, 'n': 49}[c]
}

func key(size int, at *time.Duration, code uint16) (out []byte) {
	for _, v := range []uint32{1, 0} {
		*at += 4 * time.Millisecond
		seconds, micros := uint64(*at/time.Second), uint64(*at%time.Second/time.Microsecond)
		if size == 24 {
			out = binary.LittleEndian.AppendUint64(out, seconds)
			out = binary.LittleEndian.AppendUint64(out, micros)
		} else {
			out = binary.LittleEndian.AppendUint32(out, uint32(seconds))
			out = binary.LittleEndian.AppendUint32(out, uint32(micros))
		}
		out = binary.LittleEndian.AppendUint16(out, 1)
		out = binary.LittleEndian.AppendUint16(out, code)
		out = binary.LittleEndian.AppendUint32(out, v)
	}
	return out
}
