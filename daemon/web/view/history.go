package view

import (
	"cmp"
	"slices"
	"strconv"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/analysis/verdict"
	"fairbore/daemon/event"
	"fairbore/daemon/state"
)

// VerdictTone returns the tone of a verdict, which may be nil.
func VerdictTone(v *event.Verdict) Tone {
	switch {
	case v == nil:
		return None
	case v.Accepted():
		return Safe
	case v.Outcome == event.Scrapped:
		return Danger
	}
	return Watch
}

// VerdictWord returns the code of a verdict's word. The verdict may be nil.
func VerdictWord(v *event.Verdict) string {
	if v == nil {
		return "outcome.unfinished"
	}
	return "outcome." + string(v.Outcome)
}

// HistoryLine is a reading, or a fact between the readings, of a record.
type HistoryLine struct {
	At    string
	Round int
	No    int
	Where string
	Size  string
	Dev   string
	How   string
	Not   string // why it does not count, "" if it counts
	Void  bool   // it does not count, and not only because another one replaced it
	Note  string // a fact that is not a reading
	// Person is who worked at the station, "" where nobody was asked for.
	Person string
}

// Facts returns what was found about a bore, each with its name.
func Facts(b *state.Bore, f notation.Format) (out [][2]string) {
	add := func(what, is string) { out = append(out, [2]string{f.Text("history.fact." + what), is}) }
	add("low", f.Size(b.Job.Low))
	add("high", f.Size(b.Job.High))
	if z := b.Sizes; z != nil {
		add("smallest", f.Text("history.size_at", analysis.Size(z.Smallest.Size), z.Smallest.Place))
		add("largest", f.Text("history.size_at", analysis.Size(z.Largest.Size), z.Largest.Place))
		add("variation", f.Small(z.Variation)+" "+f.SmallUnit())
	}
	if b.U != nil {
		add("uncertainty", "±"+f.Small(b.U.Expanded)+" "+f.SmallUnit()+", k = "+f.Decimal(b.U.K, 2))
	}
	if j := b.Judged; j != nil && j.Sizes.Smallest != nil {
		add("chance", f.Text("history.chance", j.Sizes.Smallest.Chance.Phrase(), j.Sizes.Largest.Chance.Phrase()))
	}
	if v := b.Verdict; v != nil {
		add("reason", f.Say(v.Reason))
		if v.Outcome == event.Conceded {
			add("concession", f.Text("record.concession", v.Number, v.GrantedBy))
		}
		add("rule", f.Say(verdict.Rule(v.Rule).Phrase()))
	}
	add("ring", b.Master.Ring)
	for _, w := range b.Words {
		add("form", f.Say(w))
	}
	return append(out, papers(b, f)...)
}

// papers returns what stands on the papers of job and part, each with its name.
func papers(b *state.Bore, f notation.Format) (out [][2]string) {
	j, p := &b.Job.Papers, &analysis.PartPapers{}
	if b.Part != nil {
		p = &b.Part.PartPapers
	}
	for _, x := range [...][2]string{
		{"drawing", j.Drawing}, {"part_number", j.PartNumber}, {"order", cmp.Or(p.Order, j.Order)}, {"customer", j.Customer}, {"operation", j.Operation}, {"heat", p.Heat},
		{"balloon_size", j.Balloons.Size}, {"balloon_variation", j.Balloons.Variation}, {"balloon_ovality", j.Balloons.Ovality}, {"balloon_taper", j.Balloons.Taper},
	} {
		if x[1] != "" {
			out = append(out, [2]string{f.Text("history.fact." + x[0]), x[1]})
		}
	}
	for _, own := range slices.Concat(j.Fields, p.Fields) {
		out = append(out, [2]string{own.Name, own.Value})
	}
	return out
}

