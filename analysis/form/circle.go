package form

import (
	"errors"
	"math"
)

// The errors that say why a set of points has no reference circle.
var (
	ErrFew       = errors.New("too few points: a circle wants 3, a minimum zone 4")
	ErrNotFinite = errors.New("a point is not a number; leave it out")
	ErrNotRound  = errors.New("the points don't go once around a circle: check angles and radius")
)

// Points are places on a wall in µm: X[i], Y[i].
type Points struct{ X, Y []float64 }

// Circle is a reference circle and the roundness deviations from it, all in µm. The names of the
// deviations are those of ISO 12181-1.
type Circle struct {
	X, Y, R float64
	RONp    float64 // distance of the farthest point outside the circle (reference to peak)
	RONv    float64 // distance of the farthest point inside, a positive number (reference to valley)
	RONt    float64 // RONp + RONv, peak to valley
	RONq    float64 // root mean square deviation
}

// check returns the centroid of p, or an error that says why p can't be fitted.
func (p Points) check(least int) (cx, cy float64, err error) {
	n := len(p.X)
	if n < least || len(p.Y) != n {
		return 0, 0, ErrFew
	}
	for i, x := range p.X {
		cx += x
		cy += p.Y[i]
	}
	cx, cy = cx/float64(n), cy/float64(n)
	if v := cx + cy; math.IsNaN(v) || math.IsInf(v, 0) {
		return 0, 0, ErrNotFinite
	}
	return cx, cy, nil
}

// about returns the circle of radius r about (x, y) with its deviations.
func (p Points) about(x, y, r float64) (Circle, error) {
	low, high, sum := math.Inf(1), math.Inf(-1), 0.0
	for i, px := range p.X {
		dx, dy := px-x, p.Y[i]-y
		d := math.Sqrt(dx*dx+dy*dy) - r
		low, high = min(low, d), max(high, d)
		sum += d * d
	}
	c := Circle{X: x, Y: y, R: r, RONp: max(high, 0), RONv: max(-low, 0), RONt: high - low, RONq: math.Sqrt(sum / float64(len(p.X)))}
	if v := c.X + c.Y + c.R + c.RONt + c.RONq; math.IsNaN(v) || math.IsInf(v, 0) {
		return Circle{}, ErrNotRound
	}
	return c, nil
}

// LeastSquares returns the Gauss circle (LSCI). It has the least sum of squares of the points' true
// distances from the circle. It needs at least 3 points. The method is Gauss-Newton, starting from
// the algebraic fit (Kåsa).
func (p Points) LeastSquares() (Circle, error) {
	cx, cy, err := p.check(3)
	if err != nil {
		return Circle{}, err
	}
	x, y, err := p.kasa(cx, cy)
	if err != nil {
		return Circle{}, err
	}
	for range 200 {
		dx, dy, r, rms, ok := p.gaussNewton(x, y)
		if !ok {
			return Circle{}, ErrNotRound
		}
		x, y = x+dx, y+dy
		// After a step, the centre is still about step × rms/R away from the solution.
		if math.Hypot(dx, dy)*min(1, 4*rms/r) <= 1e-14*r {
			return p.about(x, y, r)
		}
	}
	return Circle{}, ErrNotRound
}

// kasa returns the centre of the circle of least algebraic error. It takes the sums about the
// centroid (cx, cy).
func (p Points) kasa(cx, cy float64) (x, y float64, err error) {
	var xx, xy, yy, xz, yz float64
	for i, px := range p.X {
		dx, dy := px-cx, p.Y[i]-cy
		z := dx*dx + dy*dy
		xx, xy, yy = xx+dx*dx, xy+dx*dy, yy+dy*dy
		xz, yz = xz+dx*z, yz+dy*z
	}
	det := xx*yy - xy*xy
	if !(det > 1e-14*xx*yy) {
		return 0, 0, ErrNotRound
	}
	return cx + (xz*yy-yz*xy)/det/2, cy + (yz*xx-xz*xy)/det/2, nil
}

// gaussNewton returns one step (dx, dy) of the centre from (x, y). r is the mean radius after the
// step, to first order. rms is the root mean square deviation before the step.
func (p Points) gaussNewton(x, y float64) (dx, dy, r, rms float64, ok bool) {
	var sr, srr, sx, sy, sxx, sxy, syy, sxr, syr float64
	for i, px := range p.X {
		ux, uy := px-x, p.Y[i]-y
		d := math.Sqrt(ux*ux + uy*uy)
		inv := 1 / d
		ux, uy = ux*inv, uy*inv
		sr += d
		srr += d * d
		sx, sy = sx+ux, sy+uy
		sxx, sxy, syy = sxx+ux*ux, sxy+ux*uy, syy+uy*uy
		sxr, syr = sxr+ux*d, syr+uy*d
	}
	n := float64(len(p.X))
	r = sr / n
	// Taking the sums about the means eliminates the radius from the normal equations.
	sxr, syr = sxr-sx*r, syr-sy*r
	sxx, sxy, syy = sxx-sx*sx/n, sxy-sx*sy/n, syy-sy*sy/n
	det := sxx*syy - sxy*sxy
	if !(det > 0) || math.IsInf(det, 0) {
		return 0, 0, 0, 0, false
	}
	dx, dy = (sxr*syy-syr*sxy)/det, (syr*sxx-sxr*sxy)/det
	return dx, dy, r - (sx*dx+sy*dy)/n, math.Sqrt(max(srr/n-r*r, 0)), true
}
