package capture_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/capture"
	"fairbore/drivers/simulator"

	"gonum.org/v1/gonum/mat"
)

// limits tells where the missed readings of a line go: what any rule must miss that is wrong in no
// more than 1 in 10,000 visits, what the fit misses that is told when the swings end, and ours.
type limits struct {
	wrong  []float64 // of each place that must be read: the least chance to be off by more than 1 µm
	given  int       // missed by the fit that is told the ends
	falsed int       // off by more than 1 µm by it
}

func (l *limits) add(p simulator.Params, o capture.Options, points []simulator.Point, tr simulator.Truth, pl simulator.Place) {
	l.wrong = append(l.wrong, doubtful(p, points, tr, pl))
	var s []capture.Sample
	for _, q := range points {
		if q.T >= tr.In && q.T <= tr.Out+time.Second {
			s = append(s, capture.Sample{At: q.T, Value: analysis.Length(q.Value)})
		}
	}
	first := slices.IndexFunc(tr.Tilt.Keys, func(k simulator.Key) bool { return k.T > pl.From.Seconds()+1e-6 })
	var ends []time.Duration
	for _, k := range tr.Tilt.Keys[first:][:p.Turns+1] {
		ends = append(ends, time.Duration(k.T*1e9))
	}
	switch r, ok := capture.Given(o, s, ends); {
	case !ok:
		l.given++
	case math.Abs((r.Value - analysis.Length(pl.SeenAt((r.Since+r.Until)/2))).Micrometres()) > 1:
		l.falsed++
	}
}

// least is the share of the places, percent, that is missed by one who takes those that are the
// surest, until what is expected to be wrong among them is 1 in 10,000 of the visits.
func (l *limits) least(visits int) float64 {
	slices.Sort(l.wrong)
	sum := 0.0
	for i, w := range l.wrong {
		if sum += w; sum > 1e-4*float64(visits) {
			return percent(len(l.wrong)-i, len(l.wrong))
		}
	}
	return 0
}

func (l *limits) print(t *tally, visits int) {
	fmt.Printf("    least missed %.2f%%, told the ends %.2f%% (%d off), ours %.2f%%\n",
		l.least(visits), percent(l.given, len(l.wrong)), l.falsed, percent(t.missed, t.must))
}

// doubtful is the chance to be wrong by more than 1 µm for one who knows all about the gauge, the hand
// and when it turned, but the size and the shape of the swings: from the bound, or, of a display
// coarser than the noise, from what its steps happened to show.
func doubtful(p simulator.Params, points []simulator.Point, tr simulator.Truth, pl simulator.Place) float64 {
	until := capture.Result{Since: pl.From, At: pl.To - time.Millisecond}
	step := float64(p.Gauge.Step) / float64(simulator.Micrometre)
	if step > p.Gauge.Noise {
		if o := newOracle(p, points, tr, until, pl.Seen); o != nil {
			return o.unsure()
		}
		return 1
	}
	if b := bound(p, points, tr, until); b > 0 {
		return math.Erfc(1 / b / math.Sqrt2)
	}
	return 1
}

// oracle is the likelihood of a rock for one who knows how it was simulated, as the functions of
// [bound] do; the parameters are those, of which the size is from the true one, µm.
type oracle struct {
	path    simulator.Path
	known   []simulator.Key // what is known beforehand: the keys as they were, more or less
	spread  [4]float64
	size    float64
	c, step float64
	t, v, s []float64
	info    *mat.SymDense
	pull    *mat.VecDense
}

