package session

import "fairbore/analysis"

// Taper is how the size changes along the bore, by least squares over the
// profile (section means against depth).
type Taper struct {
	// Over is the change over the gauged length, from the face inward: positive
	// is open at the back.
	Over analysis.Deviation `json:"over_um"`
	// Per is the same for 100 mm of length.
	Per      analysis.Deviation `json:"per_100_mm_um"`
	Sections int                `json:"sections"`
	Tight    string             `json:"tight,omitempty"` // the end that is smaller: front or back
}

// section is the mean size at a depth.
type section struct {
	depth, mean analysis.Length
	n           int
}

// profile returns the section means in order of depth.
func (f *Fold) profile(now map[analysis.Place]*Reading) []section {
	var out []section
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
			out = append(out, section{d, first + roundDiv(sum, analysis.Length(n)), n})
		}
	}
	return out
}

func meanLength(profile []section) analysis.Length {
	var sum analysis.Length
	for _, s := range profile {
		sum += s.mean - profile[0].mean
	}
	return profile[0].mean + roundDiv(sum, analysis.Length(len(profile)))
}

// taper fits a straight line to the profile; nil with fewer than two sections.
func taper(profile []section, j *analysis.Job) *Taper {
	if len(profile) < 2 {
		return nil
	}
	n := float64(len(profile))
	var zm, mm float64
	for _, s := range profile {
		zm += s.depth.Micrometres() / n
		mm += (s.mean - profile[0].mean).Micrometres() / n
	}
	var zz, zd float64
	for _, s := range profile {
		dz := s.depth.Micrometres() - zm
		zz += dz * dz
		zd += dz * ((s.mean - profile[0].mean).Micrometres() - mm)
	}
	slope := zd / zz // µm per µm
	length := profile[len(profile)-1].depth - profile[0].depth
	over, err1 := analysis.FromMicrometres(slope * length.Micrometres())
	per, err2 := analysis.FromMicrometres(slope * 100_000)
	if err1 != nil || err2 != nil {
		return nil
	}
	t := &Taper{Over: analysis.Deviation(over), Per: analysis.Deviation(per), Sections: len(profile)}
	switch {
	case over > 0:
		t.Tight = "front"
	case over < 0:
		t.Tight = "back"
	}
	return t
}

// roundsShown bounds the history of a part in its message.
const roundsShown = 40

func (f *Fold) rounds(b *Bore) {
	all := append([]Round{{}}, f.Rounds...)
	all = all[max(0, len(all)-roundsShown):]
	first := all[0].Number
	counts := make([]map[analysis.Place]*Reading, f.Round()-first+1)
	for i := range f.Readings {
		r := &f.Readings[i]
		if _, void := f.Voids[r.No]; r.Round < first || void || r.Mastered == 0 {
			continue
		}
		m := &counts[r.Round-first]
		if *m == nil {
			*m = map[analysis.Place]*Reading{}
		}
		(*m)[r.Place] = r
	}
	for _, r := range all {
		if now := counts[r.Number-first]; len(now) > 0 {
			b.Rounds = append(b.Rounds, f.sum(r, now))
		}
	}
}

// sum sums up the readings of a round.
func (f *Fold) sum(r Round, now map[analysis.Place]*Reading) RoundSum {
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
	sum.Mean = meanLength(f.profile(now))
	return sum
}
