package form

import (
	"math"
	"slices"
)

// tight is the distance, relative to the radius, that counts as zero in the exchanges below: 1e-12
// of 10 mm is a hundred-thousandth of a nanometre.
const tight = 1e-12

// centred returns the points relative to the centre (x, y) of their algebraic circle. Differences
// of squares then lose no accuracy. scale is the distance of one point from that centre.
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

// quarters returns the points that lie nearest to four rays from the origin at right angles to each
// other. They are in order around the origin. It fails if they are not four different points.
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

// MinimumZone returns the pair of concentric circles with the least difference of radii that has
// all points between the circles (MZCI). It needs at least 4 points. R is the mean of the two
// radii.
//
// The best pair touches four points. Around the centre, these lie alternately on the outer and on
// the inner circle. The search starts with four points and their pair of circles. The point that
// lies farthest outside the pair replaces a neighbour of the same kind (outer or inner). The search
// ends when no point lies outside (Remez exchange, in true distances).
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

// equidistant returns the centre x that lies as far from a as from b, and as far from c as from d.
// It solves |a-x| = |b-x|, |c-x| = |d-x|.
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

// exchange puts point i into ref. ref holds outer and inner points alternately, in order around
// (x, y). kind is the kind of point i, 0 (outer) or 1 (inner). One of the two neighbours of point i
// in ref is of the same kind, and point i replaces that neighbour.
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

// MinimumCircumscribed returns the exact smallest circle around at least 3 points (MCCI). Two or
// three points on the circle determine it. The search adds the farthest point to these points,
// until no point lies outside the circle. Source: ISO 12181-1 for the name (from memory), geometry.
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

// smallest returns the smallest circle around up to four points. hold are the two or three points
// on the circle that determine it.
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

// MaximumInscribed returns the largest circle about the middle of at least 3 points that has no
// point inside (MICI). It is the natural reference circle of a bore.
//
// A corner is a circle through three points with no point inside. The centres of the corners are
// the vertices of the Voronoi diagram. To get from a corner to a neighbour, the centre moves away
// from one of the three points, along the line that stays equidistant from the other two. The
// search goes to the largest neighbour until no neighbour is larger. A profile of two lobes has two
// largest circles, one on each side of its narrow diameter. They are neighbours. If they are equal,
// the function returns either of them. Source: ISO 12181-1 for the name (from memory), geometry.
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

// corner is a circle through three points with no point inside.
type corner struct {
	by      [3]int
	x, y, r float64
}

// firstCorner finds a corner. The centre moves from the origin away from the nearest point until a
// second point is equally near. Then it moves away from both until a third point is equally near.
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

// neighbour returns the next corner when the centre of c moves away from the k-th point of c.
func (p Points) neighbour(c corner, k int) (corner, bool) {
	a, b, z := c.by[(k+1)%3], c.by[(k+2)%3], c.by[k]
	wx, wy := p.Y[a]-p.Y[b], p.X[b]-p.X[a]
	if wx*(p.X[z]-p.X[a])+wy*(p.Y[z]-p.Y[a]) > 0 {
		wx, wy = -wx, -wy
	}
	return p.corner(c.x, c.y, wx, wy, a, b)
}

// corner moves the centre from (x, y) along (wx, wy) until a third point is as near as a and b.
// That direction keeps the centre equidistant from a and b.
func (p Points) corner(x, y, wx, wy float64, a, b int) (corner, bool) {
	hit, t, ok := p.meet(x, y, wx, wy, a, b)
	x, y = x+t*wx, y+t*wy
	return corner{[3]int{a, b, hit}, x, y, p.distance(a, x, y)}, ok
}

// meet moves a centre from (x, y) along (ux, uy). It returns the first point, other than a and b,
// that becomes as near to the centre as a is. t is the length of the move as a multiple of
// (ux, uy). The difference of the squared distances is linear in t.
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
