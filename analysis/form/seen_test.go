package form

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"
)

// columns of testdata/roundness/lobe_factors.csv: ratio of indicated to true
// out-of-roundness for the arrangements of ISO 4292:1985, recomputed from
// geometry and by a simulation of contacts, to four decimals.
var columns = []GaugeKind{TwoPoint, Summit60, Summit72, Summit90, Summit108, Summit120, Rider60, Rider72, Rider90, Rider108, Rider120, SelfCentring}

func TestSeenEqualsTable(t *testing.T) {
	f, err := os.Open("../../testdata/roundness/lobe_factors.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil || len(rows) != 22 || len(rows[0]) != 1+len(columns) {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	for _, row := range rows[1:] {
		lobes, _ := strconv.Atoi(row[0])
		for i, kind := range columns {
			want, err := strconv.ParseFloat(row[i+1], 64)
			if err != nil {
				t.Fatal(err)
			}
			near(t, kind.String()+", "+row[0]+" lobes", Seen(kind, lobes), want, 5.0001e-5)
		}
	}
}

// indicated turns a part of that many lobes of amplitude 1 against contacts and
// returns the range shown. Each contact k presses along its direction: a fixed
// pair sets where the centre is, found by solving its two equations.
func indicated(kind GaugeKind, lobes int) float64 {
	r := func(a float64) float64 { return math.Cos(float64(lobes) * a) }
	low, high := math.Inf(1), math.Inf(-1)
	const steps = 5040 // a multiple of 2 n for n up to 10
	for i := range steps {
		a := 2 * math.Pi * float64(i) / steps
		v := 0.0
		switch kind {
		case TwoPoint:
			v = r(a) + r(a+math.Pi)
		case SelfCentring:
			v = 2 * (r(a) + r(a+2*math.Pi/3) + r(a+4*math.Pi/3)) / 3
		default:
			// Faces of the V touch below the centre at ±g from straight down; each
			// keeps its distance, so the centre (x, y) moves so that n·(x, y) = r.
			half := kind.angle() / 2 * math.Pi / 180
			g := math.Pi/2 - half
			down := a - math.Pi/2
			r1, r2 := r(down-g), r(down+g)
			n1x, n1y := math.Sin(g), math.Cos(g) // inward normals
			n2x, n2y := -n1x, n1y
			det := n1x*n2y - n1y*n2x
			x, y := (r1*n2y-r2*n1y)/det, (n1x*r2-n2x*r1)/det
			_ = x // sideways: no part of the reading
			if kind >= Rider60 {
				v = r(down) - y
			} else {
				v = r(down+math.Pi) + y
			}
		}
		low, high = min(low, v), max(high, v)
	}
	return (high - low) / 2 // true out-of-roundness is 2
}

func TestSeenEqualsContacts(t *testing.T) {
	for _, kind := range columns {
		for lobes := 2; lobes <= 10; lobes++ {
			near(t, kind.String(), Seen(kind, lobes), indicated(kind, lobes), 1e-9)
		}
	}
}

func TestSeenOfNoLobes(t *testing.T) {
	for _, kind := range columns {
		if Seen(kind, 1) != 0 || Seen(kind, 0) != 0 || Seen(kind, -2) != 0 {
			t.Errorf("%s sees eccentricity as form", kind)
		}
		var back GaugeKind
		b, _ := kind.MarshalText()
		if err := back.UnmarshalText(b); err != nil || back != kind {
			t.Errorf("%s came back as %s, %v", kind, back, err)
		}
	}
	if Seen(99, 4) != 0 {
		t.Error("an unknown gauge sees")
	}
	var k GaugeKind
	if k.UnmarshalText([]byte("plug")) == nil {
		t.Error("an unknown gauge is known")
	}
}
