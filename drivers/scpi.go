package drivers

import (
	"bytes"
	"math"
)

// Driver scpi: an instrument that answers queries as SCPI-99 and IEEE 488.2 specify (from memory).
// A query and its answer are one line each.
//
//	to it    MEAS?<LF>                 option query, such as MEAS? READ? FETC?
//	from it  +1.27003000E+01<LF>       sd.ddddddddEsxx
//	         22.2275,25.4<LF>          several values, named by option fields
//
//	s  sign, + may be missing    d  digits    x  exponent
//
// Numbers come as NR1 (127), NR2 (12.7) or NR3 (1.27E+01). They are read exactly: the exponent only
// moves the decimal point, so 1.27003000E+01 is 12.7003000. 9.9E37 and -9.9E37 mean over range, and
// 9.91E37 means no number.
//
// The driver asks the instrument for its errors (option errors) after an answer that is not
// understood, after an answer that reports an error, and after no answer. It asks until there are
// no more errors. Each error is a reject:
//
//	to it    SYST:ERR?<LF>
//	from it  -113,"Undefined header"<LF>      0,"No error"<LF>
//
// A late answer is never taken for the answer to the next query: see exchange.
func scpiDriver() Driver {
	return Driver{
		Name: "scpi",
		Help: "instrument that answers queries such as MEAS? or READ?",
		Line: Serial{9600, 8, "none", 1},
		Options: append([]Option{
			{"query", "the query for a value", "MEAS?", nil},
			{"begin", "commands that are sent first after opening, such as SYST:REM", "", nil},
			{"errors", "the query for errors; none is asked if empty", "SYST:ERR?", nil},
			{"end", "what ends a message to the instrument; it may end its own with LF or CR LF", "lf", []string{"lf", "crlf"}},
			{"fields", "names of several values by position, such as size,depth; - leaves one out", "", nil},
			{"unit", "unit of the numbers, one or one for each field; m is given as mm with the decimal point moved", "", nil},
			{"quiet", "silence after which an unfinished answer is given up", "300ms", nil},
		}, pacingOptions("100ms", "2s")...),
		New: newSCPI,
	}
}

type scpi struct {
	exchange
	splitter
	query, errors, begin []byte // each with its line end
	fields               []string
	units                []Unit
	metres               bool
	begun                bool // the first commands were sent
	trouble              bool // there may be errors to ask for
	forErrors            bool // the latest request was for errors
}

func newSCPI(o Options) (Decoder, error) {
	r := &optionReader{options: o}
	d := &scpi{exchange: exchange{pacing: readPacing(r)}, fields: r.names("fields"), metres: r.is("unit", "m")}
	d.quiet = readQuiet(r)
	end := "\n"
	if r.is("end", "crlf") {
		end = "\r\n"
	}
	for name, to := range map[string]*[]byte{"query": &d.query, "errors": &d.errors, "begin": &d.begin} {
		text := bytes.TrimSpace(r.bytes(name))
		if bytes.ContainsAny(text, "\r\n") {
			r.fault(name, "one line only; part commands by ;")
		}
		if len(text) > 0 {
			*to = append(text, end...)
		}
	}
	if len(d.query) == 0 {
		r.fault("query", "give a query such as MEAS?")
	}
	n := max(1, len(d.fields))
	if d.metres {
		d.units = make([]Unit, n)
		for i := range d.units {
			d.units[i] = MM
		}
	} else {
		d.units = r.units("unit", n)
	}
	return d, r.err()
}

// Reset implements Resetter.
func (d *scpi) Reset() {
	d.exchange.Reset()
	d.splitter.Reset()
	d.begun, d.trouble, d.forErrors = false, false, false
}

// Request implements Requester.
func (d *scpi) Request(out []byte) []byte {
	d.trouble = d.trouble || (d.asked && !d.forErrors)
	if !d.next() {
		return out
	}
	d.start()
	if !d.begun {
		d.begun = true
		out = append(out, d.begin...)
	}
	d.forErrors = d.trouble && len(d.errors) > 0
	d.trouble = false
	if d.forErrors {
		return append(out, d.errors...)
	}
	return append(out, d.query...)
}

// Split implements Decoder.
func (d *scpi) Split(data []byte, idle bool) (advance int, frame []byte) {
	return d.split(data, idle, d.splitter.Split)
}

