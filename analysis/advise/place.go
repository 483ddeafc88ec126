package advise

import (
	"math"

	"fairbore/analysis"
	"fairbore/analysis/form"
)

// restShare is the share of the full rate that short strokes bring to the rest of the bore. The
// stone is about two thirds of the bore's length or more, so it cuts there too (common practice;
// the figure is a guess, so its spread is wide).
const (
	restShare  = 0.5
	restSpread = 0.15
	restLeast  = 0.35 // the smallest share that can be hoped for
	// endsShare is for short strokes at both ends by turns. In one half of the strokes an end gets the
	// full rate. In the other half it gets the rest share of the strokes at the other end.
	endsShare = (1 + restShare) / 2
	// Short strokes dwell, and may cut faster than long strokes (common practice).
	dwellSpread = 0.30
	dwellLeast  = 0.15 // spread from round to round
)

// Ends names both ends of a bore as the place that is tight.
const Ends = "ends"

// tight is the place where a bore is tight along its length.
type tight struct {
	where  string // name of an end, or "ends", or "middle"
	at     []analysis.Stretch
	worked []bool // for each section
	by     float64
	kind   form.ErrorKind
	share  float64 // share of the full rate that the worked sections get
	doubt  float64 // relative standard deviation of that share
	// real says that the difference is larger than the gauge's scatter explains.
	real bool
}

// lowPart is a share of the difference between the smallest and the largest section mean. A section
// counts as tight if its mean is less than this share above the smallest.
const lowPart = 1.0 / 3

// findTight finds the low part of the profile: the sections in the lower third between the smallest
// and the largest section mean.
func (p *planner) findTight() tight {
	t := tight{share: 1, doubt: dwellSpread, worked: make([]bool, len(p.sections))}
	low, high := math.Inf(1), math.Inf(-1)
	for _, s := range p.sections {
		low, high = min(low, s.mean), max(high, s.mean)
	}
	t.by = high - low
	for _, n := range p.in.Form.Named {
		if n.Kind != form.KindOval && n.Kind != form.KindOutOfRound {
			t.kind, t.real = n.Kind, t.by > 0
			break
		}
	}
	for i, s := range p.sections {
		t.worked[i] = s.mean < low+lowPart*(high-low)
	}
	t.name(p)
	if p.noted {
		t.share, t.doubt = t.share*p.rate.dwell, p.rate.dwellDoubt
	}
	return t
}

// name sets the name of the place, and its stretch. The stretch reaches half way to the next
// section.
func (t *tight) name(p *planner) {
	n := len(p.sections)
	if n == 0 || t.by == 0 {
		return
	}
	first, last := t.worked[0], t.worked[n-1]
	switch {
	case first && last:
		t.where, t.share = Ends, endsShare
	case first:
		t.where = p.in.Form.Face
	case last:
		t.where = p.in.Form.Far
	default:
		t.where = "middle"
	}
	for i := 0; i < n; i++ {
		if !t.worked[i] {
			continue
		}
		from := i
		for i+1 < n && t.worked[i+1] {
			i++
		}
		t.at = append(t.at, p.stretch(from, i))
	}
}

func (p *planner) stretch(from, to int) analysis.Stretch {
	s := analysis.Stretch{From: 0, To: max(p.in.Job.Length, p.sections[to].depth)}
	if from > 0 {
		s.From = (p.sections[from-1].depth + p.sections[from].depth) / 2
	}
	if to+1 < len(p.sections) {
		s.To = (p.sections[to].depth + p.sections[to+1].depth) / 2
	}
	return s
}

// measures lists what to consider for the errors of form (common practice).
func (p *planner) measures(t *tight) []analysis.Phrase {
	var out []analysis.Phrase
	if t.real {
		out = append(out, p.along(t))
	}
	for _, n := range p.in.Form.Named {
		if n.Kind == form.KindOval || n.Kind == form.KindOutOfRound {
			out = append(out, analysis.Say("advise.how.oval"))
			break
		}
	}
	return out
}

func (p *planner) along(t *tight) analysis.Phrase {
	blind := p.in.Job.Blind && t.where == p.in.Form.Far
	switch {
	case blind:
		return analysis.Say("advise.how.blind", form.End(t.where))
	case t.kind == form.KindBellMouth:
		return analysis.Say("advise.how.bell_mouth")
	case t.where == Ends:
		return analysis.Say("advise.how.ends")
	case t.where == "middle":
		return analysis.Say("advise.how.middle")
	case p.in.Job.Blind || p.in.Fixed:
		return analysis.Say("advise.how.fixed", form.End(t.where))
	}
	return analysis.Say("advise.how.turn", form.End(t.where))
}

// minDifference returns how large a difference along the bore must be to be worked on alone. It is
// a fifth of the tolerance, or half of what the drawing allows for variation or taper, whichever is
// less.
func minDifference(j *analysis.Job) float64 {
	w := (j.High - j.Low).Micrometres() / 5
	for _, limit := range []analysis.Deviation{j.Variation, j.Taper} {
		if limit > 0 {
			w = min(w, analysis.Length(limit).Micrometres()/2)
		}
	}
	return w
}
