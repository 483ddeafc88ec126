package report

import (
	"slices"
	"strconv"
	"strings"

	"fairbore/analysis"
	"fairbore/daemon/document"
	"fairbore/daemon/event"
)

// happened tables what else the reader of a record must know: what was voided and why, what was
// refused, what happened to the gauge. The same event several times in a row has one row.
func (r *record) happened() {
	t := &document.Table{Columns: slices.Concat(words(r.Text("record.when"), r.Text("record.what")), wrapped(r.Text("record.detail")), words(r.Text("record.by")))}
	at := dates{writer: &r.writer}
	var last [3]string
	times := 0
	for _, all := range [][]event.Record{r.Records, r.After} {
		for i := range all {
			e := &all[i]
			what, detail := r.tell(e)
			if what == "" {
				continue
			}
			by := r.source(e.Source)
			if e.Person != "" {
				by = r.did(e)
			}
			row := [3]string{what, detail, orDash(by)}
			if n := len(t.Rows); n > 0 && row == last {
				times++
				t.Rows[n-1][2] = r.Text("record.several", detail, times)
				continue
			}
			last, times = row, 1
			t.Rows = append(t.Rows, []string{at.write(e.At), what, detail, row[2]})
		}
	}
	if t.Rows == nil {
		r.section(r.Text("record.happened"), document.Para(r.Text("record.happened.nothing")))
		return
	}
	r.section(r.Text("record.happened"), t)
}

// tell says what an event is, "" for an event that is elsewhere in the record.
func (r *record) tell(e *event.Record) (what, detail string) {
	switch e.Kind {
	case event.Voided, event.Restored, event.Kept:
		return r.Text("record.told." + string(e.Kind)), r.because(r.reading(e.Void.No), e.Void.Reason)
	case event.Refused:
		return r.Text("record.told.refused"), r.say(e.Refused.Reason)
	case event.Placed:
		if e.Place.Skip {
			return r.Text("record.told.skipped"), r.Place(e.Place.Place)
		}
	case event.RoundUndone:
		return r.Text("record.told.round_undone"), r.Text("record.round", e.Round.Number)
	case event.Superseded:
		return r.Text("record.told.superseded"), r.superseded(e)
	case event.Judged:
		if r.judgement().Seq != e.Seq { // the result that stands is at the top
			return r.Text("record.told.result"), r.because(r.Text("record.told.result_no", analysis.Say("outcome."+outcomeOf(e.Verdict)), strconv.FormatUint(e.Seq, 10)), e.Verdict.Reason)
		}
	case event.PartBegun:
		if c := e.Part.Continues; c != nil {
			return r.Text("record.told.continues"), r.Text("record.told.continues_at", clean(c.Station), strconv.FormatUint(c.Seq, 10))
		}
	case event.Reworked:
		return r.Text("record.told.reworked"), r.reworked(e.Rework)
	case event.Studied:
		return r.Text("record.told.study"), r.say(e.Study.Phrase())
	case event.ClockSet:
		return r.Text("record.told.clock"), r.jump(e.Clock.Jump)
	case event.Flooded:
		return r.Text("record.told.flood"), r.say(e.Flood.Phrase())
	case event.Started:
		return r.Text("record.told.started"), ""
	case event.Configured:
		return r.Text("record.told.settings"), r.say(e.Settings.Phrase())
	case event.FileChanged:
		return r.Text("record.told.file"), r.say(e.File.Phrase())
	case event.PersonNamed:
		return r.Text("record.told.person"), r.working(&e.Event)
	case event.NoteAdded:
		return r.Text("record.told.note"), r.say(e.Noted())
	case event.Taken:
		return r.taken(e.Reading)
	}
	return r.befell(e)
}

// superseded says which result took the place of which.
func (r *record) superseded(e *event.Record) string {
	v := e.Verdict
	said := r.Text("record.told.supersedes", analysis.Say("outcome."+outcomeOf(v)), strconv.FormatUint(e.Seq, 10), strconv.FormatUint(v.Supersedes, 10))
	return r.because(strings.Join(filled(said, r.granted(v)), ", "), v.Reason)
}

// befell does it for what happened to the gauge, the ring and the part.
func (r *record) befell(e *event.Record) (what, detail string) {
	switch e.Kind {
	case event.Disturbed:
		return r.Text("record.told.disturbed"), r.say(e.Noted())
	case event.Dressing:
		return r.Text("record.told.dressed"), r.say(e.Noted())
	case event.Mastering:
		if e.Master.Broken || !e.Master.Why.IsZero() {
			return r.Text("record.told.ring"), r.because(clean(e.Master.Ring.ID), e.Master.Why)
		}
	case event.RingRead:
		if e.Ring.Restart {
			return r.Text("record.told.ring"), r.because(r.Text("record.told.begun_anew"), e.Ring.Why)
		}
	case event.Warmed:
		if e.Warm.Ring != nil { // that of the part is beside the rounds
			return r.Text("record.told.temperature"), r.Text("record.told.ring_warmth", analysis.Number{Value: e.Warm.Ring.Degrees(), Places: 2})
		}
	case event.Cooled:
		return r.Text("record.told.temperature"), r.say(e.Cool.Phrase())
	case event.SpeedsChecked:
		return r.Text("record.told.sped"), r.Text("record.told.sped_ring", clean(e.Speeds.Ring), r.say(e.Speeds.Sentence))
	case event.GaugeSeen:
		what = r.Text("record.told.gauge_found")
		if e.Gauge.Lost {
			what = r.Text("record.told.gauge_lost")
		}
		return what, r.because(clean(e.Gauge.Name), e.Gauge.Why)
	}
	return "", ""
}

