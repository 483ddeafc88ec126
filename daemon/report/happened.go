package report

import (
	"fmt"
	"strconv"
	"strings"

	"fairbore/analysis"
	"fairbore/daemon/document"
	"fairbore/daemon/event"
)

// happened tables what a reader of the record has to know besides: what was struck
// out and why, what was refused, what came to the gauge.
func (r *record) happened() {
	t := &document.Table{Columns: []document.Column{{Head: "at", Left: true}, {Head: "what", Left: true}, {Head: "detail", Left: true, Wrap: true}, {Head: "by", Left: true}}}
	date, last := "", []string(nil)
	times := 0
	for _, all := range [][]event.Record{r.Records, r.After} {
		for i := range all {
			e := &all[i]
			what, detail := r.tell(e)
			if what == "" {
				continue
			}
			by := orDash(clean(e.Source))
			if last != nil && last[1] == what && last[3] == by && strip(last[2], times) == detail {
				times++
				last[2] = detail + times2(times)
				continue
			}
			when := clock(e.At)
			if d := day(e.At); d != date {
				date, when = d, d+" "+when
			}
			last, times = []string{when, what, detail, by}, 1
			t.Rows = append(t.Rows, last)
		}
	}
	r.doc.Add(document.Heading("What else happened"))
	if t.Rows == nil {
		r.doc.Add(document.Para("Nothing was struck out, refused or skipped."))
		return
	}
	r.doc.Add(t)
}

// times2 says that the same came more than once.
func times2(n int) string {
	if n < 2 {
		return ""
	}
	return " (" + strconv.Itoa(n) + " times)"
}

func strip(s string, n int) string { return strings.TrimSuffix(s, times2(n)) }

// tell says what an event is, "" for those that stand elsewhere in the record.
func (r *record) tell(e *event.Record) (what, detail string) {
	switch e.Kind {
	case event.Voided:
		return "struck out", fmt.Sprintf("reading %d%s: %s", e.Void.No, r.reading(e.Void.No), clean(english(e.Void.Reason)))
	case event.Restored:
		return "put back", fmt.Sprintf("reading %d%s: %s", e.Void.No, r.reading(e.Void.No), orDash(clean(english(e.Void.Reason))))
	case event.Kept:
		return "kept", fmt.Sprintf("reading %d%s%s", e.Void.No, r.reading(e.Void.No), colon(clean(english(e.Void.Reason))))
	case event.Refused:
		return "refused", clean(english(e.Refused.Reason))
	case event.Placed:
		if e.Place.Skip {
			return "skipped", where(e.Place.Place, r.unit)
		}
	case event.Reworked:
		return "new values", reworked(e.Rework, r.unit)
	case event.Disturbed:
		return "gauge disturbed", clean(english(e.Noted()))
	case event.Mastering:
		if e.Master.Broken || !e.Master.Why.IsZero() {
			return "ring reading", clean(e.Master.Ring.ID + colon(english(e.Master.Why)))
		}
	case event.RingRead:
		if e.Ring.Restart {
			return "ring reading", clean("begun anew" + colon(english(e.Ring.Why)))
		}
	case event.Warmed:
		if e.Warm.Ring != nil { // the part's stands by the rounds
			return "temperature", fmt.Sprintf("ring %.2f °C", e.Warm.Ring.Degrees())
		}
	case event.Sped:
		return "rocked slowly, then fast", clean("ring " + e.Speeds.Ring + ": " + english(e.Speeds.Sentence))
	case event.Cooled:
		return "temperature", clean(english(e.Cool.Phrase()))
	case event.Studied:
		return "gauge study", clean(english(e.Study.Phrase()))
	case event.GaugeSeen:
		return map[bool]string{true: "gauge lost", false: "gauge found"}[e.Gauge.Lost], clean(e.Gauge.Name + colon(english(e.Gauge.Why)))
	case event.ClockSet:
		return "clock set", fmt.Sprintf("%s s", minus(fmt.Sprintf("%+.1f", e.Clock.Jump)))
	case event.Started:
		return "program started", orDash(clean(e.Note))
	case event.Told:
		return "note", clean(e.Note)
	case event.Taken:
		switch {
		case e.Reading.Surprising:
			return "surprising", clean(fmt.Sprintf("reading %d, expected %s ± %s %s: %s", e.Reading.No, both(e.Reading.Expected, r.unit), fineOf(2*e.Reading.ExpectedU, r.unit), fine(r.unit), e.Reading.Ask))
		case !e.Reading.Ask.IsZero():
			return "place questioned", clean(fmt.Sprintf("reading %d: %s", e.Reading.No, e.Reading.Ask))
		case e.Reading.How == "manual":
			return "taken by hand", fmt.Sprintf("reading %d, %s", e.Reading.No, where(e.Reading.Place, r.unit))
		case e.Reading.Mastered == 0:
			return "without a zero", fmt.Sprintf("reading %d, %s: not counted", e.Reading.No, where(e.Reading.Place, r.unit))
		}
	}
	return "", ""
}

