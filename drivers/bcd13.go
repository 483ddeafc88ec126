package drivers

import (
	"bytes"
	"math/bits"
	"strings"
)

// Driver bcd13: the 52-bit frame that digital indicators clock out, as an interface passes it on.
// The frame has 13 nibbles of binary-coded decimal. Each letter is a nibble, in the order in which
// the nibbles are clocked:
//
//	f f f f s d d d d d d p u
//
//	f  fill, all ones: no digit looks like it, so the frame begins there
//	s  sign: 0 plus, 8 minus
//	d  six digits, the most significant first (option digits)
//	p  decimal places, 0 to 6
//	u  unit: 0 mm, 1 in
//
// This order is common practice, but indicators differ. The option layout sets the order of the
// nibbles, and the option bits sets which bit of a nibble comes first.
//
// -0.0044 mm is F F F F 8 0 0 0 0 4 4 4 0. It comes in one of these packings:
//
//	nibbles  13 bytes, a nibble in the low half of each, the high half 0:
//	         0F 0F 0F 0F 08 00 00 00 00 04 04 04 00
//	packed   7 bytes, the low nibble first, the last high half 0:
//	         FF FF 08 00 40 44 00
//	hex      13 hex digits and a line end: FFFF800004440<CR>
//
// The frame has no check. These faults are noticed: a wrong length, a nibble that is no digit, an
// unknown code of sign or unit, and fill in the wrong place. A frame of the packings nibbles and
// packed begins only at its fill, and ends when the next frame begins or the line falls silent. So
// a byte that was lost or put in is noticed; a break, for example, reads as the digit 0. A line of
// hex is judged by its length.
func bcd13Driver() Driver {
	return Driver{
		Name: "bcd13",
		Help: "frame of 13 nibbles: fill, sign, six digits, decimal places, unit",
		Line: Serial{9600, 8, "none", 1},
		Options: []Option{
			{"packing", "how the nibbles come", "nibbles", []string{"nibbles", "packed", "hex"}},
			{"layout", "one letter for each of the 13 nibbles: f fill, s sign, d digit, p places, u unit, _ zero", bcdLayout, nil},
			{"digits", "which digit comes first: the most or the least significant", "most", []string{"most", "least"}},
			{"bits", "which bit of a nibble comes first; lowest where the interface has sorted them", "lowest", []string{"lowest", "highest"}},
			{"unit", "unit the gauge is set to; others are refused", "", nil},
			{"quiet", "silence that ends a frame of nibbles or packed, and after which an unfinished line of hex is given up", "50ms", nil},
		},
		New: newBCD13,
	}
}

const (
	bcdLayout  = "ffffsddddddpu"
	bcdNibbles = 13
	bcdDigits  = 6
)

type bcd13 struct {
	splitter
	layout   string
	packing  string
	least    bool // least significant digit first
	reversed bool // highest bit first
	want     Unit
}

func newBCD13(o Options) (Decoder, error) {
	r := &optionReader{options: o}
	d := &bcd13{layout: r.text("layout"), packing: r.text("packing"), least: r.is("digits", "least"), reversed: r.is("bits", "highest"), want: r.units("unit", 1)[0]}
	d.quiet, d.splitter.fixed = readQuiet(r), true
	count := func(c string) int { return strings.Count(d.layout, c) }
	switch {
	case len(d.layout) != bcdNibbles || len(strings.Trim(d.layout, "fsdpu_")) > 0:
		r.fault("layout", "%q is not valid: give 13 of the letters f, s, d, p, u and _", d.layout)
	case count("s") != 1 || count("d") != bcdDigits || count("p") != 1 || count("u") > 1:
		r.fault("layout", "%q is not valid: give one s, six d, one p, and one u at most", d.layout)
	case d.packing != "hex" && (d.lead() < 2 || d.lead() != count("f")):
		r.fault("layout", "%q is not valid: give two f or more at the beginning and none elsewhere, so that the frame is found", d.layout)
	}
	return d, r.err()
}

// Split implements Decoder.
func (d *bcd13) Split(data []byte, idle bool) (advance int, frame []byte) {
	if d.packing == "hex" {
		return d.splitter.Split(data, idle)
	}
	fill, size, lead := byte(0x0f), bcdNibbles, d.lead()
	if d.packing == "packed" {
		fill, size, lead = 0xff, (bcdNibbles+1)/2, lead/2
	}
	start := bytes.IndexByte(data, fill)
	switch {
	case start < 0:
		return len(data), nil
	case start > 0:
		return start, nil
	}
	run := 0
	for run < len(data) && data[run] == fill {
		run++
	}
	if run > lead { // the frame begins at the last bytes of the run
		return run - lead, nil
	}
	end := min(size+1, len(data))
	if next := bytes.IndexByte(data[run:end], fill); next >= 0 {
		end = run + next
	} else if end <= size && !idle {
		return 0, nil
	}
	return end, data[:end]
}

// lead returns the number of nibbles of fill at the start of the frame.
func (d *bcd13) lead() int { return len(d.layout) - len(strings.TrimLeft(d.layout, "f")) }

// Decode implements Decoder.
func (d *bcd13) Decode(frame []byte, out []Sample) ([]Sample, error) {
	if d.fault != "" {
		return out, d.takeFault()
	}
	nibbles, fault := d.unpack(frame)
	if fault != "" {
		return out, fault
	}
	s := Sample{Raw: frame, Unit: d.want}
	negative, scale := false, int64(1)
	for i, n := range nibbles {
		if codes, fault := bcdCodes(d.layout[i]); codes>>n&1 == 0 {
			return out, fault
		}
		switch d.layout[i] {
		case 's':
			negative = n == 8
		case 'd':
			if d.least {
				s.Digits += int64(n) * scale
				scale *= 10
			} else {
				s.Digits = s.Digits*10 + int64(n)
			}
		case 'p':
			s.Places = int(n)
		case 'u':
			s.Unit = [...]Unit{MM, Inch}[n]
		}
	}
	if negative {
		s.Digits = -s.Digits
	}
	if d.want != NoUnit && s.Unit != d.want {
		return out, OtherUnit
	}
	return append(out, s), nil
}

// bcdCodes returns the values that a nibble of that letter can have, one bit for each value. fault
// is the reason to reject any other value.
func bcdCodes(letter byte) (codes uint16, fault Reason) {
	switch letter {
	case 'f':
		return 1 << 15, Noise
	case 's':
		return 1<<8 | 1<<0, Noise
	case 'd':
		return 1<<10 - 1, Noise
	case 'p':
		return 1<<(bcdDigits+1) - 1, Noise
	case 'u':
		return 1<<1 | 1<<0, UnknownUnit
	}
	return 1 << 0, Noise
}

// unpack returns the nibbles of a frame in the order in which they were clocked.
func (d *bcd13) unpack(frame []byte) (n [bcdNibbles]byte, fault Reason) {
	size := bcdNibbles
	if d.packing == "packed" {
		size = (bcdNibbles + 1) / 2
	}
	switch {
	case len(frame) < size:
		return n, TooShort
	case len(frame) > size:
		return n, TooLong
	}
	for i := range n {
		switch d.packing {
		case "hex":
			n[i] = hexDigit(frame[i])
		case "packed":
			n[i] = frame[i/2] >> (4 * (i % 2)) & 15
		default:
			n[i] = frame[i]
		}
		if n[i] > 15 {
			return n, Noise
		}
		if d.reversed {
			n[i] = bits.Reverse8(n[i]) >> 4
		}
	}
	if d.packing == "packed" && frame[size-1]>>4 != 0 {
		return n, Noise
	}
	return n, ""
}
