package view

import (
	"cmp"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/daemon/event"
)

// Needle is where the gauge's tips are now.
type Needle struct {
	Text   string  `json:"text"`
	Above  float64 `json:"um"` // above the low limit, µm
	InBore bool    `json:"in"`
	Known  bool    `json:"known"` // the value is corrected by a mastering
	Hint   string  `json:"hint,omitempty"`
	Passes int     `json:"passes"` // passes through square that count so far
	Marks  int     `json:"marks"`  // marks for passes, at least as many as are wanted
	Count  string  `json:"count,omitempty"`
}

// NeedleOf returns what a gauge shows, in words. j is the job in hand, nil for none.
func NeedleOf(v *event.Live, j *analysis.Job, f notation.Format) Needle {
	n := Needle{InBore: v.InBore, Known: v.Size != 0, Passes: v.Passes, Marks: max(v.Passes, v.Wanted)}
	size := cmp.Or(v.Size, v.Raw)
	n.Text = f.Size(size)
	if !v.Hint.IsZero() {
		n.Hint = Sentence(f.Say(v.Hint))
	}
	switch {
	case n.Marks == 0:
	case v.Passes < v.Wanted:
		n.Count = f.Text("face.passes_of", v.Passes, v.Wanted)
	default:
		n.Count = f.Text("face.passes", v.Passes)
	}
	if j != nil {
		n.Above = (size - j.Low).Micrometres()
	}
	return n
}

// Happened is an event as the page says and sounds it.
type Happened struct {
	Seq  uint64     `json:"seq"` // of the record
	Kind event.Kind `json:"kind"`
	Text string     `json:"text"`
	Good bool       `json:"good"`
}

// Happening returns an event in words.
func Happening(r *event.Record, f notation.Format) Happened {
	h := Happened{Seq: r.Seq, Kind: r.Kind, Good: true}
	switch {
	case r.Reading != nil && r.Reading.Unexpected:
		h.Text, h.Good = f.Say(r.Reading.Ask), false
	case r.Reading != nil && r.Reading.Mastered == 0: // it may be of the ring
		h.Text, h.Good = f.Text("face.happened.no_zero"), false
	case r.Reading != nil:
		h.Text = f.Signed(r.Reading.Deviation) + " " + f.SmallUnit()
	case r.Refused != nil:
		h.Text, h.Good = f.Say(r.Refused.Reason), false
	case r.Kind == event.Voided && r.Void != nil:
		h.Text = f.Text("face.happened.void", r.Void.No)
	case r.Kind == event.Restored && r.Void != nil:
		h.Text = f.Text("face.happened.restored", r.Void.No)
	case r.Kind == event.Kept && r.Void != nil:
		h.Text = f.Text("face.happened.kept", r.Void.No)
	case r.Kind == event.RoundUndone && r.Round != nil:
		h.Text = f.Text("history.round_undone", r.Round.Number)
	case r.Round != nil:
		h.Text = f.Text("face.happened.round", r.Round.Number)
	case r.Verdict != nil:
		h.Good = r.Verdict.Accepted()
	case r.Check != nil:
		h.Text, h.Good = f.Say(r.Check.Sentence), r.Check.Good
	case r.Reread != nil:
		h.Text, h.Good = f.Say(r.Reread.Sentence), r.Reread.Doubt == nil
	case r.Speeds != nil:
		h.Text, h.Good = f.Say(r.Speeds.Sentence), r.Speeds.Good
	}
	return h
}
