package pass_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"fairbore/analysis/capture/pass"
)

// A swing is a tilt over time from one end to the other, made here from nothing but the geometry. It shows
// k·(sec θ − 1) above the size.
type swing struct {
	name     string
	from, to float64                 // ends, degrees
	time     float64                 // s
	way      func(x float64) float64 // part of the way, of the part of the time
	sd       float64                 // noise of a sample, µm
	rate     float64                 // samples a second
}

const (
	scale = 21e3 // µm: 25 mm less two contacts of 2 mm
	size  = 12.3 // µm
)

func sine(x float64) float64      { return (1 - math.Cos(math.Pi*x)) / 2 }
func leastJerk(x float64) float64 { return x * x * x * (10 - x*(15-6*x)) }

// twoSines is a sine with a third harmonic, which goes even at square.
func twoSines(x float64) float64 {
	return (1 - (math.Cos(math.Pi*x)+0.08*math.Cos(3*math.Pi*x))/1.08) / 2
}

func (s *swing) tilt(t float64) float64 {
	return (s.from + (s.to-s.from)*s.way(t/s.time)) * math.Pi / 180
}

func (s *swing) root(t float64) float64 {
	tilt := s.tilt(t)
	return math.Copysign(math.Sqrt(scale*(1/math.Cos(tilt)-1)), tilt)
}

// square is the time at which the tilt is 0.
func (s *swing) square() float64 {
	lo, hi := 0.0, s.time
	for range 60 {
		if mid := (lo + hi) / 2; s.tilt(mid) < 0 {
			lo = mid
		} else {
			hi = mid
		}
	}
	return lo
}

// samples are those from end to end, at a random phase.
func (s *swing) samples(rng *rand.Rand) (out []pass.Sample) {
	for t := rng.Float64() / s.rate; t < s.time; t += 1 / s.rate {
		z := s.root(t)
		out = append(out, pass.Sample{T: t, V: size + z*z + s.sd*rng.NormFloat64()})
	}
	return out
}

func (s *swing) noise() pass.Noise { return pass.Noise{Sigma: s.sd, Time: 1e-4} }

func (s *swing) fit(t testing.TB, w *pass.Workspace, rng *rand.Rand) pass.Fit {
	f, ok := w.Fit(s.samples(rng), s.noise(), math.Pi/s.time, pass.TypicalRoughness)
	if !ok {
		t.Fatalf("%s: no fit", s.name)
	}
	return f
}

// mixed is the size over all paces, each as likely as it makes the samples.
func mixed(f *pass.Fit) (size, u float64) {
	best := slices.Max(f.Evidence[:])
	sum := 0.0
	for k, e := range f.Evidence {
		p := math.Exp(e - best)
		sum += p
		size += p * f.Size[k]
		u += p * (f.U[k]*f.U[k] + f.Size[k]*f.Size[k])
	}
	size /= sum
	return size, math.Sqrt(u/sum - size*size)
}

// drawn is a swing of ±2 to 4°, of half a second to one.
func drawn(name string, way func(float64) float64, rate float64, rng *rand.Rand) swing {
	return swing{name: name, way: way, rate: rate, from: -2 - 2*rng.Float64(), to: 2 + 2*rng.Float64(), time: 0.5 + 0.5*rng.Float64(), sd: 0.1 + 0.2*rng.Float64()}
}

var ways = []struct {
	name string
	way  func(float64) float64
}{{"sine", sine}, {"least jerk", leastJerk}, {"two sines", twoSines}}