// Decode implements Decoder.
func (d *scpi) Decode(frame []byte, out []Sample) ([]Sample, error) {
	fault := d.takeFault()
	if !d.answers() {
		return out, NotAsked
	}
	n := len(out)
	switch {
	case fault != "":
	case len(frame) > maxLine:
		fault = TooLong
	case d.forErrors:
		fault = d.readError(trimBlanks(frame))
	default:
		out, fault = d.values(frame, out)
	}
	if fault == "" {
		return out, nil
	}
	d.judge(fault)
	d.trouble = d.trouble || (!d.forErrors && (!d.trusted || fault == GaugeError))
	return out[:n], fault
}

// readError reads the answer to the query for errors: a number, a comma and a text in quotes. The
// number 0 means that there is no error.
func (d *scpi) readError(b []byte) Reason {
	_, _, rest := scanSign(b)
	code, _, rest, fault := scanDigits(rest, 0)
	if fault != "" || len(rest) < 3 || rest[0] != ',' || rest[1] != '"' || rest[len(rest)-1] != '"' {
		return Noise
	}
	if code == 0 {
		return ""
	}
	d.trouble = true // there may be more errors
	return GaugeError
}

// values reads numbers separated by commas.
func (d *scpi) values(frame []byte, out []Sample) ([]Sample, Reason) {
	rest, n := frame, max(1, len(d.fields))
	for i := range n {
		field := rest
		if comma := bytes.IndexByte(rest, ','); comma >= 0 {
			if i == n-1 {
				return out, TooLong
			}
			field, rest = rest[:comma], rest[comma+1:]
		} else if i < n-1 {
			return out, TooShort
		}
		s := Sample{Unit: d.units[i], Raw: frame}
		if d.fields != nil {
			if s.Channel = d.fields[i]; s.Channel == skipField {
				continue
			}
		}
		shift := 0
		if d.metres {
			shift = 3
		}
		var fault Reason
		if s.Digits, s.Places, fault = scanNumber(trimBlanks(field), shift); fault != "" {
			return out, fault
		}
		out = append(out, s)
	}
	return out, ""
}

// scanNumber reads an NR1, NR2 or NR3 number exactly, and multiplies it by 10^shift.
func scanNumber(b []byte, shift int) (digits int64, places int, fault Reason) {
	negative, _, rest := scanSign(b)
	digits, places, rest, fault = scanDigits(rest, '.')
	if fault != "" {
		if r := scpiWord(rest); r != "" && fault == NoNumber {
			fault = r
		}
		return 0, 0, fault
	}
	exponent, fault := scanExponent(rest)
	if fault != "" {
		return 0, 0, fault
	}
	if fault := scpiSpecial(digits, exponent-places); fault != "" {
		return 0, 0, fault
	}
	places -= exponent + shift
	for ; places < 0 && digits != 0; places++ {
		if digits > math.MaxInt64/10 {
			return 0, 0, TooLarge
		}
		digits *= 10
	}
	for ; places > maxPlaces && digits%10 == 0 && digits != 0; places-- {
		digits /= 10
	}
	if digits == 0 {
		places = min(max(places, 0), maxPlaces)
	}
	if places > maxPlaces {
		return 0, 0, TooLarge
	}
	if negative {
		digits = -digits
	}
	return digits, places, ""
}

// scanExponent reads E, a sign and up to three digits, or nothing.
func scanExponent(b []byte) (int, Reason) {
	if len(b) == 0 {
		return 0, ""
	}
	if b[0]|0x20 != 'e' {
		return 0, Noise
	}
	negative, _, rest := scanSign(b[1:])
	v, _, rest, fault := scanDigits(rest, 0)
	if fault != "" || len(rest) > 0 || v > 999 {
		return 0, Noise
	}
	if negative {
		v = -v
	}
	return int(v), ""
}

// scpiSpecial recognises the numbers that have a special meaning, however they are written. 9.9E37
// is infinity, and 9.91E37 is not a number (SCPI-99, volume 1, 7.2.1, from memory).
func scpiSpecial(digits int64, exponent int) Reason {
	for digits != 0 && digits%10 == 0 {
		digits, exponent = digits/10, exponent+1
	}
	switch {
	case digits == 99 && exponent == 36:
		return OverRange
	case digits == 991 && exponent == 35:
		return NoNumber
	}
	return ""
}

// scpiWord reads the words that some instruments send instead of a number. Any other text, however
// readable, does not answer the query. It may answer another query, or say what was wrong with this
// one.
func scpiWord(b []byte) Reason {
	var a [12]byte
	switch string(lower(b, &a)) {
	case "inf", "infinity", "ninf":
		return OverRange
	case "nan":
		return NoNumber
	}
	if len(b) == 0 {
		return ""
	}
	if r := wordReason(b); r != "" {
		return r
	}
	return Noise
}
