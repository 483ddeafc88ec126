package form

import (
	"bufio"
	"fmt"
	"math"
	"os"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// readStRD returns the points of a NIST StRD linear regression data set
// (www.itl.nist.gov/div898/strd, data from line 61 of each file: y, x).
func readStRD(t *testing.T, name string) (x, y []float64) {
	t.Helper()
	f, err := os.Open("../../testdata/strd/" + name + ".dat")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	in := bufio.NewScanner(f)
	for n := 1; in.Scan(); n++ {
		if n < 61 || strings.TrimSpace(in.Text()) == "" {
			continue
		}
		var a, b float64
		if _, err := fmt.Sscan(in.Text(), &a, &b); err != nil {
			t.Fatal(err)
		}
		x, y = append(x, b), append(y, a)
	}
	return x, y
}

func relative(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	near(t, what, got, want, tol*math.Abs(want))
}

// Certified values from the header of Norris.dat.
func TestLineNorris(t *testing.T) {
	x, y := readStRD(t, "Norris")
	if len(x) != 36 {
		t.Fatalf("%d points", len(x))
	}
	var l Line
	for i := range x {
		l.Add(x[i], y[i])
	}
	sd, uSlope, uAt, ok := l.Scatter(0)
	relative(t, "B0", l.At(0), -0.262323073774029, 1e-11)
	relative(t, "B1", l.Slope(), 1.00211681802045, 1e-11)
	relative(t, "sd of B0", uAt, 0.232818234301152, 1e-11)
	relative(t, "sd of B1", uSlope, 0.429796848199937e-03, 1e-11)
	relative(t, "residual sd", sd, 0.884796396144373, 1e-11)
	relative(t, "residual sum of squares", l.Residual(), 26.6173985294224, 1e-11)
	if !ok || l.N() != 36 {
		t.Errorf("ok %v, n %d", ok, l.N())
	}
}

// NoInt1 and NoInt2 are lines through the origin: with each point (x, y) goes
// (-x, -y), which holds the line there and doubles all sums of squares.
func TestLineNoInt(t *testing.T) {
	for _, c := range []struct {
		name                 string
		n                    int
		slope, uSlope, resSD float64
	}{
		{"NoInt1", 11, 2.07438016528926, 0.165289256198347e-01, 3.56753034006338},
		{"NoInt2", 3, 0.727272727272727, 0.420827318078432e-01, 0.369274472937998},
	} {
		x, y := readStRD(t, c.name)
		if len(x) != c.n {
			t.Fatalf("%s: %d points", c.name, len(x))
		}
		var l Line
		sxx := 0.0
		for i := range x {
			l.Add(x[i], y[i])
			l.Add(-x[i], -y[i])
			sxx += x[i] * x[i]
		}
		sd := math.Sqrt(l.Residual() / 2 / float64(c.n-1))
		relative(t, c.name+" slope", l.Slope(), c.slope, 1e-11)
		relative(t, c.name+" residual sd", sd, c.resSD, 1e-11)
		relative(t, c.name+" sd of slope", sd/math.Sqrt(sxx), c.uSlope, 1e-11)
		near(t, c.name+" at the origin", l.At(0), 0, 1e-12)
	}
}

func TestLineOfTooFewPoints(t *testing.T) {
	var l Line
	if l.Fitted() || l.Slope() != 0 || l.At(3) != 0 {
		t.Error("an empty line is fitted")
	}
	l.Add(5, 2)
	l.Add(5, 4)
	if _, _, _, ok := l.Scatter(0); l.Fitted() || ok || l.At(9) != 3 || l.Residual() != 2 {
		t.Errorf("two points at one x: %+v", l)
	}
	l.Add(7, 9)
	near(t, "slope", l.Slope(), 3, 1e-15)
	near(t, "residual of the pair", l.Residual(), 2, 1e-15)
}

// The running sums give what the sums taken at the end do, with sizes of
// 22 mm and slopes of nanometres; units do not matter to a slope.
func TestLineEqualsTwoPasses(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(3, 40).Draw(t, "n")
		var mm, inch Line
		x, y := make([]float64, n), make([]float64, n)
		var mx, my float64
		for i := range n {
			x[i] = float64(rapid.IntRange(0, 2540).Draw(t, "x")) / 10
			y[i] = 22.225 + float64(rapid.IntRange(-500, 500).Draw(t, "y"))*1e-5
			mm.Add(x[i], y[i])
			inch.Add(x[i]/25.4, y[i]/25.4)
			mx, my = mx+x[i]/float64(n), my+y[i]/float64(n)
		}
		var sxx, sxy, rss float64
		for i := range n {
			sxx += (x[i] - mx) * (x[i] - mx)
			sxy += (x[i] - mx) * (y[i] - my)
		}
		if sxx < 1 {
			t.Skip("all at one x")
		}
		for i := range n {
			d := y[i] - my - sxy/sxx*(x[i]-mx)
			rss += d * d
		}
		if math.Abs(mm.Slope()-sxy/sxx) > 1e-12 || math.Abs(mm.Residual()-rss) > 1e-12 {
			t.Fatalf("slope %g residual %g, want %g, %g", mm.Slope(), mm.Residual(), sxy/sxx, rss)
		}
		if math.Abs(mm.Slope()-inch.Slope()) > 1e-12 {
			t.Fatalf("slope %g in mm, %g in inches", mm.Slope(), inch.Slope())
		}
	})
}

func BenchmarkLineAdd(b *testing.B) {
	var l Line
	x, slope := 0.0, 0.0
	for b.Loop() {
		x += 0.125
		l.Add(x, 22.225+x/1000)
		slope = l.Slope()
	}
	if b.N > 1 && math.Abs(slope-1e-3) > 1e-9 {
		b.Fatalf("slope %g", slope)
	}
}
