package capture

import (
	"math"
	"slices"
)

// extreme is a turning point of the value: where it stopped falling or rising.
type extreme struct {
	index int // of the sample, counted from the start of the visit
	sample
	// miss is how much further the value may have gone between the samples: for a
	// parabola through it and its neighbours a fourth of its step, at most.
	miss float64
}

// heights returns the lowest of the passes with the turning points l, and the lowest end between them.
func heights(l []extreme) (lowest, top float64) {
	lowest, top = math.Inf(1), math.Inf(1)
	for i := 1; i < len(l); i += 2 {
		lowest = min(lowest, l[i].v)
		if i > 1 {
			top = min(top, l[i-1].v)
		}
	}
	return lowest, top
}

// turnCap bounds the turning points kept: maxima on both sides of each pass.
const turnCap = 2*most + 2

// turns finds the turning points of a value with hysteresis: a minimum is one
// only when the value has risen by as much above it, and so for a maximum.
type turns struct {
	hysteresis float64 // µm
	list       [turnCap]extreme
	n          int     // list[:n] alternates: maximum, minimum, maximum …
	now        extreme // candidate for the next: lowest or highest since the last
	falling    bool    // looking for a minimum
	before     float64 // the sample before now
	last       float64 // the latest sample
	passed     int     // passes ever settled, those no longer in the list too
	cut        bool    // the list does not begin with the way to the place any more
}

func (t *turns) clear() { *t = turns{hysteresis: t.hysteresis} }

// push takes the next sample and reports whether it settled a turning point.
func (t *turns) push(x extreme) bool {
	t.sink(x)
	before := t.last
	t.last = x.v
	if t.n > 0 && x.index == t.now.index+1 {
		t.now.miss = math.Abs(t.before+x.v-2*t.now.v) / 8
	}
	switch {
	case t.n == 0: // what comes first is the maximum before the first pass
		t.list[0], t.n = x, 1
		t.now, t.falling = x, true
	case t.n == 1 && t.now.index == t.list[0].index && x.v > t.now.v: // has not fallen yet
		t.list[0], t.now, t.before = x, x, before
	case t.falling && x.v < t.now.v, !t.falling && x.v > t.now.v:
		t.now, t.before = x, before
	case t.falling && x.v > t.now.v+t.hysteresis, !t.falling && x.v < t.now.v-t.fall():
		t.settle()
		t.now, t.before, t.falling = x, before, !t.falling
		return true
	}
	return false
}

// fall is how far below a maximum the value must go: where the tilt is large, a
// tremor shows far more than at square, in step with the height.
func (t *turns) fall() float64 {
	return max(t.hysteresis, 0.2*(t.now.v-t.list[t.n-1].v))
}

func (t *turns) settle() {
	if t.n == turnCap { // the oldest pass goes: a maximum and a minimum
		t.n = copy(t.list[:], t.list[2:])
		t.cut = true
	}
	t.list[t.n] = t.now
	t.n++
	if t.n%2 == 0 {
		t.passed++
	}
}

// close takes the lowest since the last maximum for a minimum, as the value is about
// to rise. It reports whether there is one that may have been settled so or before.
func (t *turns) close() bool {
	if t.falling && t.n >= 3 && t.n%2 == 1 {
		t.settle()
		t.falling = false
	}
	return t.n >= 2
}

// sink drops minima that the value has now fallen below: the size of the bore
// is the floor, so they were not at square. Of the maxima beside such a one the
// higher stays.
func (t *turns) sink(x extreme) {
	for t.falling && t.n >= 3 && t.n%2 == 1 && x.v < t.list[t.n-2].v-max(t.list[t.n-2].miss+t.hysteresis, 0.25*(min(t.list[t.n-1].v, t.list[t.n-3].v)-x.v)) {
		if t.list[t.n-1].v > t.list[t.n-3].v {
			t.list[t.n-3] = t.list[t.n-1]
		}
		t.n -= 2
	}
}

// since drops the passes up to a time.
func (t *turns) since(at float64) {
	k := 0
	for k+1 < t.n && t.list[k+1].t <= at {
		k += 2
	}
	t.cut = false
	if k < t.n {
		t.n = copy(t.list[:], t.list[k:t.n])
	} else { // the maximum before the next pass is still to come
		t.list[0], t.n = t.now, 1
		t.now, t.falling = t.list[0], true
	}
}

// entry is how many passes before the latest ones are no more than the way in:
// the first minimum lies between free air, or the place before, and the first swing.
func (t *turns) entry(passes int) bool { return !t.cut && passes+1 == t.minima() }

// lowest is the latest minimum, settled or not.
func (t *turns) lowest() (extreme, bool) {
	if t.falling {
		return t.now, t.n > 0
	}
	return t.list[max(0, t.n-1)], t.n > 0 && t.n%2 == 0
}

// minima is how many passes there are so far.
func (t *turns) minima() int { return t.n / 2 }

// latest returns the turning points of the latest passes: maximum, minimum, …,
// minimum and, when that is settled, the maximum after it.
func (t *turns) latest(passes int) []extreme {
	from := 2 * (t.minima() - passes)
	return t.list[from:t.n]
}

// despike holds back two samples so that the middle one of five can be judged
// by its neighbours on both sides.
type despike struct {
	last [5]sample
	n    int
}

// push takes a sample and returns the one two before it, unless that was wild.
func (d *despike) push(x sample, noise float64) (sample, bool) {
	if d.n < 5 {
		d.last[d.n] = x
		d.n++
		if d.n < 3 {
			return sample{}, false
		}
		return d.last[d.n-3], d.n < 5 || !d.wild(noise)
	}
	copy(d.last[:], d.last[1:])
	d.last[4] = x
	return d.last[2], !d.wild(noise)
}

// wild reports whether the middle sample is further than noise and the coarseness of the
// stream explain from all curves through those beside it: the cubic through the four, the parabolas
// through three, and the lines that end before it or begin after it. So a good sample beside a
// wild one is not taken for wild too. One that is sent twice is judged without the second. A wild
// one is replaced, so that it doesn't count against its neighbours.
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
