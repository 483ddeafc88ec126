package capture

import (
	"math"
	"slices"
)

// despike is a filter that removes wild values. It holds back two samples, so that the middle one of
// five can be compared with its neighbours on both sides.
type despike struct {
	last [5]sample
	n    int
}

// push takes a sample and returns the sample two before it, unless that was wild.
func (d *despike) push(x sample, noise float64) (sample, bool) {
	if d.n == 5 {
		copy(d.last[:], d.last[1:])
		d.n--
	}
	d.last[d.n] = x
	if d.n++; d.n < 3 {
		return sample{}, false
	}
	ok := d.n < 5 || !d.wild(noise)
	return d.last[d.n-3], ok
}

// wild reports whether the middle sample is wild. It is wild if it is further from every curve
// through its neighbours than the noise and the coarseness of the stream explain. The curves are
// the cubic through all four neighbours, the parabolas through three of them, and the lines through
// the two on one side. There are so many curves so that a good sample beside a wild one is not
// taken for wild. A sample that was sent twice is compared without its copy. A wild sample is
// replaced, so that it does not count against its neighbours.
func (d *despike) wild(noise float64) bool {
	a, b, c, e, f := d.last[0].v, d.last[1].v, d.last[2].v, d.last[3].v, d.last[4].v
	near := func(curve float64, through ...float64) bool {
		return math.Abs(c-curve) <= max(3, 8*noise)+0.35*(slices.Max(through)-slices.Min(through))
	}
	cubic, early := (4*(b+e)-a-f)/6, (8*b-3*a+f)/6
	if near(early, a, b, f) || near(2*b-a, a, b) {
		return false
	}
	if c == e {
		d.last[2].v = early
		return true
	}
	if near(cubic, a, b, e, f) || near((8*e-3*f+a)/6, a, e, f) || near(2*e-f, e, f) ||
		near((3*b+e-a)/3, a, b, e) || near((3*e+b-f)/3, b, e, f) {
		return false
	}
	d.last[2].v = cubic
	return true
}

// rest returns the samples that were held back.
func (d *despike) rest() []sample {
	from := min(d.n, max(1, d.n-2))
	return d.last[from:d.n]
}
