package form

import (
	"errors"
	"math"

	"fairbore/analysis"
)

// The errors that say why a turn can't be judged.
var (
	ErrAngles  = errors.New("give an angle for each deviation, or none if they are equally spaced")
	ErrSpacing = errors.New("the angles must be equally spaced around the whole turn for this")
	ErrCutoff  = errors.New("the cut-off must be above 0 undulations per revolution")
)

// Turn is a full turn of the wall about an axis near the axis of the bore. A rotary table or a
// roundness instrument gives it.
type Turn struct {
	Radius     analysis.Length // the radius from which the deviations are measured
	Deviations []float64       // of the radius, µm
	// Angles are in radians. Angles is nil if the deviations are equally spaced around the turn
	// from 0. The last deviation is then one step before the first.
	Angles []float64
}

// Points returns the places on the wall in µm from the axis. Source: geometry.
func (t Turn) Points() (Points, error) {
	n := len(t.Deviations)
	if t.Angles != nil && len(t.Angles) != n {
		return Points{}, ErrAngles
	}
	both := make([]float64, 2*n)
	p := Points{both[:n], both[n:]}
	radius := t.Radius.Micrometres()
	if t.Angles != nil {
		for i, a := range t.Angles {
			sin, cos := math.Sincos(a)
			p.X[i], p.Y[i] = (radius+t.Deviations[i])*cos, (radius+t.Deviations[i])*sin
		}
		return p, nil
	}
	stepSin, stepCos := math.Sincos(2 * math.Pi / float64(n))
	var sin, cos float64
	for i, d := range t.Deviations {
		if i%32 == 0 { // rotating the previous direction is faster, but the errors add up
			sin, cos = math.Sincos(2 * math.Pi * float64(i) / float64(n))
		}
		p.X[i], p.Y[i] = (radius+d)*cos, (radius+d)*sin
		sin, cos = sin*stepCos+cos*stepSin, cos*stepCos-sin*stepSin
	}
	return p, nil
}

// Reference is a reference circle and the roundness deviations from it, in the form that is stored
// and sent.
type Reference struct {
	X    analysis.Deviation `json:"x_um"` // of the centre from the axis of the turn
	Y    analysis.Deviation `json:"y_um"`
	R    analysis.Length    `json:"radius_mm"`
	RONt analysis.Deviation `json:"ront_um"`
	RONp analysis.Deviation `json:"ronp_um"`
	RONv analysis.Deviation `json:"ronv_um"`
	RONq analysis.Deviation `json:"ronq_um"`
}

// Roundness is a full turn judged by the four reference circles of ISO 12181-1.
type Roundness struct {
	Points               int       `json:"points"`
	LeastSquares         Reference `json:"least_squares"`         // LSCI
	MinimumZone          Reference `json:"minimum_zone"`          // MZCI
	MaximumInscribed     Reference `json:"maximum_inscribed"`     // MICI
	MinimumCircumscribed Reference `json:"minimum_circumscribed"` // MCCI
}

// Roundness judges the turn. It needs at least four points that go once around. Source: the
// reference circles and RONt of ISO 12181-1 (from memory).
func (t Turn) Roundness() (Roundness, error) {
	p, err := t.Points()
	if err != nil {
		return Roundness{}, err
	}
	r := Roundness{Points: len(p.X)}
	for _, fit := range [...]struct {
		to     *Reference
		circle func() (Circle, error)
	}{
		{&r.LeastSquares, p.LeastSquares},
		{&r.MinimumZone, p.MinimumZone},
		{&r.MaximumInscribed, p.MaximumInscribed},
		{&r.MinimumCircumscribed, p.MinimumCircumscribed},
	} {
		c, err := fit.circle()
		if err == nil {
			*fit.to, err = c.reference()
		}
		if err != nil {
			return Roundness{}, err
		}
	}
	return r, nil
}

func (c Circle) reference() (Reference, error) {
	var r Reference
	for _, v := range [...]struct {
		to *analysis.Deviation
		um float64
	}{{&r.X, c.X}, {&r.Y, c.Y}, {&r.RONt, c.RONt}, {&r.RONp, c.RONp}, {&r.RONv, c.RONv}, {&r.RONq, c.RONq}} {
		l, err := analysis.FromMicrometres(v.um)
		if err != nil {
			return Reference{}, err
		}
		*v.to = analysis.Deviation(l)
	}
	var err error
	r.R, err = analysis.FromMicrometres(c.R)
	return r, err
}

// Centred returns the turn as seen from the centre of c, as deviations from the radius of c. Centre
// a turn before computing harmonics or filtering. The reason is that a circle of radius R, seen
// from a distance e from its centre, shows two lobes of e²/4R.
//
// Centred keeps the angles as they are. That moves a point along the wall by no more than e.
// Source: geometry.
func (t Turn) Centred(c Circle) (Turn, error) {
	p, err := t.Points()
	if err != nil {
		return Turn{}, err
	}
	radius, err := analysis.FromMicrometres(c.R)
	if err != nil {
		return Turn{}, ErrNotRound
	}
	out := Turn{Radius: radius, Deviations: make([]float64, len(p.X)), Angles: t.Angles}
	for i := range p.X {
		out.Deviations[i] = p.distance(i, c.X, c.Y) - radius.Micrometres()
	}
	return out, nil
}
