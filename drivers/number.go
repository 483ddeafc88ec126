package drivers

import (
	"bytes"
	"math"
)

// maxPlaces is the largest number of decimal places of a sample: 10^18 is the largest power of ten
// that fits an int64.
const maxPlaces = 18

// scanDigits reads digits, with at most one decimal mark, at the start of b. It returns the rest of
// b after them. With mark 0 there is no decimal mark. It fails with NoNumber if there is no digit,
// and with TooLarge if the number does not fit an int64.
func scanDigits(b []byte, mark byte) (digits int64, places int, rest []byte, fault Reason) {
	i, marked := 0, -1
	for ; i < len(b); i++ {
		c := b[i]
		if c >= '0' && c <= '9' {
			d := int64(c - '0')
			if digits > (math.MaxInt64-d)/10 {
				return 0, 0, b, TooLarge
			}
			digits = digits*10 + d
			continue
		}
		if c != mark || marked >= 0 || mark == 0 {
			break
		}
		marked = i
	}
	if i == 0 || (i == 1 && marked == 0) {
		return 0, 0, b, NoNumber
	}
	if marked >= 0 {
		places = i - 1 - marked
	}
	if places > maxPlaces {
		return 0, 0, b, TooLarge
	}
	return digits, places, b[i:], ""
}

// scanSign removes a sign from the start of b.
func scanSign(b []byte) (negative, signed bool, rest []byte) {
	if len(b) > 0 && (b[0] == '+' || b[0] == '-') {
		return b[0] == '-', true, b[1:]
	}
	return false, false, b
}

func isBlank(c byte) bool { return c == ' ' || c == '\t' }

func isDigit(c byte) bool { return c >= '0' && c <= '9' }

// trimBlanks removes spaces and tabs from both ends. It is faster than a general trim.
func trimBlanks(b []byte) []byte {
	for len(b) > 0 && isBlank(b[0]) {
		b = b[1:]
	}
	for len(b) > 0 && isBlank(b[len(b)-1]) {
		b = b[:len(b)-1]
	}
	return b
}

// lower writes b in lower case into the array, so that a switch needs no allocation. It returns nil
// for text that does not fit, because no known word is that long.
func lower(b []byte, to *[12]byte) []byte {
	if len(b) > len(to) {
		return nil
	}
	for i, c := range b {
		if c >= 'A' && c <= 'Z' {
			c += 'a' - 'A'
		}
		to[i] = c
	}
	return to[:len(b)]
}

// parseUnit reads a unit as gauges write it, in any case: mm, in, inch or ", um, uin, deg, degC,
// and UCUM codes. The micro sign and the degree sign may be UTF-8 or one byte of ISO 8859-1. An
// empty text is NoUnit.
func parseUnit(b []byte) (Unit, bool) {
	var a [12]byte
	switch string(lower(b, &a)) {
	case "":
		return NoUnit, len(b) == 0
	case "mm":
		return MM, true
	case "in", "inch", `"`, "[in_i]":
		return Inch, true
	case "um", "\u00b5m", "\u03bcm", "\xb5m":
		return UM, true
	case "uin", "uinch", "\u00b5in", "\u03bcin", "\xb5in", "u[in_i]":
		return MicroInch, true
	case "deg", "\u00b0", "\xb0":
		return Degree, true
	case "degc", "cel", "\u00b0c", "\xb0c":
		return Celsius, true
	}
	return NoUnit, false
}

// wordReason returns the meaning of a word in place of the number. It returns "" for a word that
// gauges are not known to send. The known words (common practice):
//
//	over range   OVER OVERRANGE OVERFLOW OVR OVL OL O.L UNDER UNDERRANGE UFL OFL,
//	             two dashes or more, with or without points, also ****
//	gauge error  ERR ERROR E, each with or without a number behind it
func wordReason(b []byte) Reason {
	_, _, w := scanSign(b)
	var a [12]byte
	switch string(lower(trimBlanks(w), &a)) {
	case "over", "overrange", "overflow", "ovr", "ovl", "ol", "o.l", "o.l.", "under", "underrange", "underflow", "udr", "ufl", "ofl":
		return OverRange
	}
	if n := bytes.Count(b, []byte("-")) + bytes.Count(b, []byte("*")); n > 1 && len(bytes.Trim(b, "-*. ")) == 0 {
		return OverRange
	}
	w = bytes.TrimRight(b, "0123456789 :-")
	switch string(lower(w, &a)) {
	case "err", "error":
		return GaugeError
	case "e":
		if len(b) > 1 {
			return GaugeError
		}
	}
	return ""
}
