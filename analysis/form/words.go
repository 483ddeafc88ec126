package form

import "fairbore/analysis"

// Words write lengths in sentences as the reader wants them.
type Words struct {
	Small func(analysis.Deviation) string // an error: "2.5 µm", "98 millionths"
	Long  func(analysis.Length) string    // a depth: "13 mm", "0.512 in"
}

// Metric writes errors in µm, to one place or below 0.1 µm to two, and depths
// in mm.
func Metric() Words {
	return Words{
		Small: micrometres,
		Long:  analysis.Length.String,
	}
}

func micrometres(d analysis.Deviation) string {
	places := 1
	if analysis.Length(d).Abs() < analysis.Micrometre/10 {
		places = 2
	}
	return analysis.Length(d).Format(analysis.UM, places) + " µm"
}

// Sentences says the form in the words of the trade, in µm and mm, the error
// along the bore first; then what this gauge can't see.
func (r Result) Sentences() []string { return r.SentencesIn(Metric()) }

// SentencesIn is [Result.Sentences] in other units.
func (r Result) SentencesIn(w Words) []string {
	if len(r.Sections) == 0 {
		return []string{"Nothing gauged yet."}
	}
	out := make([]string, 0, 6)
	if !r.judged() {
		out = append(out, "Form not judged: the gauge's repeatability isn't known; master it with repeats.")
		return append(out, r.blind())
	}
	along := 0
	for _, n := range r.Named {
		if n.Kind != KindOval && n.Kind != KindOutOfRound {
			along++
			out = append(out, r.sentence(n, w))
		}
	}
	if along == 0 {
		out = append(out, r.straight(w))
	}
	if r.Mixed {
		out = append(out, "A mixed form: more than one error along the bore.")
	}
	for _, n := range r.Named[along:] {
		out = append(out, r.sentence(n, w))
	}
	if along == len(r.Named) {
		out = append(out, r.notOval(w))
	}
	if r.Unbalanced {
		out = append(out, "The depths were not all gauged at the same angles: an oval can pass for a taper.")
	}
	return append(out, r.blind())
}

// judged reports whether there was anything to judge against.
func (r Result) judged() bool {
	return r.Repeatability > 0 || r.Taper.Threshold > 0 || r.OutOfRound.Threshold > 0
}

func (r Result) sentence(n Named, w Words) string {
	size := w.Small(n.Size)
	switch n.Kind {
	case KindTaper:
		return "Tight " + at(n.Where) + " by " + size + " over " + w.Long(n.Over) + "."
	case KindBarrel:
		return "Barrel: big in the middle by " + size + "."
	case KindWaist:
		return "Waist: tight in the middle by " + size + "."
	case KindOpenEnds:
		s := "Tight in the middle / open ends by " + size
		if len(r.Sections) == 3 {
			return s + ": three depths can't tell a waist from a bell-mouth."
		}
		return s + ": these depths can't tell a waist from a bell-mouth."
	case KindBellMouth:
		return "Bell-mouth " + at(n.Where) + " by " + size + "."
	case KindTightEnd:
		return "Closes in " + at(n.Where) + " by " + size + "."
	case KindUneven:
		return "Uneven along the bore by " + size + ", in no simple form: gauge it again."
	case KindOval:
		if n.AtLeast {
			return "Oval by " + size + " at least, at " + w.Long(n.Depth) + "; two angles don't show all of it."
		}
		return "Oval by " + size + " at " + w.Long(n.Depth) + ", widest at " + r.widest(n.Depth) + "."
	case KindOutOfRound:
		return "Out-of-round (" + r.Gauge.String() + ") by " + size + " at " + w.Long(n.Depth) + "."
	}
	return string(n.Kind) + " by " + size + "."
}

// at writes an end as a place: "at the front", "at the far end".
func at(end string) string { return "at the " + end }

func (r Result) widest(depth analysis.Length) string {
	for _, s := range r.Sections {
		if s.Depth == depth {
			// Whole degrees: the fit does not know them better.
			return ((s.Oval.Widest + analysis.Degree/2) / analysis.Degree * analysis.Degree).String()
		}
	}
	return ""
}

// straight says that there is no error along the bore, as far as these depths
// can tell.
func (r Result) straight(w Words) string {
	switch {
	case !r.Taper.Usable:
		return "Taper not known: " + r.Taper.Why + "."
	case !r.Barrel.Usable:
		return "No taper (within the gauge, " + w.Small(r.Taper.Threshold) + "); " + r.Barrel.Why + "."
	}
	return "Straight (within the gauge, " + w.Small(max(r.Taper.Threshold, r.Barrel.Threshold)) + ")."
}

// notOval says that there is no error about the axis, as far as these angles
// can tell.
func (r Result) notOval(w Words) string {
	switch {
	case !r.OutOfRound.Usable:
		return "Oval not known: " + r.OutOfRound.Why + "."
	case !r.Oval.Usable:
		return "No out-of-round seen (" + r.Gauge.String() + ", within the gauge, " + w.Small(r.OutOfRound.Threshold) + ")."
	case r.Oval.AtLeast:
		return "No oval seen at two angles (within the gauge, " + w.Small(r.Oval.Threshold) + "); one at 45° to them would not show."
	}
	return "No oval (within the gauge, " + w.Small(r.Oval.Threshold) + ")."
}

// blind says what such a gauge can't see.
func (r Result) blind() string {
	switch r.Gauge {
	case TwoPoint:
		return "Two-point: can't see 3 or 5 lobes, nor a bent bore."
	case SelfCentring:
		return "Three contacts: sees 3, 6 or 9 lobes only, no oval, nor a bent bore."
	}
	return "Contacts at a V (" + r.Gauge.String() + "): misses some lobes, and a bent bore."
}