// Lines returns the lines of the events of a part, of which fold is the state in the end. Each
// reading says whether it counts.
//
// Each line has who worked at the station, as name says an id.
func Lines(events []event.Record, fold *state.Fold, f notation.Format, name func(id string) string) (out []HistoryLine) {
	for i := range events {
		e := &events[i].Event
		l := HistoryLine{At: e.At.Format("15:04:05")}
		if r := e.Reading; e.Kind == event.Taken && r != nil {
			l.Round, l.No, l.Where, l.How = r.Round, r.No, f.Place(r.Place), f.Text("history.how."+r.How)
			l.Size, l.Dev, l.Person = f.Size(r.Size), f.Signed(r.Deviation), name(e.Person)
			if why := fold.NotCounted(r); !why.IsZero() {
				l.Not, l.Void = f.Text("history.not_counted", why), why.Code != state.MeasuredAgain
			}
			out = append(out, l)
			if r.Unexpected {
				out = append(out, HistoryLine{At: l.At, Note: f.Say(r.Ask)})
			}
			continue
		}
		if l.Note = note(e, f); l.Note != "" {
			l.Person = name(e.Person)
			if e.Verdict != nil && e.Source == "broker" { // nobody pressed it there
				l.Person = f.Text("history.by_broker", l.Person)
			}
			if v := e.Verdict; v != nil && v.SignedBy != "" {
				l.Person = f.Text("history.signed", l.Person, name(v.SignedBy))
			}
			out = append(out, l)
		}
	}
	return out
}

// note returns the text of an event that is not a reading, "" if it is not shown.
func note(e *event.Event, f notation.Format) string {
	small := func(d analysis.Deviation) string { return f.Signed(d) + " " + f.SmallUnit() }
	switch e.Kind {
	case event.RoundOver:
		return f.Text("history.round", e.Round.Number, e.Round.Strokes)
	case event.RoundUndone:
		return f.Text("history.round_undone", e.Round.Number)
	case event.Mastered:
		if g := e.Master.BySecond(); g != nil {
			return f.Text("history.second_ring", g.Ring.ID, g.Sentence)
		}
		return f.Text("history.mastered", e.Master.Ring.ID, small(e.Master.Zero), small(e.Master.Moved))
	case event.Checked:
		return f.Text("history.check", e.Check.Sentence)
	case event.SpeedsChecked:
		return f.Text("history.speeds", e.Speeds.Sentence)
	case event.Reread:
		return f.Text("history.reread", e.Reread.Sentence)
	case event.Refused:
		return f.Text("history.refused", e.Refused.Reason)
	case event.Disturbed, event.Dressing, event.NoteAdded:
		return f.Say(e.Noted())
	case event.Flooded:
		return f.Say(e.Flood.Phrase())
	case event.Configured:
		return f.Say(e.Settings.Phrase())
	case event.FileChanged:
		return f.Say(e.File.Phrase())
	case event.Cooled:
		return f.Say(e.Cool.Phrase())
	case event.PersonNamed:
		return named(e, f)
	case event.Studied:
		return f.Say(e.Study.Phrase())
	case event.Voided, event.Restored, event.Kept:
		return struck(e, f)
	case event.Judged:
		return f.Text("history.judged", analysis.Say(VerdictWord(e.Verdict)), e.Verdict.Reason)
	case event.Superseded:
		return f.Text("history.superseded", analysis.Say(VerdictWord(e.Verdict)), strconv.FormatUint(e.Verdict.Supersedes, 10), e.Verdict.Reason)
	case event.PartBegun:
		if c := e.Part.Continues; c != nil {
			return f.Text("history.continues", c.Station, strconv.FormatUint(c.Seq, 10))
		}
	case event.GaugeSeen:
		if e.Gauge.Lost {
			return f.Text("history.gauge_lost")
		}
	}
	return ""
}

// named says that somebody works at the station from then on, or nobody.
func named(e *event.Event, f notation.Format) string {
	switch {
	case e.Person == "":
		return f.Text("history.person.off")
	case e.Working.Readings > 0:
		return f.Text("history.person.mine", e.Working.Readings)
	}
	return f.Text("history.person.on")
}

// struck says that a reading was voided, or counts.
func struck(e *event.Event, f notation.Format) string {
	switch {
	case e.Kind == event.Voided:
		return f.Text("history.void", e.Void.No, e.Void.Reason)
	case e.Kind == event.Restored:
		return f.Text("history.restored", e.Void.No)
	case e.Void.Reason.IsZero():
		return f.Text("history.kept", e.Void.No)
	}
	return f.Text("history.kept_because", e.Void.No, e.Void.Reason)
}
