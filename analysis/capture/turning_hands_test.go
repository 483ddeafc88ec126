package capture_test

import (
	"bufio"
	orders "cmp"
	"compress/gzip"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"fairbore/drivers/simulator"
)

// recordedHand is a person whose hand moved to and fro.
type recordedHand struct {
	name      string
	stretches []stretch
}

// stretch is a motion from a turn to a turn, its mean at the ends 1 and -1.
type stretch struct {
	at, angle, rate []float64 // s since the first turn; angle; its change in a second
	turns           []float64 // s
}

const (
	tempoMost  = 2    // how much slower than he gestures a person rocks at the most
	fewestHalf = 3    // half swings of a stretch, 3 to 8
	mostHalf   = 8    //
	countRate  = 0.25 // degrees a second of a gyroscope's count, about
	leastWidth = 2.5  // degrees to and fro of the recorded motion, thirty times what its noise adds up to
)

// loadHands reads the stretches that stand in the folder and finds more in its recordings.
func loadHands(b testing.TB, dir string, people []string) []recordedHand {
	by := map[string][]stretch{}
	unzip(b, filepath.Join(dir, "stretches_1_10.txt.gz"), func(line string) {
		parts := strings.Split(line, "|")
		head := strings.Fields(parts[0])
		s := stretch{at: numbers(b, parts[1]), angle: numbers(b, parts[2]), rate: numbers(b, parts[3]), turns: numbers(b, strings.Join(head[3:], " "))}
		by[head[0]] = append(by[head[0]], s)
	})
	raw := filepath.Join(dir, "gyro_subjects_1_10.csv.gz")
	if _, err := os.Stat(raw); err == nil {
		for name, found := range findStretches(b, raw) {
			by[name] = append(by[name], found...)
		}
	}
	var out []recordedHand
	for _, name := range people {
		if len(by[name]) > 0 {
			out = append(out, recordedHand{name, by[name]})
		}
	}
	return out
}

func unzip(b testing.TB, path string, each func(line string)) {
	f, err := os.Open(path)
	if err != nil {
		b.Fatal(err)
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		b.Fatal(err)
	}
	lines := bufio.NewScanner(z)
	lines.Buffer(nil, 1<<20)
	for lines.Scan() {
		each(lines.Text())
	}
	if err := lines.Err(); err != nil {
		b.Fatal(err)
	}
}

func numbers(b testing.TB, text string) (out []float64) {
	for _, cell := range strings.Fields(text) {
		v, err := strconv.ParseFloat(cell, 64)
		if err != nil {
			b.Fatal(err)
		}
		out = append(out, v)
	}
	return out
}

// findStretches looks in raw counts for motions of three to eight half swings of 0.17 to
// 1.25 s, each less than two and a half times as wide as the one before, about the axis
// that moves most.
func findStretches(b testing.TB, path string) map[string][]stretch {
	type row struct {
		t      float64
		counts [4]float64
	}
	out := map[string][]stretch{}
	var rows []row
	key := ""
	end := func() {
		if len(rows) == 0 {
			return
		}
		var all []found
		for axis := range 4 {
			at, rate := make([]float64, len(rows)), make([]float64, len(rows))
			for i, r := range rows {
				at[i], rate[i] = r.t, r.counts[axis]
			}
			zero := sample(rate).share(0.5)
			for i := range rate {
				rate[i] = (rate[i] - zero) * countRate
			}
			all = append(all, swings(at, rate)...)
		}
		slices.SortFunc(all, func(a, c found) int { return orders.Compare(c.width, a.width) })
		var kept []found
		for _, f := range all {
			if !slices.ContainsFunc(kept, func(k found) bool { return f.from < k.to && k.from < f.to }) {
				kept = append(kept, f)
			}
		}
		name, _, _ := strings.Cut(key, ",")
		for _, f := range kept {
			out["s"+name] = append(out["s"+name], f.stretch)
		}
		rows = rows[:0]
	}
	unzip(b, path, func(line string) {
		if line[0] < '0' || line[0] > '9' {
			return // the header
		}
		cells := numbers(b, strings.ReplaceAll(line, ",", " "))
		k := strings.Join(strings.Split(line, ",")[:2], ",")
		if k != key {
			end()
			key = k
		}
		rows = append(rows, row{cells[2] / 1000, [4]float64(cells[3:7])})
	})
	end()
	return out
}

