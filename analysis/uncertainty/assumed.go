package uncertainty

import (
	"cmp"
	"slices"
)

// mattering is the share of the variance, in per cent, from which on what is assumed matters. Without
// a tenth of the variance U would be 5 % smaller, about the last of the two digits that an uncertainty
// is stated with (JCGM 100:2008, 7.2.6). If the true value were twice the assumed one, U would be 14 %
// larger.
const mattering = 10

// Assumed returns the components that are assumed and matter, the largest first: so many of them that
// the other assumed ones together have less than a tenth of the variance.
func (b *Budget) Assumed() (all []Component) {
	rest := 0.0
	for _, l := range b.Components {
		if l.Basis == ByAssumption {
			all, rest = append(all, l), rest+l.Share
		}
	}
	slices.SortStableFunc(all, func(x, y Component) int { return cmp.Compare(y.Share, x.Share) })
	for i := range all {
		if rest < mattering {
			return all[:i]
		}
		rest -= all[i].Share
	}
	return all
}