// taken does it for a reading that was not taken in the usual way.
func (r *record) taken(x *event.Reading) (what, detail string) {
	switch {
	case x.Mastered == 0:
		return r.Text("record.told.no_zero"), r.Text("record.told.not_counted", x.No, x.Place)
	case x.Unexpected:
		return r.Text("record.told.surprising"), r.Text("record.told.expected", x.No, analysis.Size(x.Expected), 2*x.ExpectedU, r.say(x.Ask))
	case !x.Ask.IsZero():
		return r.Text("record.told.questioned"), r.Text("record.told.asked", x.No, r.say(x.Ask))
	case x.How == "manual":
		return r.Text("record.told.by_hand"), r.Text("record.told.reading_at", x.No, x.Place)
	}
	return "", ""
}

// jump formats by how many seconds a clock was set.
func (w *writer) jump(seconds float64) string {
	s := analysis.Number{Value: seconds, Places: 1}
	if seconds > 0 {
		return w.Text("record.told.clock_on", s)
	}
	return w.Text("record.told.clock_back", s)
}

// reading names the reading with a number.
func (r *record) reading(no int) string {
	for _, x := range r.fold.Readings {
		if x.No == no {
			return r.Text("record.told.reading", no, analysis.Size(x.Size), x.Place, x.Round)
		}
	}
	return r.Text("record.told.reading_no", no)
}

func (w *writer) reworked(x *event.Rework) string {
	parts := make([]string, len(x.Values))
	for i, v := range x.Values {
		parts[i] = w.Text("record.told.rework", v.No, analysis.Size(v.Was), analysis.Size(v.Now), v.Within)
	}
	return w.Text("record.told.reworks", strings.Join(parts, "; "))
}

// limits tables the limits in force and their changes.
func (w *writer) limits(taken []event.Record, now *analysis.Job) document.Block {
	t := &document.Table{Columns: slices.Concat(
		words(w.Text("record.from_time"), w.Text("record.station"), w.Text("record.drawing_revision")), numbers(w.Text("record.low_limit"), w.Text("record.high_limit"), w.Text("record.target"), w.Text("record.variation_in", w.MicroUnit())),
		wrapped(w.Text("record.changed")), words(w.Text("record.by")))}
	var before *analysis.Job
	for i := range taken {
		j := taken[i].Job
		if j == nil || j.ID != now.ID {
			continue
		}
		changed := w.Text("record.changed.first")
		if before != nil {
			if changed = strings.Join(w.changes(before, j), "; "); changed == "" {
				continue
			}
		}
		before = j
		t.Rows = append(t.Rows, []string{
			w.Second(taken[i].At), clean(taken[i].Station), orDash(clean(j.Revision)), w.Digits(j.Low), w.Digits(j.High), w.Digits(j.Target),
			w.most(j.Variation), changed, orDash(w.source(taken[i].Source)),
		})
	}
	switch len(t.Rows) {
	case 0:
		return document.Para(w.Text("record.limits.throughout", analysis.Size(now.Low), analysis.Size(now.High)))
	case 1:
		t.Notes = []string{w.Text("record.limits.same", w.spelt())}
	default:
		t.Notes = []string{w.Text("record.limits.kept", w.spelt())}
	}
	return t
}

// most formats the largest form error allowed, a dash if it is not limited.
func (w *writer) most(d analysis.Deviation) string {
	if d == 0 {
		return none
	}
	return w.Micro(d)
}

// changes says how the drawing differs from the one before.
func (w *writer) changes(a, b *analysis.Job) (s []string) {
	say := func(differs bool, text string) {
		if differs {
			s = append(s, text)
		}
	}
	say(a.Revision != b.Revision, w.Text("record.changed.revision", orDash(clean(a.Revision)), orDash(clean(b.Revision))))
	say(a.Low != b.Low, w.Text("record.changed.low", analysis.Size(a.Low)))
	say(a.High != b.High, w.Text("record.changed.high", analysis.Size(a.High)))
	say(a.Target != b.Target, w.Text("record.changed.target", analysis.Size(a.Target)))
	say(a.Variation != b.Variation, w.Text("record.changed.variation", a.Variation))
	say(a.Taper != b.Taper, w.Text("record.changed.taper", a.Taper))
	say(a.Ovality != b.Ovality, w.Text("record.changed.ovality", a.Ovality))
	say(a.Ring != b.Ring, w.Text("record.changed.ring", clean(a.Ring)))
	return s
}
