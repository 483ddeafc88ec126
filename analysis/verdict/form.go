package verdict

import (
	"fairbore/analysis"
	"fairbore/analysis/uncertainty"
)

// CharacteristicName is the name of a characteristic of form.
type CharacteristicName string

// The characteristics. All are differences of two-point sizes. A two-point gauge can't see odd
// lobes or a bend of the axis (geometry), so no characteristic is called roundness or cylindricity.
const (
	Variation CharacteristicName = "variation"
	Taper     CharacteristicName = "taper"
	Ovality   CharacteristicName = "ovality"
)

// Phrase returns the name of the characteristic for a reader.
func (n CharacteristicName) Phrase() analysis.Phrase {
	return analysis.Say("verdict.form." + string(n))
}

// Characteristic is the judgement of a form characteristic with an upper
// limit. Its value is the largest difference of single readings, not of means.
type Characteristic struct {
	Name        CharacteristicName `json:"name"`
	Value       analysis.Deviation `json:"value_um"`
	Limit       analysis.Deviation `json:"limit_um"`
	Decision    Decision           `json:"decision"`
	Probability float64            `json:"probability"` // that it conforms (normal)
	Zone        Zone               `json:"zone"`
	TestRatio   float64            `json:"test_ratio,omitempty"` // limit / U
	Fit         Fit                `json:"fit,omitempty"`
	// Large and Small are the places of the two sizes.
	Large analysis.Place `json:"large"`
	Small analysis.Place `json:"small"`
	// N is the number of readings that the value rests on.
	N   int             `json:"readings"`
	Why analysis.Phrase `json:"why,omitzero"` // why it couldn't be judged
}

// extreme is the smallest and largest size at one place.
type extreme struct {
	at         analysis.Place
	small, big analysis.Length
	n          int
}

// extremes returns the smallest and largest size at each place. The readings must be sorted.
func extremes(sorted []analysis.Reading) (es []extreme) {
	for _, r := range sorted {
		if n := len(es); n > 0 && es[n-1].at == r.Place {
			es[n-1].big = r.Size
			es[n-1].n++
			continue
		}
		es = append(es, extreme{r.Place, r.Size, r.Size, 1})
	}
	return es
}

// spread is a difference of two sizes, and the places of the two sizes.
type spread struct {
	value        analysis.Length
	large, small analysis.Place
	n            int  // number of readings that were searched
	complete     bool // every place that can show it is gauged, even if other places aren't
	never        bool // the plan can't show it
}

// over replaces s by the difference of a's largest and b's smallest size if that is wider.
func (s *spread) over(a, b *extreme) {
	if d := a.big - b.small; d > s.value || s.large == s.small && d == s.value {
		s.value, s.large, s.small = d, a.at, b.at
	}
}

// form judges the characteristics that the job has limits for. complete says
// that every planned place has a reading.
func form(in *Input, sorted []analysis.Reading, complete bool) (cs []Characteristic) {
	es := extremes(sorted)
	for _, c := range []struct {
		name  CharacteristicName
		limit analysis.Deviation
		of    func(*analysis.Job, []extreme) spread
	}{{Variation, in.Job.Variation, variation}, {Taper, in.Job.Taper, taper}, {Ovality, in.Job.Ovality, ovality}} {
		if c.limit > 0 {
			s := c.of(in.Job, es)
			s.complete = s.complete || complete && !s.never
			cs = append(cs, characteristic(c.name, c.limit, s, in.Rule, in.Form))
		}
	}
	return cs
}

func characteristic(name CharacteristicName, limit analysis.Deviation, s spread, rule Rule, u uncertainty.Stated) Characteristic {
	c := Characteristic{Name: name, Value: analysis.Deviation(s.value), Limit: limit, Decision: NotJudged, Large: s.large, Small: s.small, N: s.n}
	c.TestRatio, c.Fit = fit(0, analysis.Length(limit), true, u)
	zone, err := NewUpperZone(analysis.Length(limit), rule, u)
	if err != nil {
		c.Why = analysis.Reason(err)
		return c
	}
	c.Zone, c.Probability = zone, zone.Probability(s.value)
	c.Decision, _ = zone.Decide(s.value)
	// A missing reading can only make a largest difference larger.
	if !s.complete && c.Decision == Conforms {
		c.Decision = NotJudged
		c.Why = analysis.Say("verdict.why.rest", s.n)
		if s.never {
			c.Why = analysis.Say("verdict.why.plan")
		}
	}
	return c
}

// variation returns the difference of the largest and smallest size anywhere.
func variation(_ *analysis.Job, es []extreme) spread {
	return within(es)
}

// within returns the widest spread among the given places.
func within(es []extreme) (s spread) {
	small, big := &es[0], &es[0]
	for i := range es {
		if es[i].small < small.small {
			small = &es[i]
		}
		if es[i].big > big.big {
			big = &es[i]
		}
		s.n += es[i].n
	}
	s.over(big, small)
	return s
}

// ovality returns the largest difference of sizes within one section.
func ovality(j *analysis.Job, es []extreme) spread {
	all := spread{never: len(j.Orientations) < 2}
	for len(es) > 0 {
		n := 1
		for n < len(es) && es[n].at.Depth == es[0].at.Depth {
			n++
		}
		s := within(es[:n])
		all.n += s.n
		if s.value > all.value || all.n == s.n {
			all.value, all.large, all.small = s.value, s.large, s.small
		}
		es = es[n:]
	}
	return all
}

// taper returns the largest difference between the first and the last planned section along one
// line of the wall, that is, at one orientation.
func taper(j *analysis.Job, es []extreme) spread {
	if len(j.Sections) < 2 {
		return spread{never: true}
	}
	front, back := j.Sections[0], j.Sections[len(j.Sections)-1]
	s := spread{complete: true}
	for _, a := range j.Orientations {
		f, b := find(es, analysis.Place{Depth: front, Angle: a}), find(es, analysis.Place{Depth: back, Angle: a})
		if f == nil || b == nil {
			s.complete = false
			continue
		}
		s.n += f.n + b.n
		s.over(f, b)
		s.over(b, f)
	}
	return s
}

func find(es []extreme, p analysis.Place) *extreme {
	for i := range es {
		if es[i].at == p {
			return &es[i]
		}
	}
	return nil
}
