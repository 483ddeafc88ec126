package drivers

import (
	"math/rand/v2"
	"testing"
	"time"
)

// handed plays a gauge at an even pace whose values are handed over in steps (0: at once),
// jittered by the computer and, where lost is above 0, now and then lost; it returns the intervals.
func handed(rng *rand.Rand, pace, step, jitter time.Duration, lost float64) (out []time.Duration) {
	var last time.Duration
	phase := time.Duration(rng.Int64N(int64(time.Second)))
	for i := range 64 {
		at := phase + time.Duration(i)*pace
		if step > 0 {
			at = (at + step - 1) / step * step
		}
		at += time.Duration(rng.ExpFloat64() * float64(jitter))
		if rng.Float64() < lost {
			continue
		}
		if last > 0 {
			out = append(out, max(0, at-last))
		}
		last = at
	}
	return out
}

func TestStampStep(t *testing.T) {
	const ms = time.Millisecond
	for _, c := range []struct {
		pace, step, jitter time.Duration
		lost               float64
		want               time.Duration
	}{
		{50 * ms, 16 * ms, 100 * time.Microsecond, 0, 16 * ms},
		{100 * ms, 16 * ms, 100 * time.Microsecond, 0, 16 * ms},
		{40 * ms, 16 * ms, 100 * time.Microsecond, 0, 16 * ms},
		{20 * ms, 16 * ms, 100 * time.Microsecond, 0, 16 * ms},
		{10 * ms, 16 * ms, 100 * time.Microsecond, 0, 16 * ms}, // several at once
		{50 * ms, 10 * ms, 100 * time.Microsecond, 0, 0},       // whole steps: nothing shows, and nothing is off
		{43 * ms, 10 * ms, 100 * time.Microsecond, 0, 10 * ms},
		{50 * ms, 0, 100 * time.Microsecond, 0, 0},
		{50 * ms, 0, 2 * ms, 0, 0},
		{50 * ms, 0, 100 * time.Microsecond, 0.1, 0},
		{20 * ms, 0, 100 * time.Microsecond, 0.1, 0},
		{100 * ms, 0, 5 * ms, 0.1, 0},
	} {
		right := 0
		for seed := range uint64(100) {
			if got := StampStep(handed(rand.New(rand.NewPCG(17, seed)), c.pace, c.step, c.jitter, c.lost)); got == c.want {
				right++
			}
		}
		if right < 97 {
			t.Errorf("%+v: right %d times of 100", c, right)
		}
	}
	if got := StampStep(make([]time.Duration, 20)); got != 0 {
		t.Errorf("of 20 intervals: %s", got)
	}
}
