package form

import "fairbore/analysis"

// Phrases describes the form in the words of the trade: the errors along the bore, the errors about
// the axis, and what this gauge can't see.
func (r Result) Phrases() []analysis.Phrase {
	if len(r.Sections) == 0 {
		return []analysis.Phrase{analysis.Say("form.nothing")}
	}
	out := make([]analysis.Phrase, 0, 6)
	if !r.judged() {
		return append(out, analysis.Say("form.not_judged"), r.cannotSee())
	}
	along := 0
	for _, n := range r.Named {
		if n.Kind != KindOval && n.Kind != KindOutOfRound {
			along++
			out = append(out, r.phrase(n))
		}
	}
	if along == 0 {
		out = append(out, r.straight())
	}
	if r.Mixed {
		out = append(out, analysis.Say("form.mixed"))
	}
	for _, n := range r.Named[along:] {
		out = append(out, r.phrase(n))
	}
	if along == len(r.Named) {
		out = append(out, r.notOval())
	}
	if r.Unbalanced {
		out = append(out, analysis.Say("form.unbalanced"))
	}
	return append(out, r.cannotSee())
}

// judged reports whether there was a repeatability or a threshold to judge against.
func (r Result) judged() bool {
	return r.Repeatability > 0 || r.Taper.Threshold > 0 || r.OutOfRound.Threshold > 0
}

func (r Result) phrase(n NamedError) analysis.Phrase {
	switch n.Kind {
	case KindTaper:
		return analysis.Say("form.taper", AtEnd(n.Where), n.Size, n.Over)
	case KindBarrel:
		return analysis.Say("form.barrel", n.Size)
	case KindWaist:
		return analysis.Say("form.waist", n.Size)
	case KindOpenEnds:
		if len(r.Sections) == 3 {
			return analysis.Say("form.open_ends_three", n.Size)
		}
		return analysis.Say("form.open_ends", n.Size)
	case KindBellMouth:
		return analysis.Say("form.bell_mouth", AtEnd(n.Where), n.Size)
	case KindTightEnd:
		return analysis.Say("form.tight_end", AtEnd(n.Where), n.Size)
	case KindOval:
		if n.AtLeast {
			return analysis.Say("form.oval_at_least", n.Size, n.Depth)
		}
		return analysis.Say("form.oval", n.Size, n.Depth, r.widest(n.Depth))
	case KindOutOfRound:
		return analysis.Say("form.out_of_round", r.Gauge.name(), n.Size, n.Depth)
	}
	return analysis.Say("form.uneven", n.Size)
}

// AtEnd says where something is along the bore: "at the front", "in the middle", "at both ends". If
// the job gives an end another name, AtEnd uses that name.
func AtEnd(end string) analysis.Phrase {
	switch end {
	case "front", "back", "top", "bottom", "left", "right", "far end", "middle", "ends":
		return analysis.Say("where.at." + end)
	}
	return analysis.Say("where.at.end", end)
}

// End names a place along the bore: "the front", "the middle", "both ends".
func End(end string) analysis.Phrase {
	switch end {
	case "front", "back", "top", "bottom", "left", "right", "far end", "middle", "ends":
		return analysis.Say("where.the." + end)
	}
	return analysis.Say("where.the.end", end)
}

// widest returns the direction of the largest diameter in whole degrees, because the fit is not
// more accurate than that.
func (r Result) widest(depth analysis.Length) analysis.Angle {
	for _, s := range r.Sections {
		if s.Depth == depth {
			return (s.Oval.Widest + analysis.Degree/2) / analysis.Degree * analysis.Degree
		}
	}
	return 0
}

// straight says that there is no error along the bore, as far as the gauged depths show.
func (r Result) straight() analysis.Phrase {
	switch {
	case !r.Taper.Usable:
		return analysis.Say("form.taper_not_known", r.Taper.Why)
	case !r.Barrel.Usable:
		return analysis.Say("form.no_taper", r.Taper.Threshold, r.Barrel.Why)
	}
	return analysis.Say("form.straight", max(r.Taper.Threshold, r.Barrel.Threshold))
}

// notOval says that there is no error about the axis, as far as the gauged angles show.
func (r Result) notOval() analysis.Phrase {
	switch {
	case !r.OutOfRound.Usable:
		return analysis.Say("form.oval_not_known", r.OutOfRound.Why)
	case !r.Oval.Usable:
		return analysis.Say("form.no_out_of_round", r.Gauge.name(), r.OutOfRound.Threshold)
	case r.Oval.AtLeast:
		return analysis.Say("form.no_oval_at_two", r.Oval.Threshold)
	}
	return analysis.Say("form.no_oval", r.Oval.Threshold)
}

// cannotSee says what a gauge of this kind can't see.
func (r Result) cannotSee() analysis.Phrase {
	switch r.Gauge {
	case TwoPoint:
		return analysis.Say("form.blind.two_point")
	case SelfCentring:
		return analysis.Say("form.blind.three_contact")
	}
	return analysis.Say("form.blind.v", r.Gauge.name())
}

// name returns the name of the kind of gauge for a reader.
func (k GaugeKind) name() analysis.Phrase {
	switch {
	case k == TwoPoint:
		return analysis.Say("form.gauge.two_point")
	case k == SelfCentring:
		return analysis.Say("form.gauge.three_contact")
	case k <= Summit120:
		return analysis.Say("form.gauge.summit", analysis.Angle(k.angle()*1000))
	}
	return analysis.Say("form.gauge.rider", analysis.Angle(k.angle()*1000))
}
