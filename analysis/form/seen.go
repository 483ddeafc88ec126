package form

import (
	"fmt"
	"math"
)

// GaugeKind is a way to gauge out-of-roundness with contacts.
type GaugeKind uint8

// The kinds. TwoPoint measures a diameter. SelfCentring has three contacts at 120° that expand
// together. The other kinds have a pair of fixed contacts, which touch the wall as the two faces of
// a V of the given angle do. They measure along the line that halves the V. A summit arrangement
// measures from the side opposite the pair. A rider arrangement measures from between the pair (the
// terms of ISO 4292:1985).
const (
	TwoPoint GaugeKind = iota
	SelfCentring
	Summit60
	Summit72
	Summit90
	Summit108
	Summit120
	Rider60
	Rider72
	Rider90
	Rider108
	Rider120
)

func (k GaugeKind) String() string {
	switch {
	case k == TwoPoint:
		return "two-point"
	case k == SelfCentring:
		return "three-contact"
	case k <= Summit120:
		return fmt.Sprintf("summit %.0f°", k.angle())
	case k <= Rider120:
		return fmt.Sprintf("rider %.0f°", k.angle())
	}
	return fmt.Sprintf("gauge kind %d", uint8(k))
}

// MarshalText writes the name.
func (k GaugeKind) MarshalText() ([]byte, error) { return []byte(k.String()), nil }

// UnmarshalText reads the name.
func (k *GaugeKind) UnmarshalText(b []byte) error {
	for c := TwoPoint; c <= Rider120; c++ {
		if c.String() == string(b) {
			*k = c
			return nil
		}
	}
	return fmt.Errorf("gauge kind %q is not valid: give one such as two-point or three-contact", b)
}

// angle returns the angle of the V in degrees.
func (k GaugeKind) angle() float64 {
	angles := [...]float64{60, 72, 90, 108, 120}
	return angles[int(k-Summit60)%len(angles)]
}

// Seen returns how much of the out-of-roundness a gauge shows, for a profile with the given number
// of equal lobes. It is the indicated range divided by the true (radial, peak to valley)
// out-of-roundness. A diameter shows twice the out-of-roundness for an even number of lobes, and
// nothing for an odd number. Seen returns 0 for fewer than two lobes, because they are not a form
// error. It also returns 0 for an unknown kind.
//
// The formulas are geometry, for small lobes r(a) = R + A cos(n a). A two-point gauge adds r at a
// and at a + 180°. A self-centring gauge averages r at three places 120° apart and shows the
// average as a diameter. A V of angle V touches the profile at ±g from the line through its middle,
// where g = 90° - V/2. So a summit indicates |1 + (-1)^n cos(n g)/sin(V/2)|, and a rider indicates
// |1 - cos(n g)/sin(V/2)|.
func Seen(kind GaugeKind, lobes int) float64 {
	if lobes < 2 || kind > Rider120 {
		return 0
	}
	switch kind {
	case TwoPoint:
		return everyNth(lobes, 2)
	case SelfCentring:
		return everyNth(lobes, 3)
	}
	half := kind.angle() / 2 * math.Pi / 180
	v := math.Cos(float64(lobes)*(math.Pi/2-half)) / math.Sin(half)
	if kind >= Rider60 || lobes%2 != 0 {
		v = -v
	}
	if v = math.Abs(1 + v); v < 1e-12 { // an exact zero with a floating-point error
		return 0
	}
	return v
}

func everyNth(lobes, n int) float64 {
	if lobes%n == 0 {
		return 2
	}
	return 0
}