// found is a stretch, where it was, and how wide.
type found struct {
	stretch
	from, to, width float64
}

// swings finds the stretches of one axis.
func swings(at, rate []float64) (out []found) {
	angle := make([]float64, len(at))
	for i := 1; i < len(at); i++ {
		angle[i] = angle[i-1] + (rate[i]+rate[i-1])/2*(at[i]-at[i-1])
	}
	// turns, by a hysteresis of half the least width
	var turns []int
	top, up := 0, true
	for i := range angle {
		switch {
		case up == (angle[i] > angle[top]):
			top = i
		case math.Abs(angle[i]-angle[top]) > leastWidth/2:
			turns = append(turns, top)
			top, up = i, !up
		}
	}
	fits := func(i int) bool { // the swing from turn i to the next
		d := at[turns[i+1]] - at[turns[i]]
		return d >= 0.17 && d <= 1.25 && math.Abs(angle[turns[i+1]]-angle[turns[i]]) >= leastWidth
	}
	for i := 0; i+1 < len(turns); {
		n := 0
		for i+n+1 < len(turns) && n < mostHalf && fits(i+n) {
			if n > 0 {
				r := math.Abs((angle[turns[i+n+1]] - angle[turns[i+n]]) / (angle[turns[i+n]] - angle[turns[i+n-1]]))
				if r > 2.5 || r < 0.4 {
					break
				}
			}
			n++
		}
		if n < fewestHalf {
			i++
			continue
		}
		if f, ok := cut(at, angle, rate, turns[i:i+n+1]); ok {
			out = append(out, f)
		}
		i += n
	}
	return out
}

// cut takes a stretch out, without its drift, the straight line through the middles of its
// swings, and scaled. It is none if a sample is missing or an end is not beyond the middle.
func cut(at, angle, rate []float64, turns []int) (f found, ok bool) {
	var n, st, sa, stt, sta float64
	for i := 1; i < len(turns); i++ {
		t, a := (at[turns[i]]+at[turns[i-1]])/2-at[turns[0]], (angle[turns[i]]+angle[turns[i-1]])/2
		n, st, sa, stt, sta = n+1, st+t, sa+a, stt+t*t, sta+t*a
	}
	slope := (n*sta - st*sa) / (n*stt - st*st)
	level := (sa - slope*st) / n
	flat := func(i int) float64 { return angle[i] - level - slope*(at[i]-at[turns[0]]) }
	for _, i := range turns {
		f.width += math.Abs(flat(i)) / float64(len(turns))
	}
	for k, i := range turns {
		if math.Abs(flat(i)) < 0.3*f.width || k > 0 && flat(i)*flat(turns[k-1]) > 0 {
			return f, false
		}
		f.turns = append(f.turns, at[i]-at[turns[0]])
	}
	for i := turns[0]; i <= turns[len(turns)-1]; i++ {
		if i > turns[0] && at[i]-at[i-1] > 0.05 {
			return f, false
		}
		f.at, f.angle, f.rate = append(f.at, at[i]-at[turns[0]]), append(f.angle, flat(i)/f.width), append(f.rate, (rate[i]-slope)/f.width)
	}
	f.from, f.to = at[turns[0]], at[turns[len(turns)-1]]
	return f, true
}

// angleAt is the cubic through the angles and rates.
func (s *stretch) angleAt(t float64) float64 {
	i, _ := slices.BinarySearch(s.at, t)
	i = min(max(i, 1), len(s.at)-1)
	h := s.at[i] - s.at[i-1]
	x := min(1, max(0, (t-s.at[i-1])/h))
	a, b, u, w := s.angle[i-1], s.angle[i], s.rate[i-1]*h, s.rate[i]*h
	return a + x*(u+x*(3*(b-a)-2*u-w+x*(2*(a-b)+u+w)))
}

