package analysis

import (
	"errors"
	"fmt"
	"math"
	"math/bits"
	"strconv"
	"strings"
)

// Length is a length or a deviation in units of 0.1 nm.
type Length int64

// Whole lengths, all exact (1 in = 25.4 mm by definition).
const (
	Nanometre  Length = 10
	MicroInch  Length = 254
	Micrometre Length = 10_000
	Thou       Length = 254_000 // 0.001 in
	Millimetre Length = 10_000_000
	Inch       Length = 254_000_000
)

// Unit is a unit of length that a gauge sends or a person reads.
type Unit uint8

// The units. The zero value means "not stated".
const (
	NoUnit Unit = iota
	MM
	UM
	IN
	UIN
)

// units holds for each Unit its length, the name that a person reads, and the UCUM code
// (ucum.org) that is used on the wire.
var units = [...]struct {
	size       Length
	name, ucum string
}{NoUnit: {}, MM: {Millimetre, "mm", "mm"}, UM: {Micrometre, "µm", "um"}, IN: {Inch, "in", "[in_i]"}, UIN: {MicroInch, "µin", "u[in_i]"}}

// Size returns the length of one unit, 0 for NoUnit.
func (u Unit) Size() Length { return units[u].size }

// String returns the unit as a person writes it: mm, µm, in, µin.
func (u Unit) String() string { return units[u].name }

// UCUM returns the unit's code in the Unified Code for Units of Measure.
func (u Unit) UCUM() string { return units[u].ucum }

// Inch reports whether u is an inch unit.
func (u Unit) Inch() bool { return u == IN || u == UIN }

// ParseUnit reads a unit: mm, um, µm, in, ", uin, µin, in any case, or a UCUM
// code. The empty text is NoUnit.
func ParseUnit(s string) (Unit, error) {
	switch strings.ReplaceAll(strings.ToLower(s), "μ", "µ") { // Greek mu to micro sign
	case "":
		return NoUnit, nil
	case "mm":
		return MM, nil
	case "um", "µm":
		return UM, nil
	case "in", "inch", `"`, "[in_i]":
		return IN, nil
	case "uin", "µin", "u[in_i]":
		return UIN, nil
	}
	return NoUnit, fmt.Errorf("unit %q is not valid: give mm, um, in or uin", s)
}

// MarshalText writes the UCUM code.
func (u Unit) MarshalText() ([]byte, error) { return []byte(u.UCUM()), nil }

// UnmarshalText reads what [ParseUnit] reads.
func (u *Unit) UnmarshalText(b []byte) (err error) { *u, err = ParseUnit(string(b)); return err }

// The reasons why a number is not a Length.
var (
	ErrNumber = errors.New("not a decimal number")
	ErrInches = errors.New("a fraction is of inches: write it as 7/8 in or 1-1/4 in")
	ErrRange  = errors.New("too large")
	ErrFiner  = errors.New("finer than 0.1 nm, so it can't be kept exactly")
	ErrNoUnit = errors.New("no unit: give mm, um, in or uin behind the number")
)

// FromDecimal converts digits × 10^-places of a unit, exactly.
// It fails with [ErrFiner], [ErrRange] or [ErrNoUnit].
func FromDecimal(digits int64, places int, u Unit) (Length, error) {
	if u == NoUnit {
		return 0, ErrNoUnit
	}
	v, err := scaled(digits, places, int64(u.Size()))
	return Length(v), err
}

// scaled returns digits × size / 10^places, if that is a whole number. Without its powers
// of ten, size has each of the factors 2 and 5 once at most.
func scaled(digits int64, places int, size int64) (int64, error) {
	if digits == 0 { // 0 is exact with any number of places
		return 0, nil
	}
	for places > 0 {
		switch {
		case size%10 == 0:
			size /= 10
		case digits%10 == 0:
			digits /= 10
		default:
			return divided(digits, size, places)
		}
		places--
	}
	for ; places < 0; places++ {
		v, ok := mul(size, 10)
		if !ok {
			return 0, ErrRange
		}
		size = v
	}
	v, ok := mul(digits, size)
	if !ok {
		return 0, ErrRange
	}
	return v, nil
}

// divided returns digits × size / 10^places.
func divided(digits, size int64, places int) (int64, error) {
	if places > 19 { // never whole: digits do not end in 0, and size has 2 and 5 once at most
		return 0, ErrFiner
	}
	divisor := uint64(1)
	for range places {
		divisor *= 10
	}
	magnitude := uint64(digits)
	if digits < 0 {
		magnitude = -magnitude
	}
	v, err := ratio(magnitude, uint64(size), divisor)
	switch {
	case err != nil:
		return 0, err
	case digits < 0:
		return -v, nil
	}
	return v, nil
}