// A pass is read without bias and with an honest U, and so are when it was square and how
// fast, whatever the way of the hand: within 0.05 µm and three standard deviations of the mean of 1,000 passes
// (0.005 µm). The rms of error over U is known to 0.022, the mean of the speed to 0.002.
func TestPassIsReadWithoutBias(t *testing.T) {
	var w pass.Workspace
	const tries = 1000
	for _, way := range ways {
		for _, rate := range []float64{20, 25, 50} {
			rng := rand.New(rand.NewPCG(51, uint64(rate)))
			mean, square, norm, speed, late, late2 := 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
			for range tries {
				s := drawn(way.name, way.way, rate, rng)
				f := s.fit(t, &w, rng)
				got, u := mixed(&f)
				mean += (got - size) / tries
				square += (got - size) * (got - size) / tries
				norm += (got - size) * (got - size) / (u * u) / tries
				at := s.square()
				speed += f.Speed / (s.root(at+1e-5) - s.root(at-1e-5)) * 2e-5 / tries
				late += (f.CrossedAt - at) / tries
				late2 += (f.CrossedAt - at) * (f.CrossedAt - at) / tries
			}
			unsure := math.Sqrt(square / tries)
			if norm = math.Sqrt(norm); math.Abs(mean) > 0.05+3*unsure || norm < 0.8 || norm > 1.2 {
				t.Errorf("%s at %g/s: mean error %.3f µm, rms over U %.2f", way.name, rate, mean, norm)
			}
			if math.Abs(speed-1) > 0.03 || math.Abs(late) > 5e-4 || late2 > 5e-3*5e-3 {
				t.Errorf("%s at %g/s: speed %.3f of the true one, square %.2g s late, ±%.2g", way.name, rate, speed, late, math.Sqrt(late2))
			}
		}
	}
}

// The size doesn't depend on the origin of time nor on what was fitted before, is the same backwards, and goes with the values.
func TestPassIsTheSameAnywhere(t *testing.T) {
	var w pass.Workspace
	rng := rand.New(rand.NewPCG(52, 1))
	for n := range 200 {
		way := ways[n%len(ways)]
		s := drawn(way.name, way.way, 25, rng)
		samples := s.samples(rng)
		fit := func(change func(pass.Sample) pass.Sample) pass.Fit {
			var out []pass.Sample
			for _, x := range samples {
				out = append(out, change(x))
			}
			if out[0].T > out[1].T {
				slices.Reverse(out)
			}
			f, ok := w.Fit(out, s.noise(), math.Pi/s.time, pass.TypicalRoughness)
			if !ok {
				t.Fatal("no fit")
			}
			return f
		}
		want := fit(func(x pass.Sample) pass.Sample { return x })
		for _, as := range []struct {
			name string
			up   float64
			to   func(x pass.Sample) pass.Sample
		}{
			{"a day later", 0, func(x pass.Sample) pass.Sample { return pass.Sample{T: x.T + 86400, V: x.V} }},
			{"backwards", 0, func(x pass.Sample) pass.Sample { return pass.Sample{T: -x.T, V: x.V} }},
			{"170 µm up", 170, func(x pass.Sample) pass.Sample { return pass.Sample{T: x.T, V: x.V + 170} }},
			{"by another memory", 0, func(x pass.Sample) pass.Sample { w = pass.Workspace{}; return x }},
		} {
			got := fit(as.to)
			for k := range pass.FrequencyRatios {
				if math.Abs(got.Size[k]-as.up-want.Size[k]) > 1e-3 || math.Abs(got.U[k]-want.U[k]) > 1e-3 {
					t.Errorf("%s, %s, pace %g: %g ± %g, want %g ± %g", s.name, as.name, pass.FrequencyRatios[k], got.Size[k]-as.up, got.U[k], want.Size[k], want.U[k])
				}
			}
			for i := range pass.TurnHeights {
				if math.Abs(got.LogOdds[i]-want.LogOdds[i]) > 0.05 || math.Abs(got.LogOddsTwice[i]-want.LogOddsTwice[i]) > 0.05 {
					t.Errorf("%s, %s, turned at %g: %g and %g, want %g and %g", s.name, as.name, pass.TurnHeights[i], got.LogOdds[i], got.LogOddsTwice[i], want.LogOdds[i], want.LogOddsTwice[i])
				}
			}
		}
	}
}

