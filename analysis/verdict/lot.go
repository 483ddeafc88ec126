package verdict

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"fairbore/analysis"
)

// Lot holds the sizes of the finished parts of a job, which describe the process that made them.
// The true sizes are assumed to be normal and independent of the errors of measurement. That is
// only nearly true of parts that are honed until they read in size. TestChance_Honed shows how far
// the chances are then wrong.
type Lot struct {
	// Smallest and Largest are the worst sizes of each part except the part that is being judged.
	Smallest, Largest []analysis.Length
	// Own is the share of the standard uncertainty of one size that differs from part to part. All
	// parts share the rest, such as that of the ring. The spread of the lot says nothing about the
	// rest.
	Own analysis.Deviation
}

// LotParts is the least number of parts for a lot's spread to be used. With so many parts the
// standard deviation is known to 24 %, and the stated chances hold (TestChance_Calibrated).
const LotParts = 10

// Prior says what a probability rests on besides the measurement.
type Prior string

// The priors. Flat assumes nothing about the process; guard bands always rest on it. OfLot comes
// from the finished parts of the job.
const (
	Flat  Prior = "flat"
	OfLot Prior = "lot"
)

// apart is the largest distance of a part from the mean of the others, in standard deviations, at
// which the part still counts as one of the lot (common practice for an outlier).
const apart = 3

// Chance is a probability of conformity, 0 to 1, and the prior that the probability rests on.
type Chance struct {
	Probability float64         `json:"probability"`
	Prior       Prior           `json:"prior"`
	Parts       int             `json:"parts,omitempty"` // number of parts that the prior comes from
	Why         analysis.Phrase `json:"why,omitzero"`    // why the prior is flat
}

// Phrase states the chance and its prior: "98.6 %, prior from 14 parts of this job", or "97.2 %,
// flat prior".
func (c Chance) Phrase() analysis.Phrase {
	if c.Prior == Flat {
		return analysis.Say("verdict.chance.flat", Percent(c.Probability))
	}
	return analysis.Say("verdict.chance.lot", Percent(c.Probability), c.Parts)
}

// Percent states a probability. A probability that would round to 0 % or 100 % is stated as a
// bound, because it is not certain.
func Percent(p float64) analysis.Phrase {
	switch {
	case p > 0.9995:
		return analysis.Say("verdict.percent.above")
	case p < 0.0005:
		return analysis.Say("verdict.percent.below")
	}
	return analysis.Say("verdict.percent", analysis.Number{Value: 100 * p, Places: 1})
}

// worst is the spread of the worst sizes of a lot, in 0.1 nm from the first size.
type worst struct {
	n     int
	from  analysis.Length
	mean  float64
	about float64 // sum of squares about the mean
}

func worstOf(sizes []analysis.Length) (s worst) {
	if s.n = len(sizes); s.n == 0 {
		return s
	}
	s.from = sizes[0]
	for _, v := range sizes {
		s.mean += float64(v-s.from) / float64(s.n)
	}
	for _, v := range sizes {
		d := float64(v-s.from) - s.mean
		s.about += d * d
	}
	return s
}

// lot returns the chance that a size conforms. The prior is the spread of a lot if that spread is
// known, otherwise a flat prior.
func (z *Zone) lot(v analysis.Length, s worst, own analysis.Deviation) Chance {
	flat := Chance{Probability: z.Probability(v), Prior: Flat}
	o := min(float64(own), float64(z.Standard))
	y := float64(v-s.from) - s.mean
	switch {
	case s.n < LotParts:
		flat.Why = analysis.Say("verdict.lot.few", LotParts, s.n)
	case o <= 0:
		flat.Why = analysis.Say("verdict.lot.own")
	case s.about <= o*o*distuv.ChiSquared{K: float64(s.n - 1)}.Quantile(0.95):
		flat.Why = analysis.Say("verdict.lot.scatter")
	case math.Abs(y) > apart*math.Sqrt(s.about/float64(s.n-1)*(1+1/float64(s.n))):
		flat.Why = analysis.Say("verdict.lot.apart")
	default:
		mean, u := s.posterior(y, o)
		u = math.Sqrt(u*u + float64(z.Standard)*float64(z.Standard) - o*o)
		at := float64(s.from) + s.mean + mean
		return Chance{Probability: conformance(float64(z.Low), float64(z.High), at, u), Prior: OfLot, Parts: s.n}
	}
	return flat
}

// posterior returns the expected true value of one more part and its standard uncertainty. y is the
// measured value of that part, and o is the standard uncertainty of the measurement. y and the
// expected value are distances from the mean of the other parts.
//
// The prior is normal. Its spread is the spread of the parts less the scatter that the measurement
// adds. For a known prior this is JCGM 106:2012, clause 7, normal prior and normal likelihood. Here
// the prior is known from n parts only. The method allows for that after C. N. Morris, Parametric
// Empirical Bayes Inference, Journal of the American Statistical Association 78 (1983), from
// memory. In that method the new part counts as one of the lot.
func (s *worst) posterior(y, o float64) (mean, u float64) {
	k := float64(s.n + 1)
	centre := y / k // of all with this one
	about := s.about + y*y*(k-1)/k
	shrink := min(1, (k-3)*o*o/about)
	off := y - centre
	mean = y - shrink*off
	u = math.Sqrt(o*o*(1-shrink*(k-1)/k) + 2*shrink*shrink/(k-3)*off*off)
	return mean, u
}