// ratio returns a × b / divisor. It computes with 128 bits. If the result is not whole, it
// returns the whole part and [ErrFiner].
func ratio(a, b, divisor uint64) (int64, error) {
	hi, lo := bits.Mul64(a, b)
	if hi >= divisor {
		return 0, ErrRange
	}
	v, rest := bits.Div64(hi, lo, divisor)
	switch {
	case v > math.MaxInt64:
		return 0, ErrRange
	case rest != 0:
		return int64(v), ErrFiner
	}
	return int64(v), nil
}

func mul(a, b int64) (int64, bool) {
	if a == 0 || b == 0 {
		return 0, true
	}
	p := a * b
	return p, p/b == a && p != math.MinInt64
}

// ParseDecimal reads a decimal number as digits and a number of decimal places: "22.2275"
// is 222275 and 4. The number may have a sign, and a point or a comma. It must have no
// exponent and no grouping. ParseDecimal fails with [ErrNumber], with [ErrRange], or with
// [ErrFiner] for more decimals than an int64 holds. With [ErrFiner] it also returns the
// digits that an int64 holds.
func ParseDecimal(s string) (digits int64, places int, err error) {
	neg, s := sign(s)
	point, some, full, finer := false, false, false, false
	for i := range len(s) {
		switch c := s[i]; {
		case c >= '0' && c <= '9':
			some = true
			if full = full || digits > (math.MaxInt64-int64(c-'0'))/10; full {
				if !point {
					return 0, 0, ErrRange
				}
				finer = finer || c != '0'
				continue
			}
			digits = digits*10 + int64(c-'0')
			if point {
				places++
			}
		case (c == '.' || c == ',') && !point:
			point = true
		default:
			return 0, 0, ErrNumber
		}
	}
	if !some {
		return 0, 0, ErrNumber
	}
	if neg {
		digits = -digits
	}
	if finer {
		err = ErrFiner
	}
	return digits, places, err
}

// sign cuts the sign off a number.
func sign(s string) (neg bool, rest string) {
	for _, minus := range []string{"-", "−"} {
		if rest, neg = strings.CutPrefix(s, minus); neg {
			return neg, rest
		}
	}
	return false, strings.TrimPrefix(s, "+")
}

// LengthFault says what is wrong with a length that a person typed. err is the error from
// [ParseLength].
func LengthFault(typed string, err error) Phrase {
	var said Phrase
	switch {
	case errors.As(err, &said):
		return said
	case errors.Is(err, ErrFiner):
		return Say("length.finer", typed)
	case errors.Is(err, ErrRange):
		return Say("length.range", typed)
	case errors.Is(err, ErrInches):
		return Say("length.inches", typed)
	case errors.Is(err, ErrNoUnit):
		return Say("length.no_unit", typed)
	case errors.Is(err, ErrNumber):
		return Say("length.number", typed)
	}
	return Say("length.unit", typed)
}

// ParseLength reads a number with its unit exactly, such as "22.2275 mm", "0.87510 in",
// "-3 um" or "25uin". It also reads fractions of an inch: "7/8 in", "1-1/4 in", "1 1/4 in".
// A number without a unit fails with [ErrNoUnit]. A fraction of another unit fails with
// [ErrInches].
func ParseLength(s string) (Length, error) {
	t := strings.TrimSpace(s)
	i := strings.LastIndexAny(t, "0123456789.,/") + 1
	l, err := parseLength(strings.TrimSpace(t[:i]), strings.TrimSpace(t[i:]))
	if err != nil {
		return 0, fmt.Errorf("length %q: %w", s, err)
	}
	return l, nil
}

func parseLength(number, unit string) (Length, error) {
	if strings.Contains(number, "/") {
		switch u, err := ParseUnit(unit); {
		case err != nil:
			return 0, err
		case u == NoUnit:
			return 0, ErrNoUnit
		case u != IN:
			return 0, ErrInches
		}
		return parseFraction(number)
	}
	digits, places, unheld := ParseDecimal(number)
	if unheld != nil && unheld != ErrFiner {
		return 0, unheld
	}
	u, err := ParseUnit(unit)
	if err != nil {
		return 0, err
	}
	l, err := FromDecimal(digits, places, u)
	if unheld != nil && err != ErrRange && err != ErrNoUnit {
		err = unheld
	}
	return l, err
}

