package master

import (
	"errors"
	"math"

	"gonum.org/v1/gonum/mathext"

	"fairbore/analysis"
	"fairbore/analysis/material"
)

// Contact is a spherical tip pressed against the wall of a bore.
type Contact struct {
	Tip      analysis.Length `json:"tip_radius_mm"`
	Force    float64         `json:"force_n"`       // force of one tip
	Diameter analysis.Length `json:"size_mm"`       // of the bore; 0: the wall counts as flat
	Material string          `json:"tip_material"`  // such as carbide or steel
	Wall     string          `json:"wall_material"` // of the part or the ring
}

// Indentation returns by how much tip and wall approach each other at the contact, in µm, by Hertz's
// theory of elastic contact (H. Hertz, 1881; in the form of K. L. Johnson, Contact Mechanics, 1985,
// 4.2 and 4.26, from memory). On a flat wall it is (9 F² / (16 r E*²))^⅓. In a bore the contact is an
// ellipse along the axis, and the tip sinks in a little less.
func (c Contact) Indentation() (float64, error) {
	tip, err := material.Find(c.Material)
	if err != nil {
		return 0, err
	}
	wall, err := material.Find(c.Wall)
	if err != nil {
		return 0, err
	}
	switch {
	case c.Tip <= 0 || c.Tip > largest || !(c.Force > 0 && c.Force < 1000):
		return 0, errors.New("contact: give a tip radius and a force above 0")
	case c.Diameter < 0 || c.Diameter > 0 && c.Diameter <= 2*c.Tip:
		return 0, errors.New("contact: a tip must be smaller than the bore")
	}
	// Lengths are in mm and forces in N, so the modulus is in N/mm²: 1000 × GPa.
	compliance := (1-tip.Poisson*tip.Poisson)/(1e3*tip.Young) + (1-wall.Poisson*wall.Poisson)/(1e3*wall.Young)
	r := c.Tip.Micrometres() / 1000
	along, around := 1/r, 1/r // relative curvatures
	if c.Diameter > 0 {
		around -= 2000 / c.Diameter.Micrometres()
	}
	return 1000 * approach(along, around, c.Force, compliance), nil
}

// approach returns the approach of two bodies in mm, for relative curvatures
// a ≥ b in 1/mm, a force in N and 1/E* in mm²/N.
func approach(a, b, force, compliance float64) float64 {
	m := ellipse(b / a)
	k, e := mathext.CompleteK(m), mathext.CompleteE(m)
	// With the longer semi-axis s and m = 1 − (short/long)²:
	// (a + b)/2 = 3F/(2π E* s³) · E(m)/(1−m) and δ = 3F/(2π E* s) · K(m).
	s := math.Cbrt(3 * force * compliance * e / (math.Pi * (1 - m) * (a + b)))
	return 3 * force * compliance * k / (2 * math.Pi * s)
}

// ellipse solves b/a = (1−m)(K−E) / (E − (1−m)K) for the parameter m of the contact ellipse. b/a ≤ 1
// is the ratio of the relative curvatures. The right side falls from 1 at m = 0 to 0 at m = 1.
func ellipse(ratio float64) float64 {
	lo, hi := 0.0, 1.0
	for range 60 {
		m := (lo + hi) / 2
		// D = (K−E)/m and B = (E−(1−m)K)/m keep their digits near m = 0.
		if (1-m)*mathext.CompleteD(m)/mathext.CompleteB(m) > ratio {
			lo = m
		} else {
			hi = m
		}
	}
	return lo
}

// LargerThanRing returns by how much a gauge that was set in the ring reads large in the part, because
// its two tips sink in deeper there. It is twice the difference of the indentations. Subtracted from a
// size it is a correction; left in, it is the half width of a component of the budget. Source: Hertz,
// as in [Contact].
func LargerThanRing(part, ring Contact) (analysis.Deviation, error) {
	p, err := part.Indentation()
	if err != nil {
		return 0, err
	}
	r, err := ring.Indentation()
	if err != nil {
		return 0, err
	}
	d, err := analysis.FromMicrometres(2 * (p - r))
	return analysis.Deviation(d), err
}