// newOracle takes the samples of a rock; nil if there is none. Values that are wild or were sent
// twice are none: it knows.
func newOracle(p simulator.Params, points []simulator.Point, tr simulator.Truth, r capture.Result, seen int64) *oracle {
	path, ok := rocked(tr, r)
	if !ok {
		return nil
	}
	o := &oracle{path: path, known: slices.Clone(path.Keys), spread: spreads(p), step: float64(p.Gauge.Step) / float64(simulator.Micrometre)}
	o.c = float64(p.Size-2*p.Gauge.Tip) / float64(simulator.Micrometre)
	for _, q := range points {
		t := q.T.Seconds()
		if t < path.Keys[0].T || q.T > r.At {
			continue
		}
		tilt := path.Smooth(t)
		s := math.Hypot(p.Gauge.Noise, o.c*math.Tan(tilt)*p.Tremor)
		v := float64(q.Value-seen) / float64(simulator.Micrometre)
		if math.Abs(v-o.c*(1/math.Cos(tilt)-1)) > 5*s+o.step/2 {
			continue
		}
		o.t, o.v, o.s = append(o.t, t), append(o.v, v), append(o.s, s)
	}
	n := 1 + 4*len(path.Keys)
	o.info, o.pull = mat.NewSymDense(n, nil), mat.NewVecDense(n, nil)
	return o
}

// at brings the normal equations (by Fisher's information) to the parameters and returns the
// logarithm of likelihood and prior.
func (o *oracle) at() (log float64) {
	o.info.Zero()
	o.pull.Zero()
	var to [7]int
	var d [7]float64
	for i, t := range o.t {
		k, _ := slices.BinarySearchFunc(o.path.Keys, t, func(k simulator.Key, t float64) int { return cmp(k.T, t) })
		k = min(max(k, 1), len(o.path.Keys)-1)
		n := 1
		to[0], d[0] = 0, 1
		for j := range 2 {
			to[n], d[n] = 1+4*(k-1)+j, slope(&o.path, k-1, j, t, o.c)
			n++
		}
		for j := range 4 {
			to[n], d[n] = 1+4*k+j, slope(&o.path, k, j, t, o.c)
			n++
		}
		l, by := within(o.v[i]-o.size-o.c*(1/math.Cos(o.path.Smooth(t))-1), o.step, o.s[i])
		w := telling(o.step, o.s[i])
		log += l
		for r := range n {
			o.pull.SetVec(to[r], o.pull.AtVec(to[r])+by*d[r])
			for c := range n {
				if to[c] >= to[r] {
					o.info.SetSym(to[r], to[c], o.info.At(to[r], to[c])+w*d[r]*d[c])
				}
			}
		}
	}
	for i := range o.path.Keys {
		for j, sd := range o.spread {
			k := 1 + 4*i + j
			off := *param(&o.known[i], j) - *param(&o.path.Keys[i], j)
			o.info.SetSym(k, k, o.info.At(k, k)+1/sq(sd))
			o.pull.SetVec(k, o.pull.AtVec(k)+off/sq(sd))
			log -= sq(off/sd) / 2
		}
	}
	return log
}

// climb makes steps of Newton's method with the size held, and returns the logarithm reached.
func (o *oracle) climb(steps int) float64 {
	log := o.at()
	for range steps {
		o.info.SetSym(0, 0, 1e12) // held
		var chol mat.Cholesky
		var by mat.VecDense
		if !chol.Factorize(o.info) || chol.SolveVecTo(&by, o.pull) != nil {
			break
		}
		was := slices.Clone(o.path.Keys)
		better := false
		for part := 1.0; part > 0.1 && !better; part /= 3 {
			for i := range was {
				for j := range 4 {
					*param(&o.path.Keys[i], j) = *param(&was[i], j) + part*by.AtVec(1+4*i+j)
				}
			}
			now := o.at()
			if better = now > log; better {
				if now-log < 0.01 {
					return now
				}
				log = now
			}
		}
		if !better {
			copy(o.path.Keys, was)
			return log
		}
	}
	return log
}