// parseFraction reads a fraction of an inch, with or without whole inches before it.
func parseFraction(s string) (Length, error) {
	neg, s := sign(s)
	top, under, _ := strings.Cut(s, "/")
	whole, mixed := "0", false
	if i := strings.IndexAny(top, "- "); i >= 0 {
		whole, top, mixed = top[:i], strings.TrimSpace(top[i+1:]), true
	}
	var n [3]uint64
	for i, part := range []string{whole, top, under} {
		v, places, err := ParseDecimal(part)
		switch {
		case err == ErrRange:
			return 0, ErrRange
		case err != nil || places != 0 || strings.Trim(part, "0123456789") != "":
			return 0, ErrNumber
		}
		n[i] = uint64(v)
	}
	if n[2] == 0 || mixed && n[1] >= n[2] {
		return 0, ErrNumber
	}
	l, err := ratio(n[0], uint64(Inch), 1)
	part, err2 := ratio(n[1], uint64(Inch), n[2])
	switch {
	case err != nil || err2 == ErrRange || l > math.MaxInt64-part:
		return 0, ErrRange
	case err2 != nil:
		return 0, err2
	case neg:
		return -Length(l + part), nil
	}
	return Length(l + part), nil
}

// Micrometres returns l in µm for a computation.
func (l Length) Micrometres() float64 { return float64(l) / float64(Micrometre) }

// FromMicrometres rounds v µm to the nearest 0.1 nm. It fails for a value that is not
// finite, or too large for a Length.
func FromMicrometres(v float64) (Length, error) {
	x := math.Round(v * float64(Micrometre))
	if math.IsNaN(x) || math.Abs(x) >= math.MaxInt64 {
		return 0, ErrRange
	}
	return Length(x), nil
}

// Abs returns the absolute value.
func (l Length) Abs() Length { return max(l, -l) }

// Format writes l in unit u, without the unit. It rounds to a number of decimal places,
// half away from zero: Format(MM, 4) of 22.22755 mm is "22.2276". A negative number has an
// ASCII minus. Zero has no sign.
func (l Length) Format(u Unit, places int) string { return l.over(u.Size(), places) }

// over writes l/one rounded to a number of decimal places.
func (l Length) over(one Length, places int) string {
	size := uint64(one)
	neg := l < 0
	v := uint64(l)
	if neg {
		v = -v
	}
	whole, rest := v/size, v%size
	frac := make([]byte, 0, 12)
	for range places {
		rest *= 10
		frac = append(frac, byte('0'+rest/size))
		rest %= size
	}
	if rest*2 >= size { // round up, with carry
		i := len(frac) - 1
		for ; i >= 0; i-- {
			if frac[i] < '9' {
				frac[i]++
				break
			}
			frac[i] = '0'
		}
		if i < 0 {
			whole++
		}
	}
	s := strconv.FormatUint(whole, 10)
	if places > 0 {
		s += "." + string(frac)
	}
	if neg && strings.Trim(s, "0.") != "" {
		s = "-" + s
	}
	return s
}

// FormatSome writes l like [Length.Format], but does not write 0 for a length other than 0.
// It adds as many places as that takes, at most four: FormatSome(UM, 1) of 0.04 µm is
// "0.04". Four more places are enough to show 0.1 nm in µm and in millionths.
func (l Length) FormatSome(u Unit, places int) string { return l.overSome(u.Size(), places) }

func (l Length) overSome(one Length, places int) string {
	s := l.over(one, places)
	for more := 1; l != 0 && more <= 4 && strings.Trim(s, "0.") == ""; more++ {
		s = l.over(one, places+more)
	}
	return s
}

// tenth is 0.0001 in.
const tenth = Thou / 10

// Tenths writes l in tenths of a thou (0.0001 in) in the way of [Length.Format]. It rounds
// once, half away from zero.
func (l Length) Tenths(places int) string { return l.over(tenth, places) }

// TenthsSome writes l in tenths of a thou in the way of [Length.FormatSome].
func (l Length) TenthsSome(places int) string { return l.overSome(tenth, places) }

// Exact writes l in unit u with all its decimals and no trailing zeros. In mm and µm this is
// always possible. In inches only a multiple of 12.7 nm has a finite number of decimals. For
// any other length in inches, Exact fails with [ErrFiner].
func (l Length) Exact(u Unit) (string, error) {
	size := int64(u.Size())
	if size == 0 {
		return "", ErrNoUnit
	}
	places := 0
	for rest := l.Abs() % Length(size); rest != 0; places++ {
		if places == 12 {
			return "", ErrFiner
		}
		rest = rest * 10 % Length(size)
	}
	return l.Format(u, places), nil
}

