package form

import (
	"math"
	"slices"
)

// tight is what counts as nothing in the exchanges below, relative to the
// radius: 1e-12 of 10 mm is a hundred-thousandth of a nanometre.
const tight = 1e-12

// centred returns the points relative to the centre (x, y) of their algebraic
// circle, so that differences of squares lose nothing, and the distance of one
// of them, for a scale.
func (p Points) centred() (q Points, x, y, scale float64, err error) {
	cx, cy, err := p.check(3)
	if err != nil {
		return Points{}, 0, 0, 0, err
	}
	if x, y, err = p.kasa(cx, cy); err != nil {
		return Points{}, 0, 0, 0, err
	}
	n := len(p.X)
	both := make([]float64, 2*n)
	q = Points{both[:n], both[n:]}
	for i, px := range p.X {
		q.X[i], q.Y[i] = px-x, p.Y[i]-y
	}
	return q, x, y, q.distance(0, 0, 0), nil
}

// extremes returns the points farthest from and nearest to (x, y).
func (p Points) extremes(x, y float64) (far, near int, rFar, rNear float64) {
	low, high := math.Inf(1), math.Inf(-1)
	ys := p.Y[:len(p.X)]
	for i, px := range p.X {
		dx, dy := px-x, ys[i]-y
		d := dx*dx + dy*dy
		if d > high {
			high, far = d, i
		}
		if d < low {
			low, near = d, i
		}
	}
	return far, near, math.Sqrt(high), math.Sqrt(low)
}

func (p Points) distance(i int, x, y float64) float64 {
	return math.Hypot(p.X[i]-x, p.Y[i]-y)
}

func (p Points) bearing(i int, x, y float64) float64 {
	return math.Atan2(p.Y[i]-y, p.X[i]-x)
}

// quarters returns the points that lie nearest to four rays from the origin at
// right angles, in order around, which must be four different ones.
func (p Points) quarters() ([]int, error) {
	found := make([]int, 4)
	ys := p.Y[:len(p.X)]
	for k, ray := range [4][2]float64{{1, 0}, {0, 1}, {-1, 0}, {0, -1}} {
		best := math.Inf(1)
		for i, x := range p.X {
			y := ys[i]
			if off := math.Abs(x*ray[1] - y*ray[0]); off < best && x*ray[0]+y*ray[1] > 0 {
				best, found[k] = off, i
			}
		}
		if slices.Contains(found[:k], found[k]) {
			return nil, ErrNotRound
		}
	}
	return found, nil
}

// MinimumZone is the pair of concentric circles that hold at least 4 points
// between them with the least difference of radii (MZCI); R is the mean of the
// two. The best pair touches four points, outside and inside by turns; the
// points that lie farthest out of a pair take the places of their neighbours of
// the same kind until none does (Remez exchange, in true distances).
func (p Points) MinimumZone() (Circle, error) {
	if len(p.X) < 4 {
		return Circle{}, ErrFew
	}
	q, cx, cy, scale, err := p.centred()
	if err != nil {
		return Circle{}, err
	}
	ref, err := q.quarters()
	if err != nil {
		return Circle{}, err
	}
	for range 500 {
		x, y, ok := q.equidistant(ref[0], ref[2], ref[1], ref[3])
		if !ok {
			return Circle{}, ErrNotRound
		}
		outer, inner := q.distance(ref[0], x, y), q.distance(ref[1], x, y)
		if outer < inner { // only at first
			outer, inner = inner, outer
			ref[0], ref[1], ref[2], ref[3] = ref[1], ref[2], ref[3], ref[0]
		}
		far, near, rFar, rNear := q.extremes(x, y)
		over, under := rFar-outer, inner-rNear
		if max(over, under) <= tight*scale {
			return p.about(x+cx, y+cy, (rFar+rNear)/2)
		}
		if over > 0 {
			q.exchange(ref, far, 0, x, y)
		}
		if under > 0 {
			q.exchange(ref, near, 1, x, y)
		}
	}
	return Circle{}, ErrNotRound
}

// equidistant returns the centre that lies as far from a as from b, and as far from c
// as from d: it solves |a-x| = |b-x|, |c-x| = |d-x|.
func (p Points) equidistant(a, b, c, d int) (x, y float64, ok bool) {
	ux, uy := p.X[b]-p.X[a], p.Y[b]-p.Y[a]
	vx, vy := p.X[d]-p.X[c], p.Y[d]-p.Y[c]
	u := (ux*(p.X[b]+p.X[a]) + uy*(p.Y[b]+p.Y[a])) / 2
	v := (vx*(p.X[d]+p.X[c]) + vy*(p.Y[d]+p.Y[c])) / 2
	det := ux*vy - uy*vx
	if math.Abs(det) <= 1e-15*math.Hypot(ux, uy)*math.Hypot(vx, vy) || math.IsNaN(det) {
		return 0, 0, false
	}
	return (u*vy - v*uy) / det, (v*ux - u*vx) / det, true
}

// exchange puts point i, of kind 0 (outer) or 1 (inner), in the place of the
// one of its two neighbours around (x, y) that is of its kind: ref is outer and
// inner by turns, in order around.
func (p Points) exchange(ref []int, i, kind int, x, y float64) {
	at := p.bearing(i, x, y)
	ahead, behind := 0, 0
	least, most := math.Inf(1), math.Inf(-1)
	for k, j := range ref {
		turn := p.bearing(j, x, y) - at
		if turn < 0 {
			turn += 2 * math.Pi
		}
		if turn < least {
			least, ahead = turn, k
		}
		if turn > most {
			most, behind = turn, k
		}
	}
	if ahead%2 != kind {
		ahead = behind
	}
	ref[ahead] = i
}

