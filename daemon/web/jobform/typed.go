package jobform

import (
	"strings"

	"fairbore/analysis"
	"fairbore/analysis/notation"
)

// Typed is a job as a reader would type it, without its name: the new one has its own.
func Typed(j *analysis.Job, f notation.Format) map[string]string {
	size := func(l analysis.Length) string {
		if l == 0 {
			return ""
		}
		if text, err := l.Exact(j.Unit); err == nil {
			if _, places, _ := strings.Cut(text, "."); len(places) == 3 { // with either sign it is the same
				text += "0"
			}
			return f.Marked(text)
		}
		return f.Marked(l.String()) // in mm, which every length is exactly
	}
	list := func(ls []analysis.Length) string {
		out := make([]string, len(ls))
		for i, l := range ls {
			out[i] = size(l)
		}
		return strings.Join(out, "; ")
	}
	text := map[string]string{
		fieldTitle: j.Title, fieldRevision: j.Revision, FieldUnit: j.Unit.String(), fieldMaterial: j.Material, FieldFace: f.Say(analysis.FaceName(j.Face)),
		fieldNominal: size(j.Nominal), fieldLow: size(j.Low), fieldHigh: size(j.High), fieldTarget: size(j.Target),
		fieldVariation: size(analysis.Length(j.Variation)), fieldOvality: size(analysis.Length(j.Ovality)), fieldTaper: size(analysis.Length(j.Taper)),
		fieldLength: size(j.Length), fieldOutside: size(j.Outside), fieldSections: list(j.Sections), fieldRing: j.Ring, fieldBand: size(analysis.Length(j.Band)),
	}
	if j.SignOff {
		text[fieldSignOff] = "1"
	}
	if j.Blind {
		text[fieldBlind] = "1"
	}
	var angles, gaps []string
	for _, a := range j.Orientations {
		angles = append(angles, strings.TrimSuffix(a.String(), "°"))
	}
	unspaced := func(l analysis.Length) string { return strings.ReplaceAll(size(l), " ", "") }
	for _, in := range j.Interrupts {
		gaps = append(gaps, unspaced(in.From)+" "+unspaced(in.To)+" "+in.What)
	}
	for field, is := range papers(&j.Papers) {
		text[field] = *is
	}
	var more []string
	for _, f := range j.Fields {
		more = append(more, f.Name+": "+f.Value)
	}
	text[fieldFields] = strings.Join(more, "; ")
	text[fieldAngles], text[fieldInterrupts] = strings.Join(angles, " "), strings.Join(gaps, "; ")
	return text
}