// rockOn is the course of a person, from 1.5 to 5° wide, off square by up to a quarter and
// slowed by up to tempoMost: stretches joined where they turn, until there are so many passes.
// The difference where two are joined goes away over the first swing of the second.
func rockOn(people []recordedHand, passes int, rng *rand.Rand) simulator.Course {
	const step = 0.005
	p := people[rng.IntN(len(people))]
	width := (1.5 + 3.5*rng.Float64()) * math.Pi / 180
	off, slower := (rng.Float64()-0.5)*0.5, 1+(tempoMost-1)*rng.Float64()
	c := simulator.Course{Step: step}
	for {
		s := &p.stretches[rng.IntN(len(p.stretches))]
		first, last := s.turns[0], s.turns[len(s.turns)-1]
		sign := 1 - 2*float64(rng.IntN(2))
		jump := 0.0
		if n := len(c.Tilt); n > 0 {
			end := c.Tilt[n-1]/width - off
			sign = math.Copysign(1, end*s.angleAt(first))
			jump = end - sign*s.angleAt(first)
		}
		for t := first; t < last; t += step / slower {
			x := min(1, (t-first)/(s.turns[1]-first))
			blend := 1 - x*x*x*(10-x*(15-6*x))
			c.Tilt = append(c.Tilt, width*(off+sign*s.angleAt(t)+jump*blend))
		}
		if len(c.Passes(0, c.End(), simulator.MinPassTilt)) >= passes {
			return c
		}
	}
}

// roughness is the root mean square of the second and third derivative of a course between the
// first end and the last, in units of half the width and the mean time of a swing.
func roughness(c *simulator.Course, from, to float64) (second, third float64) {
	const h = 10 // steps
	passes := c.Passes(from, to, simulator.MinPassTilt)
	if len(passes) < 3 {
		return math.NaN(), math.NaN()
	}
	n := float64(len(passes))
	begin, end := passes[0].Begin, passes[len(passes)-1].End
	half, width, count := (end-begin)/n, 0.0, 0.0
	for _, p := range passes {
		width += math.Abs(p.To-p.From) / 2 / n
	}
	for i := int(begin/c.Step) + 2*h; i < int(end/c.Step)-2*h; i++ {
		v, d := c.Tilt[i-2*h:i+2*h+1], h*c.Step
		second += math.Pow((v[3*h]-2*v[2*h]+v[h])/(d*d), 2)
		third += math.Pow((v[4*h]-2*v[3*h]+2*v[h]-v[0])/(2*d*d*d), 2)
		count++
	}
	return math.Sqrt(second/count) * half * half / width, math.Sqrt(third/count) * half * half * half / width
}

// The simulator's random process is as rough as recorded hands: in second and third
// derivative by a quarter in the median, and by half at the tenth and ninetieth part. A
// benchmark, as the recordings are none of the project's.
func BenchmarkProcessIsLikeRecordedHands(b *testing.B) {
	dir := os.Getenv("FAIRBORE_HANDS")
	if dir == "" {
		b.Skip("FAIRBORE_HANDS names no folder of recordings")
	}
	people := loadHands(b, dir, slices.Concat(halves["choose"].people, halves["score"].people))
	if len(people) != 10 {
		b.Fatalf("%d people", len(people))
	}
	rng := rand.New(rand.NewPCG(3, 3))
	var recorded, made [2]sample
	add := func(to *[2]sample, c *simulator.Course, from, end float64) {
		if second, third := roughness(c, from, end); !math.IsNaN(second) {
			to[0].add(second)
			to[1].add(third)
		}
	}
	for range 500 {
		c := rockOn(people, 6, rng)
		add(&recorded, &c, 0, c.End())
		v := simulator.DrawRocking(simulator.Process, simulator.DrawOptions{Rate: 20, Passes: 6}, rng)
		add(&made, &v.Course, v.Stays[0].From, v.Stays[0].To)
	}
	for i, name := range []string{"second", "third"} {
		for part, within := range map[float64]float64{0.1: 1.5, 0.5: 1.25, 0.9: 1.5} {
			was, is := recorded[i].share(part), made[i].share(part)
			b.Logf("%s derivative, %g of the rocks below: recorded %.1f, made %.1f", name, part, was, is)
			if was/is > within || is/was > within {
				b.Errorf("%s derivative, %g of the rocks: recorded %.1f, made %.1f", name, part, was, is)
			}
		}
	}
}
