package form

import (
	"fmt"
	"math"
)

// GaugeKind is a way to gauge out-of-roundness with contacts.
type GaugeKind uint8

// The kinds. TwoPoint measures a diameter. SelfCentring has three contacts at
// 120° that expand together. The others measure along the line that halves a
// pair of fixed contacts which touch as the faces of a V of that angle do: a
// summit arrangement from opposite the pair, a rider arrangement from between
// it (the terms of ISO 4292:1985).
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
	return fmt.Errorf("gauge kind %q: want one such as two-point or three-contact", b)
}

// angle is that of the V in degrees.
func (k GaugeKind) angle() float64 {
	angles := [...]float64{60, 72, 90, 108, 120}
	return angles[int(k-Summit60)%len(angles)]
}

// Seen returns how much of the out-of-roundness of a profile with that many
// equal lobes a gauge shows: indicated range by true (radial, peak to valley)
// out-of-roundness. A diameter shows twice that of an even number of lobes and
// nothing of an odd one. It is 0 for fewer than two lobes, which are no form
// error, and for an unknown kind.
//
// Geometry, of small lobes r(a) = R + A cos(n a): two-point adds r at a and
// a + 180°; self-centring averages r at three places 120° apart and shows it as
// a diameter; a V of angle V holds the profile at ±g, g = 90° - V/2 from the
// line of its middle, so that a summit indicates |1 + (-1)^n cos(n g)/sin(V/2)|
// and a rider |1 - cos(n g)/sin(V/2)|.
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
	if v = math.Abs(1 + v); v < 1e-12 { // what is left of an exact zero
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
