package form

import "math"

// Line is a least-squares line y = a + b x, computed from running sums. They are Welford's sums, so
// that a slope of nanometres is not lost beside a size of 22 mm. The zero value is empty.
type Line struct {
	n                  int
	mx, my             float64 // means
	sxx, sxy, residual float64 // sums of squares and products about the means; squares about the line
}

// Add adds a point.
func (l *Line) Add(x, y float64) {
	dx, dy := x-l.mx, y-l.my
	if l.sxx > 0 {
		// The residual grows by the squared error of the forecast, divided by 1 + leverage.
		e := dy - l.sxy/l.sxx*dx
		l.residual += e * e / (1 + 1/float64(l.n) + dx*dx/l.sxx)
	} else if l.n > 0 && dx == 0 {
		l.residual += dy * dy * float64(l.n) / float64(l.n+1)
	}
	l.n++
	l.mx += dx / float64(l.n)
	l.my += dy / float64(l.n)
	l.sxx += dx * (x - l.mx)
	l.sxy += dx * (y - l.my)
}

// Fitted reports whether there is a line. A line needs two points that differ in x.
func (l *Line) Fitted() bool { return l.n >= 2 && l.sxx > 0 }

// N returns how many points were added.
func (l *Line) N() int { return l.n }

// Slope returns b, 0 if not [Line.Fitted].
func (l *Line) Slope() float64 {
	if !l.Fitted() {
		return 0
	}
	return l.sxy / l.sxx
}

// At returns the line's y at x; the mean of y if not [Line.Fitted].
func (l *Line) At(x float64) float64 { return l.my + l.Slope()*(x-l.mx) }

// Residual returns the sum of squares about the line. Source: least squares, its definition; tested
// against NIST StRD.
func (l *Line) Residual() float64 { return l.residual }

// Scatter returns the standard deviation about the line. It also returns the standard uncertainties
// of the slope and of At(x) that follow from it. With fewer than three points, or without a line,
// ok is false and all values are 0. Source: least squares, the usual formulas; tested against NIST
// StRD.
func (l *Line) Scatter(x float64) (sd, slope, at float64, ok bool) {
	if l.n < 3 || !l.Fitted() {
		return 0, 0, 0, false
	}
	sd = math.Sqrt(l.residual / float64(l.n-2))
	dx := x - l.mx
	return sd, sd / math.Sqrt(l.sxx), sd * math.Sqrt(1/float64(l.n)+dx*dx/l.sxx), true
}
