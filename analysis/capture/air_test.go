package capture_test

import (
	"math/rand/v2"
	"testing"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/capture"
)

// stopped is what a gauge shows whose travel ends at a level.
func stopped(s []capture.Sample, level analysis.Length, rng *rand.Rand) []capture.Sample {
	for i := range s {
		if s[i].Value > level {
			s[i].Value = level + analysis.Length(rng.IntN(3)-1)*um/10
		}
	}
	return s
}

// after puts samples after others.
func after(s []capture.Sample, more ...[]capture.Sample) []capture.Sample {
	for _, m := range more {
		shift := s[len(s)-1].At + 50*time.Millisecond - m[0].At
		for _, x := range m {
			x.At += shift
			s = append(s, x)
		}
	}
	return s
}

// A gauge whose free air shows 150 to 400 µm above the ring is read like one with 900: first in the ring, then in a bore of
// another size, rocked otherwise.
func TestShortTravelIsReadLikeLong(t *testing.T) {
	kindsOf := func(got []capture.Result) (k []capture.ResultKind) {
		for _, r := range got {
			k = append(k, r.Kind)
		}
		return k
	}
	const tries = 40
	read := 0
	for n := range uint64(tries) {
		play := func(air analysis.Length) []capture.Result {
			rng := rand.New(rand.NewPCG(71, n))
			nominal := mm(t, []string{"12", "22.23", "35", "45"}[n%4])
			ring := rock{size: float64(nominal) / float64(analysis.Millimetre), rate: []float64{20, 25, 50}[n%3], half: 0.6 + 0.5*rng.Float64(),
				amplitude: 2.2 + rng.Float64(), off: 0.3 * rng.NormFloat64(), passes: 5, sd: 0.1}
			bore := ring
			bore.size += 0.02 * (2*rng.Float64() - 1)
			bore.half, bore.passes = 0.6+0.5*rng.Float64(), 6
			s := stopped(after(ring.samples(0, rng), bore.samples(0, rng)), nominal+air, rng)
			c := newCapture(t, capture.Options{Mode: capture.Turning, Nominal: nominal, Repeatability: 1000})
			seen := int(ring.rate) - 1 // of free air, which is learned meanwhile
			all(c, s[:seen])
			s = s[seen:]
			got := all(c, s, capture.Entered, capture.Taken, capture.Refused, capture.Moved, capture.Left)
			for i, at := range []float64{ring.size, bore.size} {
				if k := 3*i + 1; k < len(got) && got[k].Kind == capture.Taken {
					if d := got[k].Value.Micrometres() - 1000*at; d > 0.6 || d < -0.6 {
						t.Errorf("visit %d, air at %s: off by %.2f µm", n, air, d)
					}
				}
			}
			return got
		}
		want := play(900 * um)
		if len(want) != 6 {
			t.Errorf("visit %d, air at 900 µm: %v, want two visits", n, kindsOf(want))
		}
		for _, r := range want {
			if r.Kind == capture.Taken {
				read++
			}
		}
		for _, air := range []analysis.Length{150 * um, 200 * um, 300 * um, 400 * um} {
			got := play(air)
			same := len(got) == len(want)
			for i := range min(len(got), len(want)) {
				same = same && got[i].Kind == want[i].Kind && (got[i].Value-want[i].Value).Abs() <= um/10
			}
			if !same {
				t.Errorf("visit %d, air at %s: %v, want %v", n, air, kindsOf(got), kindsOf(want))
			}
		}
	}
	if read < 2*tries*9/10 {
		t.Errorf("%d readings of %d visits", read, 2*tries)
	}
}

// parked is a rock that begins with a rest of some seconds at a wide tilt, in the bore.
func parked(tilt float64, rest time.Duration, rng *rand.Rand) (s []capture.Sample) {
	r := rock{size: 45, rate: 20, half: 0.9, amplitude: 3, off: 0.2, passes: 6, sd: 0.1}
	v, err := analysis.FromMicrometres(r.shown(tilt * 3.14159 / 180))
	if err != nil {
		panic(err)
	}
	for at := time.Duration(0); at < rest; at += 50 * time.Millisecond {
		s = append(s, capture.Sample{At: at, Value: v + analysis.Length(rng.IntN(3)-1)*um/10})
	}
	return after(s, r.samples(0, rng)[20:]) // not out in the air before it
}

// A gauge that is parked at a wide tilt shows as much as free air does near the ring: it may be taken for it once, when none was
// seen yet, but is read all the same, and once free air was seen it is in the bore where it parks.
func TestParkedTiltedIsNoAir(t *testing.T) {
	for n := range uint64(10) {
		rng := rand.New(rand.NewPCG(72, n))
		nominal := mm(t, "45")
		air := nominal + 400*um
		first := parked(5.5, 3*time.Second, rng) // 190 µm above
		out := stopped(good.samples(0, rng)[:30], 0, rng)
		for i := range out {
			out[i].Value += air
		}
		for _, sequence := range [][][]capture.Sample{{first, parked(5.5, 3*time.Second, rng)}, {out, parked(5.5, 3*time.Second, rng), parked(6, 2*time.Second, rng)}} {
			s := stopped(after(sequence[0], sequence[1:]...), air, rng)
			c := newCapture(t, capture.Options{Mode: capture.Turning, Nominal: nominal, Repeatability: 1000})
			taken := 0
			for _, r := range all(c, s, capture.Taken) {
				taken++
				if d := (r.Value - nominal).Abs(); d > um/2 {
					t.Errorf("%d: off by %s", n, d)
				}
			}
			if taken != 2 {
				t.Errorf("%d: %d readings of two visits", n, taken)
			}
			if got := c.Air(); (got - air).Abs() > um {
				t.Errorf("%d: free air at %s, want %s", n, got, air)
			}
			// Parked again, it is in the bore all the time.
			again := all(c, after(s, parked(5.5, 3*time.Second, rng))[len(s):], capture.Entered, capture.Left)
			if len(again) != 2 || again[0].At > s[len(s)-1].At+100*time.Millisecond {
				t.Errorf("%d: parked again: %+v, want in at once and out in the end", n, again)
			}
		}
	}
}
