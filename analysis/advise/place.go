package advise

import (
	"math"

	"fairbore/analysis"
	"fairbore/analysis/form"
)

// How much of the full rate short strokes bring to the rest of the bore. The
// stone is about two thirds of the bore's length or more, so it cuts there too
// (common practice; the figure is a guess, so it has a wide spread).
const (
	restShare  = 0.5
	restSpread = 0.15
	restLeast  = 0.35 // the best that can be hoped for
	// Strokes at both ends by turns give each of them half of its own and the
	// rest's half of the other's.
	endsShare = (1 + restShare) / 2
	// Short strokes dwell, and may cut faster than long ones (common practice).
	dwellSpread = 0.30
	dwellLeast  = 0.15 // from round to round
)

// Ends is where a bore is tight that is so at both of its ends.
const Ends = "ends"

// tight is where a bore is tight along its length.
type tight struct {
	where  string // the name of an end, "ends" or "middle"
	at     []analysis.Stretch
	worked []bool // by section
	by     float64
	kind   form.Kind
	share  float64 // of the full rate that the worked sections get
	doubt  float64 // relative standard deviation of that
	// real: larger than the gauge makes out of nothing.
	real bool
}

// lowPart is the part of the difference, from the smallest section mean up, in
// which a section counts as tight.
const lowPart = 1.0 / 3

// findTight looks for the low part of the profile: the sections in the lower
// third between the smallest and the largest section mean.
func (p *planner) findTight() tight {
	t := tight{share: 1, doubt: dwellSpread, worked: make([]bool, len(p.secs))}
	low, high := math.Inf(1), math.Inf(-1)
	for _, s := range p.secs {
		low, high = min(low, s.mean), max(high, s.mean)
	}
	t.by = high - low
	for _, n := range p.in.Form.Named {
		if n.Kind != form.KindOval && n.Kind != form.KindOutOfRound {
			t.kind, t.real = n.Kind, t.by > 0
			break
		}
	}
	for i, s := range p.secs {
		t.worked[i] = s.mean < low+lowPart*(high-low)
	}
	t.name(p)
	if p.noted {
		t.share, t.doubt = t.share*p.rate.dwell, p.rate.dwellDoubt
	}
	return t
}

// name fills in the name of the place and the stretch of it, which reaches half
// way to the next section.
func (t *tight) name(p *planner) {
	n := len(p.secs)
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
	s := analysis.Stretch{From: 0, To: max(p.in.Job.Length, p.secs[to].depth)}
	if from > 0 {
		s.From = (p.secs[from-1].depth + p.secs[from].depth) / 2
	}
	if to+1 < len(p.secs) {
		s.To = (p.secs[to].depth + p.secs[to+1].depth) / 2
	}
	return s
}

// how lists what to consider for the errors that the form shows (common practice).
func (p *planner) how(t *tight) []analysis.Phrase {
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

// worth is how large a difference along the bore must be to be worked at by
// itself: a fifth of the tolerance, or half of what the drawing lets the sizes
// or the taper differ, whichever is less.
func worth(j *analysis.Job) float64 {
	w := (j.High - j.Low).Micrometres() / 5
	for _, limit := range []analysis.Deviation{j.Variation, j.Taper} {
		if limit > 0 {
			w = min(w, analysis.Length(limit).Micrometres()/2)
		}
	}
	return w
}