// MinimumCircumscribed is the smallest circle around at least 3 points (MCCI),
// exact: the farthest point joins the two or three that hold the circle until
// none lies outside.
// Source: ISO 12181-1 for the name (from memory), geometry.
func (p Points) MinimumCircumscribed() (Circle, error) {
	q, cx, cy, scale, err := p.centred()
	if err != nil {
		return Circle{}, err
	}
	far, _, _, _ := q.extremes(0, 0)
	hold := []int{far}
	x, y := q.X[far], q.Y[far]
	r := 0.0
	for range 500 {
		far, _, d, _ := q.extremes(x, y)
		if d <= r+tight*max(r, scale) {
			return p.about(x+cx, y+cy, d)
		}
		hold, x, y, r = q.smallest(append(hold, far), tight*scale)
	}
	return Circle{}, ErrNotRound
}

// smallest returns the smallest circle around up to four points, and the two or
// three that hold it.
func (p Points) smallest(of []int, eps float64) (hold []int, x, y, r float64) {
	r = math.Inf(1)
	try := func(cx, cy float64, by ...int) {
		d := p.distance(by[0], cx, cy)
		for _, i := range of {
			if p.distance(i, cx, cy) > d+eps {
				return
			}
		}
		if d < r {
			hold, x, y, r = by, cx, cy, d
		}
	}
	for i, a := range of {
		for j, b := range of[:i] {
			try((p.X[a]+p.X[b])/2, (p.Y[a]+p.Y[b])/2, a, b)
			for _, c := range of[:j] {
				if cx, cy, ok := p.equidistant(a, b, b, c); ok {
					try(cx, cy, a, b, c)
				}
			}
		}
	}
	return hold, x, y, r
}

// MaximumInscribed is the largest circle, about the middle of at least 3
// points, that has none inside (MICI), a bore's natural one.
//
// Circles held by three points with none inside are the corners of a net (the
// Voronoi diagram); from a corner, moving away from one of its points along the
// line that keeps the other two as near as each other leads to the next. The
// walk takes the larger neighbour until there is none. A profile of two lobes
// has two such circles, one either side of its narrow diameter, which are
// neighbours; of equal ones it returns either.
// Source: ISO 12181-1 for the name (from memory), geometry.
func (p Points) MaximumInscribed() (Circle, error) {
	q, cx, cy, scale, err := p.centred()
	if err != nil {
		return Circle{}, err
	}
	at, ok := q.firstCorner()
	for range 500 {
		if !ok || math.Hypot(at.x, at.y) > scale/2 {
			return Circle{}, ErrNotRound
		}
		next := at
		for k := range at.by {
			if c, ok := q.neighbour(at, k); ok && c.r > next.r {
				next = c
			}
		}
		if next.r <= at.r+tight*scale {
			_, _, _, r := q.extremes(at.x, at.y)
			return p.about(at.x+cx, at.y+cy, r)
		}
		at = next
	}
	return Circle{}, ErrNotRound
}

// corner is a circle held by three points with none inside.
type corner struct {
	by      [3]int
	x, y, r float64
}

// firstCorner moves from the origin away from the nearest point until a second
// is as near, and from both until a third is.
func (p Points) firstCorner() (corner, bool) {
	_, a, _, _ := p.extremes(0, 0)
	ux, uy := -p.X[a], -p.Y[a]
	b, t, ok := p.meet(0, 0, ux, uy, a, a)
	if !ok {
		return corner{}, false
	}
	x, y := t*ux, t*uy
	wx, wy := p.Y[a]-p.Y[b], p.X[b]-p.X[a]
	if wx*(x-p.X[a])+wy*(y-p.Y[a]) < 0 {
		wx, wy = -wx, -wy
	}
	return p.corner(x, y, wx, wy, a, b)
}

// neighbour is the corner that c leads to away from its k-th point.
func (p Points) neighbour(c corner, k int) (corner, bool) {
	a, b, z := c.by[(k+1)%3], c.by[(k+2)%3], c.by[k]
	wx, wy := p.Y[a]-p.Y[b], p.X[b]-p.X[a]
	if wx*(p.X[z]-p.X[a])+wy*(p.Y[z]-p.Y[a]) > 0 {
		wx, wy = -wx, -wy
	}
	return p.corner(c.x, c.y, wx, wy, a, b)
}

// corner moves from (x, y) along (wx, wy), which keeps a and b as near as each
// other, until a third point is.
func (p Points) corner(x, y, wx, wy float64, a, b int) (corner, bool) {
	hit, t, ok := p.meet(x, y, wx, wy, a, b)
	x, y = x+t*wx, y+t*wy
	return corner{[3]int{a, b, hit}, x, y, p.distance(a, x, y)}, ok
}

// meet finds the first point, other than a and b, to be as near as a to a
// centre that moves from (x, y) along (ux, uy), and how many times that vector
// it moves. The difference of squared distances is linear in it.
func (p Points) meet(x, y, ux, uy float64, a, b int) (hit int, t float64, ok bool) {
	ax, ay := p.X[a], p.Y[a]
	ra := (ax-x)*(ax-x) + (ay-y)*(ay-y)
	best, per := math.Inf(1), 1.0
	ys := p.Y[:len(p.X)]
	for i, px := range p.X {
		py := ys[i]
		rate := ux*(px-ax) + uy*(py-ay)
		if rate <= 0 {
			continue
		}
		dx, dy := px-x, py-y
		lead := max(dx*dx+dy*dy-ra, 0)
		if lead*per < best*rate && i != a && i != b {
			best, per, hit = lead, rate, i
		}
	}
	return hit, best / per / 2, !math.IsInf(best, 1)
}
