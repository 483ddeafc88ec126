package rock_test

import (
	"encoding/binary"
	"math"
	"math/rand/v2"
	"testing"

	"fairbore/analysis/capture/rock"
)

// A fuzzed sequence is a byte for the gauge, then four for each sample: the time since the last one, what is done
// beside it, and the value.
const (
	doBegin = 1 + iota
	doSince
	doExpect
	doLeave
	doFar // a value of any size
	doHush
)

// Whatever comes, as long as time doesn't run back: nothing panics, no memory grows, and a reading has numbers that make sense.
func FuzzRock(f *testing.F) {
	rng := rand.New(rand.NewPCG(67, 1))
	for i := range ways {
		for _, up := range []float64{0, 6} {
			p := drawn(6, i, rng)
			p.up = func(n int) float64 { return up * float64(n) }
			f.Add(fuzzSeed(byte(i), plain.samples(p.rocked(rng), rng)))
		}
	}
	f.Add([]byte{7, 20, doSince, 0, 0, 20, doFar, 0xff, 0x7f, 20, doFar, 0, 0x80, 20, doExpect, 1, 0, 0, doSince, 9, 0, 20, doHush, 0xff, 0x7f, 20, doLeave, 0, 0, 20, doBegin, 0, 0})
	f.Fuzz(func(t *testing.T, data []byte) {
		if len(data) == 0 {
			return
		}
		b := data[0]
		o := rock.Options{Sigma: []float64{0.15, 0.6, 0.05, 0}[b%4], Step: []float64{0.1, 2.54}[b/4%2], Scale: scale, MinPasses: 3 + int(b/8%4)}
		if b&128 != 0 {
			o.Averages, o.Lag = 0.1, 0.03
		}
		r := rock.New(o)
		play := func(check func(rock.Reading)) {
			r.Begin()
			at, v := 0.0, 0.0
			for rest := data[1:]; len(rest) >= 4; rest = rest[4:] {
				n := int16(binary.LittleEndian.Uint16(rest[2:]))
				at += float64(rest[0]) * 0.002
				switch rest[1] {
				case doBegin:
					r.Begin()
					at = 0
				case doSince:
					r.ForgetUntil(at - math.Abs(float64(n))/1000)
				case doExpect:
					r.Expect(float64(n)/100, float64(rest[0])/50)
				case doLeave:
					if x, ok := r.Leave(); ok {
						check(x)
					}
				case doFar:
					v = float64(n) * 1e9
				case doHush:
					at += math.Abs(float64(n))
				default:
					v = float64(n) / 20
				}
				if x, ok := r.Add(at, v); ok {
					check(x)
				}
				if t, size, u, ok := r.LatestPass(); ok && (math.IsNaN(t) || math.IsNaN(size) || math.IsNaN(u)) {
					panic("latest is no number")
				}
				if n := r.Passes(); n < 0 || n > 10 {
					panic("passes")
				}
			}
		}
		play(func(x rock.Reading) {
			for _, v := range []float64{x.Size, x.U, x.Since, x.Until, x.Last, x.Misfit, x.Motion.Speed2, x.Motion.Spread, x.Motion.Slope} {
				if math.IsNaN(v) || math.IsInf(v, 0) {
					t.Fatalf("read %+v", x)
				}
			}
			if x.U <= 0 || x.U > 10 || x.Passes < o.MinPasses || x.Passes > 10 || x.Since > x.Last || x.Last > x.Until || x.Misfit < 0 || x.Motion.Spread < 0 {
				t.Fatalf("read %+v", x)
			}
		})
		// The fuzzer's own machinery may allocate beside it, now and then.
		for try := 0; testing.AllocsPerRun(1, func() { play(func(rock.Reading) {}) }) > 0; try++ {
			if try == 20 {
				t.Fatal("it allocates")
			}
		}
	})
}

// fuzzSeed writes samples so.
func fuzzSeed(gauge byte, samples [][2]float64) []byte {
	out, last := []byte{gauge}, 0.0
	for _, x := range samples {
		steps := min(255, math.Round((x[0]-last)/0.002))
		last += steps * 0.002
		out = append(out, byte(steps), 0)
		out = binary.LittleEndian.AppendUint16(out, uint16(int16(max(math.MinInt16, min(math.MaxInt16, math.Round(x[1]*20))))))
	}
	return out
}