// unsure is the part of the profile of the likelihood that is more than 1 µm from its mean.
func (o *oracle) unsure() float64 {
	const h, reach, part = 0.125, 24, 10
	start := slices.Clone(o.path.Keys)
	var logs [2*reach + 1]float64
	for i := range logs {
		logs[i] = math.Inf(-1)
	}
	top := o.climb(20)
	logs[reach] = top
	best := slices.Clone(o.path.Keys)
	for _, side := range [2]int{-1, 1} {
		copy(o.path.Keys, best)
		for i := 1; i <= reach; i++ {
			o.size = float64(side*i) * h
			l := o.climb(4)
			logs[reach+side*i] = l
			if top = max(top, l); l < top-25 {
				break
			}
		}
	}
	copy(o.path.Keys, start)
	o.size = 0
	var sum, mean float64
	each := func(add func(x, w float64)) {
		for i := range 2 * reach {
			for k := range part {
				f := float64(k) / part
				if l := logs[i]*(1-f) + logs[i+1]*f; !math.IsInf(l, 0) && !math.IsNaN(l) {
					add(h*(float64(i-reach)+f), math.Exp(l-top))
				}
			}
		}
	}
	each(func(x, w float64) { sum, mean = sum+w, mean+w*x })
	mean /= sum
	beyond := 0.0
	each(func(x, w float64) {
		if math.Abs(x-mean) > 1 {
			beyond += w
		}
	})
	return beyond / sum
}

func cmp(a, b float64) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}

// within is the logarithm of the chance that a normal value of standard deviation s lies within
// half a step q of rest above its mean, and its slope by the mean.
func within(rest, q, s float64) (log, slope float64) {
	lo, hi := (rest-q/2)/s, (rest+q/2)/s
	sign := 1.0
	if lo > 0 { // by the smaller tail, that the difference does not vanish
		lo, hi, sign = -hi, -lo, -1
	}
	p := (math.Erfc(-hi/math.Sqrt2) - math.Erfc(-lo/math.Sqrt2)) / 2
	if p < 1e-200 { // far out: a normal density about the near edge
		return -sq(hi) / 2, -sign * hi / s
	}
	return math.Log(p), sign * (math.Exp(-lo*lo/2) - math.Exp(-hi*hi/2)) / (math.Sqrt(2*math.Pi) * p * s)
}

// Where the display is fine, an oracle's chance to be wrong is that of a normal distribution with the
// standard deviation of the bound, all in all.
func TestOracle(t *testing.T) {
	rng := rand.New(rand.NewPCG(41, 1))
	var got, want float64
	for range 100 {
		p := simulator.Draw(simulator.TwoPoint, simulator.Good, 10, rng)
		p.Gauge.Step, p.Gauge.Noise, p.Turns = simulator.Micrometre/5, 0.6, 3
		p.Stream.Repeats, p.Stream.Spikes = 0, 0
		points, tr := simulator.Run(p, rng)
		r := capture.Result{Since: tr.Places[0].From, At: tr.Places[0].To - time.Millisecond}
		if b := bound(p, points, tr, r); b > 0.25 && b < 0.5 {
			got += newOracle(p, points, tr, r, tr.Places[0].Seen).unsure()
			want += math.Erfc(1 / b / math.Sqrt2)
		}
	}
	if ratio := got / want; want < 0.02 || ratio < 0.7 || ratio > 1.4 {
		t.Errorf("%.4f by the likelihood, %.4f by the bound", got, want)
	}
}

// Told the ends of the swings, the fit finds the size of a plain rock.
func TestGiven(t *testing.T) {
	rng := rand.New(rand.NewPCG(42, 1))
	var ends []time.Duration
	for i := range good.passes + 1 {
		ends = append(ends, 2*time.Second+time.Duration(float64(i)*good.half*1e9))
	}
	r, ok := capture.Given(capture.Options{Mode: capture.Turning, Nominal: mm(t, "22.23")}, good.samples(0, rng)[20:], ends)
	if off := (r.Value - mm(t, "22.2281")).Abs(); !ok || off > um/4 || r.Turns != good.passes {
		t.Errorf("%+v %v, off by %d", r, ok, off)
	}
}