// String writes l in mm exactly, with the unit.
func (l Length) String() string { return l.mm() + " mm" }

func (l Length) mm() string { return trimZeros(l.Format(MM, 7)) }

func trimZeros(s string) string {
	if !strings.Contains(s, ".") {
		return s
	}
	return strings.TrimRight(strings.TrimRight(s, "0"), ".")
}

// MarshalJSON writes a JSON number of mm, exactly.
func (l Length) MarshalJSON() ([]byte, error) { return l.AppendJSON(nil), nil }

// UnmarshalJSON reads a JSON number of mm, exactly.
func (l *Length) UnmarshalJSON(b []byte) error {
	return unmarshalNumber(b, MM, l)
}

// Deviation is a small length (a deviation, a form error, an uncertainty). It differs from
// Length only on the wire, where it is a JSON number of µm.
type Deviation Length

// MarshalJSON writes a JSON number of µm, exactly.
func (d Deviation) MarshalJSON() ([]byte, error) { return d.AppendJSON(nil), nil }

// UnmarshalJSON reads a JSON number of µm, exactly.
func (d *Deviation) UnmarshalJSON(b []byte) error {
	return unmarshalNumber(b, UM, (*Length)(d))
}

func unmarshalNumber(b []byte, u Unit, l *Length) error {
	if string(b) == "null" {
		return nil
	}
	digits, places, err := ParseDecimal(string(b))
	if err == nil {
		*l, err = FromDecimal(digits, places, u)
	}
	if err != nil {
		return fmt.Errorf("%s of %s: %w", b, u, err)
	}
	return nil
}

// Angle is an angle about the bore's axis, in thousandths of a degree. It runs clockwise,
// seen from the named face.
type Angle int32

// Degree is one degree.
const Degree Angle = 1000

// Degrees returns the angle in degrees for a computation.
func (a Angle) Degrees() float64 { return float64(a) / float64(Degree) }

// String writes the angle in degrees with its sign: "90°".
func (a Angle) String() string { return string(a.AppendJSON(nil)) + "°" }

// MarshalJSON writes a JSON number of degrees.
func (a Angle) MarshalJSON() ([]byte, error) { return a.AppendJSON(nil), nil }

// UnmarshalJSON reads a JSON number of degrees.
func (a *Angle) UnmarshalJSON(b []byte) error { return unmarshalThousandths(b, (*int32)(a)) }

// Temperature is a temperature, or a difference of two, in thousandths of a
// degree Celsius.
type Temperature int32

// Celsius is one degree Celsius, or one kelvin of difference.
const Celsius Temperature = 1000

// Reference is the standard reference temperature, 20 °C (ISO 1:2022).
const Reference = 20 * Celsius

// Degrees returns the temperature in °C (or K of difference) for a computation.
func (t Temperature) Degrees() float64 { return float64(t) / float64(Celsius) }

// String writes the temperature in °C.
func (t Temperature) String() string { return string(appendDecimal(nil, int64(t), 1000, 3)) + " °C" }

// MarshalJSON writes a JSON number of °C.
func (t Temperature) MarshalJSON() ([]byte, error) { return appendDecimal(nil, int64(t), 1000, 3), nil }

// UnmarshalJSON reads a JSON number of °C.
func (t *Temperature) UnmarshalJSON(b []byte) error { return unmarshalThousandths(b, (*int32)(t)) }

// unmarshalThousandths reads a JSON number of degrees.
func unmarshalThousandths(b []byte, to *int32) error {
	if string(b) == "null" {
		return nil
	}
	digits, places, err := ParseDecimal(string(b))
	v := int64(0)
	if err == nil {
		v, err = scaled(digits, places, 1000)
	}
	if err == nil && v != int64(int32(v)) {
		err = ErrRange
	}
	switch err {
	case nil:
		*to = int32(v)
		return nil
	case ErrFiner:
		return fmt.Errorf("%s: finer than a thousandth of a degree", b)
	}
	return fmt.Errorf("%s: %w", b, err)
}

// UnmarshalText reads what [ParseLength] reads: a number with its unit, as in a
// configuration or on a command line.
func (l *Length) UnmarshalText(b []byte) (err error) { *l, err = ParseLength(string(b)); return err }

// UnmarshalText reads what [ParseLength] reads.
func (d *Deviation) UnmarshalText(b []byte) error { return (*Length)(d).UnmarshalText(b) }