// reading says what reading a number is.
func (r *record) reading(no int) string {
	for _, x := range r.fold.Readings {
		if x.No == no {
			return fmt.Sprintf(", %s at %s, round %d", both(x.Size, r.unit), where(x.Place, r.unit), x.Round)
		}
	}
	return ""
}

func reworked(w *event.Rework, u analysis.Unit) string {
	parts := make([]string, len(w.Values))
	for i, v := range w.Values {
		parts[i] = fmt.Sprintf("%d: %s → %s %s ± %s %s", v.No, size(v.Was, u), size(v.Now, u), large(u), fineOf(v.Within, u), fine(u))
	}
	return "if the zero moved evenly, reading " + strings.Join(parts, "; ")
}

// limits tables the limits in force and their changes.
func (r *record) limits() {
	r.doc.Add(document.Heading("Limits in force"), limitsTable(r.Limits, r.job))
}

func limitsTable(taken []event.Record, now *analysis.Job) document.Block {
	u := now.Unit
	t := &document.Table{Columns: []document.Column{
		{Head: "from", Left: true}, {Head: "station", Left: true}, {Head: "revision", Left: true}, {Head: "low limit"}, {Head: "high limit"}, {Head: "target"},
		{Head: "variation, " + fine(u).String()}, {Head: "what changed", Left: true, Wrap: true}, {Head: "by", Left: true},
	}}
	var before *analysis.Job
	for i := range taken {
		j := taken[i].Job
		if j == nil || j.ID != now.ID {
			continue
		}
		changed := "first taken up"
		if before != nil {
			if changed = strings.Join(changes(before, j), "; "); changed == "" {
				continue
			}
		}
		before = j
		t.Rows = append(t.Rows, []string{
			day(taken[i].At) + " " + clock(taken[i].At), clean(taken[i].Station), orDash(clean(j.Revision)), size(j.Low, u), size(j.High, u), size(j.Target, u),
			variation(j), changed, orDash(clean(taken[i].Source)),
		})
	}
	if t.Rows == nil {
		return document.Para(fmt.Sprintf("From %s to %s, as in this record throughout.", both(now.Low, u), both(now.High, u)))
	}
	if len(t.Rows) == 1 {
		t.Notes = []string{"Not changed since. Sizes in " + spelt(u) + "."}
	} else {
		t.Notes = []string{"Sizes in " + spelt(u) + ". A part keeps the limits that were in force when its job was taken up."}
	}
	return t
}

func variation(j *analysis.Job) string {
	if j.Variation == 0 {
		return "–"
	}
	return fineOf(j.Variation, j.Unit)
}

// changes says what the drawing asks for otherwise than before.
func changes(a, b *analysis.Job) (s []string) {
	if a.Revision != b.Revision {
		s = append(s, fmt.Sprintf("revision %s to %s", orDash(clean(a.Revision)), orDash(clean(b.Revision))))
	}
	for _, x := range []struct {
		what     string
		was, now analysis.Length
	}{{"low limit", a.Low, b.Low}, {"high limit", a.High, b.High}, {"target", a.Target, b.Target}} {
		if x.was != x.now {
			s = append(s, fmt.Sprintf("%s was %s", x.what, size(x.was, b.Unit)))
		}
	}
	for _, x := range []struct {
		what     string
		was, now analysis.Deviation
	}{{"size variation", a.Variation, b.Variation}, {"taper", a.Taper, b.Taper}, {"out-of-round", a.Ovality, b.Ovality}} {
		if x.was != x.now {
			s = append(s, fmt.Sprintf("%s was %s %s", x.what, fineOf(x.was, b.Unit), fine(b.Unit)))
		}
	}
	if a.Ring != b.Ring {
		s = append(s, fmt.Sprintf("ring was %s", clean(a.Ring)))
	}
	return s
}
