package state

import (
	"fairbore/analysis"
	"fairbore/daemon/event"
)

// profile returns the section means in order of depth.
func (f *Fold) profile(now map[analysis.Place]*event.Reading) []SectionMean {
	out := make([]SectionMean, 0, len(f.Job.Sections))
	for _, d := range f.Job.Sections {
		var sum, first analysis.Length
		n := 0
		for _, a := range f.Job.Orientations {
			if r := now[analysis.Place{Depth: d, Angle: a}]; r != nil {
				if n == 0 {
					first = r.Size
				}
				sum += r.Size - first
				n++
			}
		}
		if n > 0 {
			out = append(out, SectionMean{d, first + roundDiv(sum, analysis.Length(n)), n})
		}
	}
	return out
}

func meanLength(profile []SectionMean) analysis.Length {
	var sum analysis.Length
	for _, s := range profile {
		sum += s.Mean - profile[0].Mean
	}
	return profile[0].Mean + roundDiv(sum, analysis.Length(len(profile)))
}

// roundDiv divides, rounding half away from zero.
func roundDiv(a, n analysis.Length) analysis.Length {
	if a < 0 {
		return -roundDiv(-a, n)
	}
	return (a + n/2) / n
}

// roundsShown is the largest number of rounds in the message of a part.
const roundsShown = 40

func (f *Fold) rounds(b *Bore) { b.Rounds = f.Sums(f.Round()) }

// Sums returns the sums of the rounds that have a reading that counts, up to the round with a
// number.
func (f *Fold) Sums(last int) (out []RoundSum) {
	all := append([]event.Round{{}}, f.Rounds...)
	all = all[max(0, len(all)-roundsShown):]
	now := map[analysis.Place]*event.Reading{}
	for _, r := range all {
		clear(now)
		if r.Number > last {
			break
		}
		if f.CurrentInto(r.Number, now); len(now) > 0 {
			out = append(out, f.sum(r, now))
		}
	}
	return out
}

// sum returns the sum of the readings of a round.
func (f *Fold) sum(r event.Round, now map[analysis.Place]*event.Reading) RoundSum {
	sum := RoundSum{Round: r, Readings: len(now)}
	for _, x := range now {
		if sum.Smallest == 0 || x.Size < sum.Smallest {
			sum.Smallest = x.Size
		}
		sum.Largest = max(sum.Largest, x.Size)
		if x.At.After(sum.At) {
			sum.At = x.At
		}
	}
	sum.Sections = f.profile(now)
	sum.Mean = meanLength(sum.Sections)
	return sum
}
