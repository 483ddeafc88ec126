package master

import (
	"math"
	"slices"

	"fairbore/analysis"
)

// DriftLimit returns by how much a check may be off: a tenth of the tolerance (common practice), but
// not less than the check can resolve. That is two standard deviations of the difference of two means,
// 2 s √(1/m + 1/n), for a zero set by m readings and checked by n. With three readings each that is
// 1.63 s. For a sleeve with a tolerance of 2.54 µm gauged to s = 0.15 µm the limit is 0.25 µm.
func DriftLimit(tolerance, s analysis.Deviation, m, n int) analysis.Deviation {
	return max(tolerance/10, resolves(s, m, n))
}

// resolves returns two standard deviations of the difference of two means, rounded up. Less than one
// reading counts as one.
func resolves(s analysis.Deviation, m, n int) analysis.Deviation {
	return analysis.Deviation(math.Ceil(2 * float64(s) * math.Sqrt(1/float64(max(m, 1))+1/float64(max(n, 1)))))
}

// CheckZero checks the correction in use against a ring. limit is how far it may be off (see
// [DriftLimit]). least and spread are what the readings must meet to show anything, as in [Rules]
// (spread 0: no limit).
func CheckZero(set analysis.RingSet, c Correction, limit analysis.Deviation, least int, spread analysis.Deviation) analysis.RingCheck {
	set.Raw = slices.Clone(set.Raw) // the caller may change its own
	k := analysis.RingCheck{RingSet: set, Limit: limit}
	var err error
	if k.Scatter, err = ScatterOf(set.Raw); err != nil {
		k.Sentence = analysis.Say("master.check.none", analysis.Reason(err))
		return k
	}
	size, err := c.Size(k.Mean)
	if err != nil {
		k.Sentence = analysis.Say("master.check.none", analysis.Reason(err))
		return k
	}
	k.Error = analysis.Deviation(size - set.Ring.Size)
	k.Valid = k.N >= least && (spread <= 0 || k.Spread <= spread)
	k.Good = k.Valid && analysis.Length(k.Error).Abs() <= analysis.Length(limit)
	k.Sentence = sayCheck(&k, least, spread)
	return k
}

func sayCheck(k *analysis.RingCheck, least int, spread analysis.Deviation) analysis.Phrase {
	switch {
	case k.N < least:
		return analysis.Say("master.check.few", k.N, least)
	case !k.Valid:
		return analysis.Say("master.check.spread", analysis.Fine(k.Spread), analysis.Fine(spread))
	case k.Good:
		return analysis.Say("master.check.good", k.Ring.ID, analysis.Offset(k.Error), analysis.Fine(k.Limit))
	}
	return analysis.Say("master.check.failed", k.Ring.ID, analysis.Offset(k.Error), analysis.Fine(k.Limit))
}

// Reread evaluates the ring of a mastering as if it were a part. It corrects the readings by
// the zero (and gain) in use and, with adjust, to 20 °C. set holds the readings. s is the
// standard deviation of one reading, with the step of the display. It counts if it is larger
// than the standard deviation of the mastering. limit is the limit of a zero check.
//
// The certificate's uncertainty is in the zero and also in the certified size, so it cancels
// in their difference. What remains is the uncertainty of the two means, 2 s √(1/m + 1/n).
// Reread thus proves that gauge, hand and corrections repeat. It can't prove the ring's
// value, because the ring reads whatever value was entered. A second ring can (see
// [SecondRing]). A difference that the readings explain, or that is within the limit of a
// check, is Good: it gives no reason to doubt a reading.
func Reread(m Mastering, set analysis.RingSet, s, limit analysis.Deviation, adjust Adjust) analysis.Rereading {
	set.Ring = m.Ring
	set.Raw = slices.Clone(set.Raw) // the caller's may change
	r := analysis.Rereading{RingCheck: analysis.RingCheck{RingSet: set, Limit: limit}, Within: resolves(max(s, m.Repeat), m.N, len(set.Raw))}
	err := sizeRing(&r, m.Correction, adjust)
	if err != nil {
		r.Sentence = analysis.Say("master.reread.none", analysis.Reason(err))
		return r
	}
	r.Valid = true
	r.Error = analysis.Deviation(r.Size - r.Ring.Size)
	off := max(r.Error, -r.Error)
	r.Agrees = off <= r.Within
	r.Good = r.Agrees || off <= limit
	r.Sentence = sayReread(&r)
	return r
}

func sizeRing(r *analysis.Rereading, c Correction, adjust Adjust) (err error) {
	if r.Scatter, err = ScatterOf(r.Raw); err != nil {
		return err
	}
	gauged, err := c.Size(r.Mean)
	if err != nil {
		return err
	}
	if r.Size, err = adjust.Size(gauged); err != nil {
		return err
	}
	r.Thermal = analysis.Deviation(r.Size - gauged)
	return nil
}

func sayReread(r *analysis.Rereading) analysis.Phrase {
	came := analysis.Say("master.reread.came", r.Ring.ID, analysis.Size(r.Size), analysis.Size(r.Ring.Size), analysis.Offset(r.Error))
	switch {
	case r.Agrees:
		return analysis.Say("master.reread.agrees", came, analysis.Fine(r.Within))
	case r.Good:
		return analysis.Say("master.reread.check", came, analysis.Fine(r.Within), analysis.Fine(r.Limit))
	}
	return analysis.Say("master.reread.failed", came, analysis.Fine(r.Limit))
}

// SecondRingCheck is the outcome of reading a second ring.
type SecondRingCheck struct {
	analysis.RingCheck
	Suspect analysis.Suspect `json:"suspect,omitempty"`
}

// SecondRing evaluates another ring with the zero of a mastering. Only this proves the
// ring's value and its sign. The limit combines the expanded uncertainties of both rings and
// the repeatability s. The nominal sizes of the rings, 0 if not known, help to find the
// mistake: a deviation that was entered with the wrong sign shows double.
// Source: common practice.
func SecondRing(m Mastering, set analysis.RingSet, s, spread analysis.Deviation, firstNominal, secondNominal analysis.Length) SecondRingCheck {
	u := math.Hypot(float64(m.Ring.U), float64(set.Ring.U))
	limit := analysis.Deviation(math.Ceil(math.Hypot(u, float64(resolves(max(s, m.Repeat), m.N, len(set.Raw))))))
	r := SecondRingCheck{RingCheck: CheckZero(set, m.Correction, limit, 2, spread)}
	if !r.Valid || r.Good {
		return r
	}
	r.Suspect = suspect(&m, &r.RingCheck, firstNominal, secondNominal)
	r.Sentence = analysis.Say("master.second.off", r.Ring.ID, analysis.Offset(r.Error), analysis.Fine(limit), r.Suspect.Phrase())
	return r
}

func suspect(m *Mastering, k *analysis.RingCheck, firstNominal, secondNominal analysis.Length) analysis.Suspect {
	first, second := m.Ring.Size-firstNominal, k.Ring.Size-secondNominal
	explains := func(e analysis.Length) bool {
		return e.Abs() > analysis.Length(k.Limit) && (analysis.Length(k.Error)-e).Abs() <= analysis.Length(k.Limit)
	}
	switch {
	case firstNominal > 0 && explains(2*first):
		return analysis.SignOfFirst
	case secondNominal > 0 && explains(-2*second):
		return analysis.SignOfSecond
	case firstNominal > 0 && first == 0 || secondNominal > 0 && second == 0:
		return analysis.NominalTaken
	}
	return analysis.RingOrValue
}
