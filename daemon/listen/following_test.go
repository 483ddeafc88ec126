package listen

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"fairbore/daemon/config"
	"fairbore/drivers"
)

// let plays steps of a contact that is pressed and let go within move, seen by a gauge that
// takes the mean over averages and sends every interval.
func let(rng *rand.Rand, averages, interval, move time.Duration, steps int) (out []framed) {
	shape := func(t float64) float64 { // at rest 0, pressed 4000 counts, changing every second
		k := math.Floor(t)
		part := min(1, (t-k)/max(move.Seconds(), 1e-6))
		if int(k)%2 == 1 {
			part = 1 - part
		}
		return 4000 * part
	}
	at := rng.Float64()
	for end := at + float64(steps); at < end; at += interval.Seconds() {
		sum := 0.0
		const fine = 200
		for i := range fine {
			sum += shape(2 + at - averages.Seconds()*float64(i)/fine)
		}
		out = append(out, framed{at: time.Duration(at * float64(time.Second)), samples: []drivers.Sample{{Digits: int64(sum/fine + rng.NormFloat64()), Places: 4, Unit: "mm"}}})
	}
	return out
}

// A step shows over what time a gauge averages, to its interval.
func TestFollowing(t *testing.T) {
	const ms = time.Millisecond
	for _, c := range []struct{ averages, interval, move, within time.Duration }{
		{0, 50 * ms, 0, 30 * ms}, {100 * ms, 20 * ms, 0, 15 * ms}, {100 * ms, 50 * ms, 0, 45 * ms}, {200 * ms, 50 * ms, 0, 35 * ms}, {100 * ms, 20 * ms, 30 * ms, 25 * ms},
	} {
		for seed := range uint64(20) {
			p := Proposal{Places: 4}
			p.noteTiming(let(rand.New(rand.NewPCG(17, seed)), c.averages, c.interval, c.move, 8))
			if off := p.Averages - c.averages; p.Interval != c.interval || off.Abs() > c.within {
				t.Errorf("%+v, seed %d: %s by values every %s", c, seed, p.Averages, p.Interval)
			}
		}
	}
}

func TestNoStepNothingSaid(t *testing.T) {
	rng := rand.New(rand.NewPCG(17, 1))
	p := Proposal{Places: 4}
	p.noteTiming(let(rng, 0, 50*time.Millisecond, 0, 2))
	if p.Interval != 0 || p.timing() != nil {
		t.Errorf("of one step: %+v", p.timing())
	}
	var rocked []framed // no level in it
	for i := range 400 {
		z := 30 * math.Sin(float64(i)*0.3)
		rocked = append(rocked, framed{at: time.Duration(i) * 50 * time.Millisecond, samples: []drivers.Sample{{Digits: int64(z * z), Places: 4}}})
	}
	p.noteTiming(rocked)
	if p.Interval != 0 {
		t.Errorf("of rocking: %+v", p.timing())
	}
}

func TestPaceIsReported(t *testing.T) {
	for _, c := range []struct {
		p    Proposal
		want string
	}{
		{Proposal{Stamps: 16 * time.Millisecond}, "values are handed over every 16 ms"},
		{Proposal{Averages: 20 * time.Millisecond, Interval: 50 * time.Millisecond}, "within one value (50 ms)"},
		{Proposal{Averages: 100 * time.Millisecond, Interval: 50 * time.Millisecond}, "averaged over 100 ms"},
	} {
		if got := c.p.Report(); !strings.Contains(got, c.want) {
			t.Errorf("%q lacks %q", got, c.want)
		}
		if got := c.p.Block("G", "/dev/x", "2026-11-25"); !strings.Contains(got, c.want) {
			t.Errorf("%q lacks %q", got, c.want)
		}
	}
}

// Through the whole of what is heard: frames that an adapter hands over in steps of 16 ms.
func TestStampsAreHeard(t *testing.T) {
	const ms = time.Millisecond
	for _, step := range []time.Duration{0, 16 * ms} {
		h := Heard{Line: drivers.Serial{Baud: 9600, Data: 8, Parity: "none", Stop: 1}, Shown: []Shown{{Text: "31.7497 mm"}}}
		for i := range 100 {
			at := time.Duration(i) * 50 * ms
			if step > 0 {
				at = (at + step - 1) / step * step
			}
			h.Entries = append(h.Entries, drivers.Entry{At: at, Data: []byte(drivers.Sample{Digits: 317497 + int64(i%3) - 1, Places: 4}.Decimal() + " mm\r\n")})
		}
		ps := Guess([]Heard{h})
		if len(ps) == 0 || ps[0].Stamps != step {
			t.Errorf("in steps of %s: %+v", step, ps)
		}
	}
}

// What listen writes is a whole configuration: check takes it as it is.
func TestWrittenConfigurationIsWhole(t *testing.T) {
	p := Proposal{Driver: "line", Line: drivers.Serial{Baud: 9600, Data: 8, Parity: "none", Stop: 1}, Unit: drivers.Unit("mm"), Step: "0.0001"}
	if _, err := config.Parse("gauge.yaml", []byte(whole+p.Block("new-gauge", "/dev/ttyUSB0", "2026-11-25"))); err != nil {
		t.Error(err)
	}
}
