package capture

import (
	"encoding/binary"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"fairbore/analysis"
	"fairbore/drivers/simulator"
)

// A fuzzed stream is a byte for the gauge, then four for each sample: the time
// since the last one in steps of 2 ms, what happens, and a number for it.
const (
	happensSame  = 1 + iota // the value is sent again
	happensBack             // time runs back by up to half a minute
	happensHush             // silence, of up to nine hours
	happensWild             // any value at all
	happensClock            // any time at all
)

const fuzzNominal = 222_300_000 // 22.23 mm

func fuzzOptions(b byte) Options {
	o := Options{Mode: Mode(b % 3), Nominal: fuzzNominal}
	if b&4 != 0 { // a display much coarser than the scatter
		o.Resolution, o.Repeatability = 2*micrometre, micrometre/10
	}
	if b&8 != 0 { // and a gauge that makes everything doubtful
		o.Repeatability, o.Turns = micrometre/2, 4
	}
	return o
}

// fuzzSamples reads the samples.
func fuzzSamples(data []byte) (out []Sample) {
	s := Sample{Value: fuzzNominal}
	for ; len(data) >= 4; data = data[4:] {
		n := int64(int16(binary.LittleEndian.Uint16(data[2:])))
		s.At += time.Duration(data[0]) * 2 * time.Millisecond
		switch data[1] {
		case happensSame:
		case happensBack:
			s.At -= time.Duration(max(n, -n)) * time.Millisecond
		case happensHush:
			s.At += time.Duration(max(n, -n)) * time.Second
		case happensWild:
			s.Value = analysis.Length(n << 48)
		case happensClock:
			s.At = time.Duration(n << 48)
		default:
			s.Value = fuzzNominal + analysis.Length(n)*500 // 50 nm
		}
		out = append(out, s)
	}
	return out
}

// fuzzSeed writes a simulated visit so.
func fuzzSeed(gauge byte, p simulator.Params, rng *rand.Rand) []byte {
	points, _ := simulator.Run(p, rng)
	out, last := []byte{gauge}, time.Duration(0)
	for _, q := range points {
		steps := min(255, max(0, (q.T-last)/(2*time.Millisecond)))
		last += steps * 2 * time.Millisecond
		n := min(math.MaxInt16, max(math.MinInt16, (q.Value-p.Size)/500))
		out = append(out, byte(steps), 0)
		out = binary.LittleEndian.AppendUint16(out, uint16(int16(n)))
	}
	return out
}

// Whatever comes, by whatever clock: nothing panics, no memory grows, and what is
// said makes sense.
func FuzzCapture(f *testing.F) {
	rng := rand.New(rand.NewPCG(24, 1))
	for _, g := range []struct {
		options byte
		contact simulator.Contact
	}{{2, simulator.TwoPoint}, {6, simulator.TwoPoint}, {10, simulator.TwoPoint}, {1, simulator.ThreePoint}, {5, simulator.Air}} {
		for i, v := range simulator.Visits() {
			p := simulator.Draw(g.contact, v, 20, rng)
			p.Size = fuzzNominal
			p.Stream.Fault = simulator.Faults()[i%len(simulator.Faults())]
			if i%2 == 0 {
				p.Stream.Fault = simulator.NoFault
			}
			f.Add(fuzzSeed(g.options, p, rng))
		}
	}
	f.Add([]byte{2, 50, 0, 0, 0, 50, happensHush, 0xff, 0x7f, 50, happensBack, 9, 0, 50, happensWild, 0, 0x80, 50, happensClock, 0, 0x80})
	f.Fuzz(func(t *testing.T, data []byte) {
		if len(data) == 0 {
			return
		}
		o := fuzzOptions(data[0])
		c, err := New(o)
		if err != nil {
			t.Fatal(err)
		}
		samples := fuzzSamples(data[1:])
		for _, s := range samples {
			for _, r := range c.Feed(s) {
				sensible(t, c, r)
			}
			if p := c.Progress(); p.Passes < 0 || p.Passes > 10 {
				t.Fatalf("%d turns", p.Passes)
			}
		}
		again := func() {
			for _, s := range samples {
				c.Feed(s)
			}
		}
		// The fuzzer's own machinery may allocate beside it, now and then.
		for try := 0; testing.AllocsPerRun(1, again) > 0; try++ {
			if try == 20 {
				t.Fatal("feeding allocates")
			}
		}
	})
}

func sensible(t *testing.T, c Capture, r Result) {
	t.Helper()
	switch r.Kind {
	case Taken:
		band := analysis.Length(200 * micrometre)
		if g, ok := c.(*turning); ok {
			band += g.tilt
		}
		if off := (r.Value - fuzzNominal).Abs(); off > band {
			t.Fatalf("took %s, off by %s", r.Value, off)
		}
		if r.U <= 0 || r.U > 100*micrometre || !(r.Quality >= 0 && r.Quality <= 1) || r.Passes < 0 || r.Passes > 10 ||
			r.Since > r.Until || r.Until > r.At {
			t.Fatalf("took %+v", r)
		}
	case Refused:
		if r.Reason == "" {
			t.Fatalf("refused without a reason: %+v", r)
		}
	case Entered, Moved, Left:
	default:
		t.Fatalf("said %+v", r)
	}
}
