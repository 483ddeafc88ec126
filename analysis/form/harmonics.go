package form

import (
	"errors"
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/dsp/fourier"
	"gonum.org/v1/gonum/mat"
)

// Harmonic is one undulation of a turn: Amplitude cos(Lobes (a - Phase)).
type Harmonic struct {
	Lobes     int     // undulations per revolution; 1 is eccentricity
	Amplitude float64 // µm, half of peak to valley
	Phase     float64 // of the first crest, radians, 0 up to below 2π/Lobes
}

// Harmonics returns the undulations 1 to upto of a turn. If the turn has too few points, it returns
// only the undulations that the points can show: fewer than half the number of points. It
// transforms equally spaced deviations. At other angles it fits all undulations together by least
// squares, for which the angles must go around the turn. Source: Fourier's series, its definition;
// the undulations per revolution of ISO 12181-1 (from memory).
func (t Turn) Harmonics(upto int) ([]Harmonic, error) {
	upto = max(min(upto, (len(t.Deviations)-1)/2), 0)
	coeff, err := t.spectrum()
	if errors.Is(err, ErrSpacing) {
		coeff, err = t.fitted(upto)
	}
	if err != nil {
		return nil, err
	}
	out := make([]Harmonic, upto)
	for i := range out {
		k := i + 1
		period := 2 * math.Pi / float64(k)
		phase := math.Mod(-cmplx.Phase(coeff[k])/float64(k)+period, period)
		out[i] = Harmonic{k, 2 * cmplx.Abs(coeff[k]) / float64(len(t.Deviations)), phase}
	}
	return out, nil
}

// fitted returns the coefficients by least squares, on the same scale as spectrum returns them.
func (t Turn) fitted(upto int) ([]complex128, error) {
	n, terms := len(t.Deviations), 2*upto+1
	design := mat.NewDense(n, terms, nil)
	for i, a := range t.Angles {
		design.Set(i, 0, 1)
		for k := 1; k <= upto; k++ {
			sin, cos := math.Sincos(float64(k) * a)
			design.Set(i, 2*k-1, cos)
			design.Set(i, 2*k, sin)
		}
	}
	var qr mat.QR
	qr.Factorize(design)
	var x mat.VecDense
	if qr.Cond() > 1e8 || qr.SolveVecTo(&x, false, mat.NewVecDense(n, t.Deviations)) != nil {
		return nil, ErrSpacing
	}
	coeff := make([]complex128, upto+1)
	for k := 1; k <= upto; k++ {
		coeff[k] = complex(x.AtVec(2*k-1), -x.AtVec(2*k)) * complex(float64(n)/2, 0)
	}
	return coeff, nil
}

// spectrum returns the discrete Fourier transform of the deviations. It fails with ErrSpacing if
// they are not equally spaced.
func (t Turn) spectrum() ([]complex128, error) {
	n := len(t.Deviations)
	if n < 3 {
		return nil, ErrFew
	}
	for _, d := range t.Deviations {
		if math.IsNaN(d) || math.IsInf(d, 0) {
			return nil, ErrNotFinite
		}
	}
	if err := t.equallySpaced(); err != nil {
		return nil, err
	}
	return fourier.NewFFT(n).Coefficients(nil, t.Deviations), nil
}

// equallySpaced returns nil if the angles are equally spaced around the turn from 0. Angles that
// are nil stand for exactly that.
func (t Turn) equallySpaced() (err error) {
	if t.Angles == nil {
		return nil
	}
	if len(t.Angles) != len(t.Deviations) {
		return ErrAngles
	}
	step := 2 * math.Pi / float64(len(t.Angles))
	for i, a := range t.Angles {
		if math.IsNaN(a) || math.IsInf(a, 0) {
			return ErrNotFinite
		}
		if math.Abs(math.Remainder(a-step*float64(i), 2*math.Pi)) > 1e-6*step {
			err = ErrSpacing
		}
	}
	return err
}

// Filtered returns the turn without the undulations that are shorter than the cut-off. The cut-off
// is in undulations per revolution. The filter is the Gaussian filter for closed profiles of ISO
// 16610-21. Its weighting function is exp(-π (x/(α λc))²)/(α λc) with α = √(ln 2/π). So it passes
// exp(-π (α f/fc)²) = 2^-(f/fc)² of an undulation f, which is half at the cut-off. The filter is
// exact here, because a turn has no ends.
func (t Turn) Filtered(cutoff float64) (Turn, error) {
	if !(cutoff > 0) {
		return Turn{}, ErrCutoff
	}
	coeff, err := t.spectrum()
	if err != nil {
		return Turn{}, err
	}
	n := len(t.Deviations)
	for f := range coeff {
		q := float64(f) / cutoff
		coeff[f] *= complex(math.Exp2(-q*q)/float64(n), 0)
	}
	out := t
	out.Deviations = fourier.NewFFT(n).Sequence(nil, coeff)
	return out, nil
}