// back is a swing that turns back so high above the size, µm, as far as it came, in the same time.
func back(up float64, s swing) swing {
	nearest := math.Acos(1/(1+up/scale)) * 180 / math.Pi
	way := s.way
	s.way = func(x float64) float64 { return way(1 - math.Abs(2*x-1)) }
	s.to = -nearest
	return s
}

// A hand that turns back 1 to 4 µm above square is told from one of the same way that goes through: by a factor of
// more than two a pass, in the mean, and most where it moves like a harmonic one. Means of 500 passes are known to 0.1.
func TestThroughIsToldFromTurnedBack(t *testing.T) {
	var w pass.Workspace
	const tries = 500
	for i, way := range ways {
		odds := func(up float64) (mean float64) {
			rng := rand.New(rand.NewPCG(53, uint64(i)))
			for range tries {
				s := drawn(way.name, way.way, 25, rng)
				if up > 0 {
					s = back(up, s)
				}
				f := s.fit(t, &w, rng)
				mean += slices.Min(f.LogOdds[:]) / tries
			}
			return mean
		}
		through := odds(0)
		if through < 0.5 {
			t.Errorf("%s: log odds of those that go through %.2f", way.name, through)
		}
		for _, up := range []float64{1, 2, 4} {
			if turned := odds(up); turned > through-0.7 {
				t.Errorf("%s: log odds of those that turn back at %g µm %.2f, of those that go through %.2f", way.name, up, turned, through)
			}
		}
	}
}

// What is no pass isn't fitted.
func TestNoPass(t *testing.T) {
	var w pass.Workspace
	for name, s := range map[string][]pass.Sample{
		"nothing":       nil,
		"too few":       made(4, func(i int) pass.Sample { return pass.Sample{T: float64(i), V: float64(i * i)} }),
		"at one time":   made(20, func(i int) pass.Sample { return pass.Sample{T: 1, V: float64(i * i)} }),
		"flat":          made(20, func(i int) pass.Sample { return pass.Sample{T: float64(i) / 20, V: 3} }),
		"more than fit": made(pass.MaxSamples+1, func(i int) pass.Sample { return pass.Sample{T: float64(i) / 50, V: float64((i - 36) * (i - 36))} }),
	} {
		if f, ok := w.Fit(s, pass.Noise{Sigma: 0.2, Time: 0.0015}, 4, pass.TypicalRoughness); ok {
			t.Errorf("%s: %+v", name, f)
		}
	}
}

func made(n int, f func(int) pass.Sample) (s []pass.Sample) {
	for i := range n {
		s = append(s, f(i))
	}
	return s
}

// A fit allocates nothing.
func TestFitAllocatesNothing(t *testing.T) {
	rng := rand.New(rand.NewPCG(54, 1))
	s := drawn("sine", sine, 50, rng)
	samples := s.samples(rng)
	var w pass.Workspace
	if n := testing.AllocsPerRun(20, func() { w.Fit(samples, s.noise(), math.Pi/s.time, pass.TypicalRoughness) }); n != 0 {
		t.Errorf("%g allocations", n)
	}
}

func BenchmarkFit(b *testing.B) {
	for _, rate := range []float64{10, 20, 50} {
		b.Run(fmt.Sprint(rate), func(b *testing.B) {
			rng := rand.New(rand.NewPCG(55, 1))
			var fits []swing
			var samples [][]pass.Sample
			for i := range 100 {
				way := ways[i%len(ways)]
				s := drawn(way.name, way.way, rate, rng)
				fits, samples = append(fits, s), append(samples, s.samples(rng))
			}
			var w pass.Workspace
			b.ReportAllocs()
			for i := 0; b.Loop(); i++ {
				s := &fits[i%100]
				w.Fit(samples[i%100], s.noise(), math.Pi/s.time, pass.TypicalRoughness)
			}
		})
	}
}
