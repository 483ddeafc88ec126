package capture

import (
	"math"
	"slices"
	"testing"
)

// The derivatives are those of the geometry: D-2r times sec t - 1, with the tilt of the comment of
// rock, by central differences of a plain implementation.
func TestModel(t *testing.T) {
	plain := func(k *rock) float64 {
		s := int(k.swing[0])
		t0, v0, t1, v1 := k.p[pEnd+2*s], k.p[pEnd+2*s+1], k.p[pEnd+2*s+2], k.p[pEnd+2*s+3]
		x := (k.t[0] - t0) / (t1 - t0)
		y := x - (k.p[pDwell]*math.Sin(2*math.Pi*x)+k.p[k.skews()+s]*(1-math.Cos(2*math.Pi*x)))/(2*math.Pi)
		tilt := v0 + (v1-v0)*(1-math.Cos(math.Pi*y))/2
		return k.p[pSize] + k.c*(1/math.Cos(tilt)-1)
	}
	k := rock{c: 20000, ends: 4, t: []float64{0}, swing: []uint8{1}}
	k.p = vector{2, 0.2, 0, 0.1, 1, -0.05, 2.1, 0.07, 3, -0.1, 0.03, -0.06, 0.02}
	for at := 0.95; at < 2.2; at += 0.03 {
		k.t[0] = at
		var d [7]float64
		e := k.model(0, &d)
		if want := plain(&k); math.Abs(k.p[pSize]+e-want) > 1e-6 {
			t.Errorf("at %g: %g µm, want %g", at, k.p[pSize]+e, want)
		}
		const swing = pEnd + 2
		for i, p := range [7]int{pSize, pDwell, swing, swing + 1, swing + 2, swing + 3, k.skews() + 1} {
			const h = 1e-5
			was := k.p[p]
			k.p[p] = was + h
			up := plain(&k)
			k.p[p] = was - h
			down := plain(&k)
			k.p[p] = was
			if want := (up - down) / (2 * h); math.Abs(d[i]-want) > 1e-5*max(1, math.Abs(want)) {
				t.Errorf("at %g, parameter %d: %g, want %g", at, i, d[i], want)
			}
		}
	}
}

func TestSecant(t *testing.T) {
	for x := -0.5; x <= 0.5; x += 0.01 {
		less1, slope := secant(x)
		if want := 1/math.Cos(x) - 1; math.Abs(less1-want) > 1e-8 {
			t.Errorf("sec %g - 1: %g, want %g", x, less1, want)
		}
		if want := math.Sin(x) / math.Pow(math.Cos(x), 2); math.Abs(slope-want) > 1e-7 {
			t.Errorf("slope of sec at %g: %g, want %g", x, slope, want)
		}
	}
}

// Passes that turned at heights which the time between samples does not explain are not worth
// a fit; a quick rock, whose lowest samples lie far from one another too, is.
func TestApart(t *testing.T) {
	o := Options{Mode: Turning, Nominal: fuzzNominal, Repeatability: 1000}
	o.fill()
	c := newTurning(o)
	passes := func(low, miss float64) (l []extreme) {
		for i, v := range []float64{30, 0, 30, low, 30, 0.1, 30} {
			l = append(l, extreme{sample: sample{float64(i) / 2, v}, miss: miss})
		}
		return l
	}
	for _, x := range []struct {
		low, miss float64
		want      bool
	}{{0.5, 0.05, false}, {3, 0.05, true}, {3, 1, false}} {
		if got := c.apart(passes(x.low, x.miss)); got != x.want {
			t.Errorf("a pass %g µm higher, %g between samples: apart %v", x.low, x.miss, got)
		}
	}
}

// Two minima that follow one another far sooner than the others are one pass: the lower.
func TestMerged(t *testing.T) {
	o := Options{Mode: Turning, Nominal: fuzzNominal}
	o.fill()
	c := newTurning(o)
	for _, x := range []sample{{0, 30}, {0.5, 0}, {1, 30}, {1.5, 0.2}, {1.6, 2}, {1.7, 0.1}, {2, 30}, {2.5, 0}, {3, 30}, {3.5, 0}, {4, 30}} {
		c.turns.list[c.turns.n] = extreme{sample: x}
		c.turns.n++
	}
	var at []float64
	for _, e := range c.merged(c.turns.minima()) {
		at = append(at, e.t)
	}
	if want := []float64{0, 0.5, 1, 1.7, 2, 2.5, 3, 3.5, 4}; !slices.Equal(at, want) {
		t.Errorf("turning points at %v, want %v", at, want)
	}
	if l := c.merged(3); len(l) != 7 {
		t.Errorf("three passes: %d turning points, want 7", len(l))
	}
}
