package analysis

import (
	"errors"
	"fmt"
	"math/big"
	"regexp"
	"strings"
	"testing"
)

// What the tests of exact values compare with: the same in rational arithmetic, by
// math/big, written without a look at how the package does it.

// allUnits are the units of length.
func allUnits() []Unit { return []Unit{MM, UM, IN, UIN} }

// powerOfTen returns 10 to the n, below 1 for an n below 0.
func powerOfTen(n int) *big.Rat {
	p := new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(max(n, -n))), nil)
	if n < 0 {
		return new(big.Rat).SetFrac(big.NewInt(1), p)
	}
	return new(big.Rat).SetInt(p)
}

// inUnits returns how many 0.1 nm so many of a unit are.
func inUnits(number *big.Rat, u Unit) *big.Rat {
	size := map[Unit]int64{MM: 10_000_000, UM: 10_000, IN: 254_000_000, UIN: 254}[u]
	return new(big.Rat).Mul(number, big.NewRat(size, 1))
}

// beyond is the least magnitude that is too large for a Length.
func beyond() *big.Rat { return new(big.Rat).SetInt(new(big.Int).Lsh(big.NewInt(1), 63)) }

// agrees reports how a length, or why there is none, differs from an exact value in
// 0.1 nm; nil if it doesn't.
func agrees(exact *big.Rat, got Length, err error) error {
	want := error(nil)
	switch {
	case new(big.Rat).Abs(exact).Cmp(beyond()) >= 0:
		want = ErrRange
	case !exact.IsInt():
		want = ErrFiner
	}
	switch {
	case want == nil && err == nil && exact.Cmp(big.NewRat(int64(got), 1)) != 0,
		want == nil && err != nil, want != nil && !errors.Is(err, want), want != nil && got != 0:
		return fmt.Errorf("%d, %v; want %s, %v", got, err, exact.FloatString(3), want)
	}
	return nil
}

// rounded writes a number with so many decimals, half away from zero, and no sign for
// what is then 0.
func rounded(number *big.Rat, places int) string {
	scaled := new(big.Rat).Mul(new(big.Rat).Abs(number), powerOfTen(places))
	scaled.Add(scaled, big.NewRat(1, 2))
	digits := new(big.Int).Quo(scaled.Num(), scaled.Denom()).String() // towards 0
	if len(digits) <= places {
		digits = strings.Repeat("0", places+1-len(digits)) + digits
	}
	text := digits[:len(digits)-places]
	if places > 0 {
		text += "." + digits[len(digits)-places:]
	}
	if number.Sign() < 0 && strings.Trim(text, "0.") != "" {
		return "-" + text
	}
	return text
}

// The texts that are lengths: a decimal or a fraction, and a unit behind it.
const (
	spaces  = `[\t\n\v\f\r\x{85}\p{Z}]*`
	inches  = `(in|inch|"|\[in_i\])`
	anyUnit = `(mm|um|µm|in|inch|"|\[in_i\]|uin|µin|u\[in_i\])`
)

// readExactly returns what a text says, in 0.1 nm, and whether it says a length at all.
func readExactly(t testing.TB, text string) (*big.Rat, bool) {
	t.Helper()
	decimal := regexp.MustCompile(`(?i)^` + spaces + `([-+−]?)([0-9]*)([.,]?)([0-9]*)` + spaces + anyUnit + spaces + `$`)
	fraction := regexp.MustCompile(`(?i)^` + spaces + `([-+−]?)(?:([0-9]+)[- ]` + spaces + `([0-9]+)` + spaces + `|([0-9]+))/([0-9]+)` + spaces + inches + spaces + `$`)
	number, unit, sign := new(big.Rat), IN, ""
	if m := decimal.FindStringSubmatch(text); m != nil && m[2]+m[4] != "" {
		number.SetString(m[2] + m[4])
		number.Mul(number, powerOfTen(-len(m[4])))
		sign = m[1]
		unit = map[byte]Unit{'m': MM, 'u': UM, 'i': IN, '"': IN, '[': IN}[strings.ToLower(m[5])[0]]
		switch strings.ReplaceAll(strings.ReplaceAll(strings.ToLower(m[5]), "μ", "u"), "µ", "u") {
		case "um":
			unit = UM
		case "uin", "u[in_i]":
			unit = UIN
		}
	} else if m := fraction.FindStringSubmatch(text); m != nil {
		sign = m[1]
		under, _ := new(big.Rat).SetString(m[5])
		top, _ := new(big.Rat).SetString(m[3] + m[4])
		if under.Sign() == 0 || m[2] != "" && top.Cmp(under) >= 0 {
			return nil, false
		}
		number.Quo(top, under)
		if m[2] != "" {
			whole, _ := new(big.Rat).SetString(m[2])
			number.Add(number, whole)
		}
	} else {
		return nil, false
	}
	if sign == "-" || sign == "−" {
		number.Neg(number)
	}
	return inUnits(number, unit), true
}
