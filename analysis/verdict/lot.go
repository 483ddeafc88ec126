package verdict

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"fairbore/analysis"
)

// Lot is what the finished parts of a job tell of the process that made them. Their true
// sizes are taken for normal and independent of the errors. Those of parts that are honed
// until they read in size are so only nearly: TestChance_Honed has how far that leads.
type Lot struct {
	// Smallest and Largest are the worst sizes of each part but the one in hand.
	Smallest, Largest []analysis.Length
	// Own is the part of the standard uncertainty of one size that differs from part to
	// part. The rest they share, as of the ring: the spread of the lot tells nothing of it.
	Own analysis.Deviation
}

// LotParts is how many parts it takes to tell a spread from: by then their standard
// deviation is known to 24 %, and the chances that are stated hold (TestChance_Calibrated).
const LotParts = 10

// Prior says what a probability rests on beside the measurement.
type Prior string

// The priors. Flat knows nothing of the process; guard bands rest on it always. OfLot is
// from the finished parts of the job.
const (
	Flat  Prior = "flat"
	OfLot Prior = "lot"
)

// apart is beyond how many standard deviations from the mean of the others a part is none
// of them (common practice for an outlier).
const apart = 3

// Chance is a probability of conformity, 0 to 1, with the prior that it rests on.
type Chance struct {
	Probability float64         `json:"probability"`
	Prior       Prior           `json:"prior"`
	Parts       int             `json:"parts,omitempty"` // that the prior is from
	Why         analysis.Phrase `json:"why,omitzero"`    // why the prior is flat
}

// Phrase says the chance and its prior: "98.6 %, prior from 14 parts of this job", or
// "97.2 %, flat prior".
func (c Chance) Phrase() analysis.Phrase {
	if c.Prior == Flat {
		return analysis.Say("verdict.chance.flat", Percent(c.Probability))
	}
	return analysis.Say("verdict.chance.lot", Percent(c.Probability), c.Parts)
}

// Percent says a probability; what rounds to certainty is not called certain.
func Percent(p float64) analysis.Phrase {
	switch {
	case p > 0.9995:
		return analysis.Say("verdict.percent.above")
	case p < 0.0005:
		return analysis.Say("verdict.percent.below")
	}
	return analysis.Say("verdict.percent", analysis.Number{Value: 100 * p, Places: 1})
}

// worst is the spread of the worst sizes of a lot, in 0.1 nm from the first of them.
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

// lot returns the chance of a size to conform, with the spread of a lot as its prior
// where that can be told.
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

// posterior returns where the true value of one more part is, from the mean of the others,
// and its standard uncertainty, when it was measured as y from that mean with the standard
// uncertainty o. The prior is normal, with the spread of the parts less what the
// measurement adds to it: for a prior that is known this is JCGM 106:2012, clause 7, normal
// prior and normal likelihood. That it is known from n parts only is allowed for as by
// C. N. Morris, Parametric Empirical Bayes Inference, Journal of the American Statistical
// Association 78 (1983), from memory, in which the part counts as one of the lot.
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
