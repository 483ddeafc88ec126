package report

import (
	"slices"
	"strconv"
	"strings"
	"time"

	"fairbore/analysis"
	"fairbore/daemon/document"
	"fairbore/daemon/event"
)

// masters returns the masterings that the part's readings are based on, and those made while the
// part was in hand.
func (r *record) masters() (out []event.Record) {
	for _, all := range [][]event.Record{r.Before, r.Records} {
		for i := range all {
			if all[i].Kind == event.Mastered && all[i].Master != nil {
				out = append(out, all[i])
			}
		}
	}
	return out
}

// looks returns the masterings and checks in order, including the one after the part.
func (r *record) looks() (out []event.Record) {
	for _, all := range [][]event.Record{r.Before, r.Records, r.After} {
		for i := range all {
			if look(&all[i].Event) {
				out = append(out, all[i])
			}
		}
	}
	return out
}

// look reports whether an event completes a reading of a ring.
func look(e *event.Event) bool {
	return e.Kind == event.Mastered && e.Master != nil || e.Kind == event.Checked && e.Check != nil || e.Kind == event.Reread && e.Reread != nil
}

// zero tables the readings of rings, and the rings.
func (r *record) zero() {
	looks := r.looks()
	r.section(r.Text("record.zero.of_gauge"))
	if len(looks) == 0 {
		r.doc.Add(document.Para(r.Text("record.zero.no_ring_own")))
		return
	}
	r.doc.Add(r.looksTable(looks, false))
	if after := r.Bore.Master.CheckAfter; !after.IsZero() {
		r.doc.Add(document.Para(r.say(after)))
	}
	r.doc.Add(r.ringsTable(looks))
	if t := r.gaugesTable(looks); t != nil {
		r.doc.Add(t)
	}
}

func (w *writer) looksTable(looks []event.Record, stations bool) *document.Table {
	t := &document.Table{Columns: words(w.Text("record.when"), w.Text("record.what"), w.Text("record.ring"), w.Text("record.gauge"))}
	if stations {
		t.Columns = append(t.Columns, words(w.Text("record.station"))...)
	}
	t.Columns = slices.Concat(t.Columns, numbers(w.Text("record.read"), w.Text("record.spread"), w.Text("record.zero"), w.Text("record.moved"), w.Text("record.error"), w.Text("record.limit")), wrapped(w.Text("record.outcome")))
	at := dates{writer: w}
	for i := range looks {
		t.Rows = append(t.Rows, w.lookRow(&looks[i], at.write(looks[i].At), stations))
	}
	t.Notes = []string{w.Text("record.note.zero")}
	return t
}

// lookRow returns the row of a reading of a ring, in µm.
func (w *writer) lookRow(e *event.Record, at string, stations bool) []string {
	what, gauge, n, spread := "", "", 0, analysis.Deviation(0)
	zero, moved, off, limit, outcome := none, none, none, none, ""
	um := w.metric()
	switch m, x, c := e.Master, e.Reread, e.Check; {
	case e.Kind == event.Mastered && m.BySecond() != nil:
		what, gauge, n, spread = w.Text("record.look.second_ring"), m.Gauge, len(m.Gain.Raw), m.Gain.Spread
		zero, outcome = um.SignedMicro(m.Zero), w.gainOutcome(m)
	case e.Kind == event.Mastered:
		what, gauge, n, spread = w.Text("record.look.mastered"), m.Gauge, m.Of, m.Spread
		zero, outcome = um.SignedMicro(m.Zero), w.masterOutcome(m)
		if m.Number > 1 {
			moved = um.SignedMicro(m.Moved)
		}
	case x != nil:
		what, gauge, n, spread = w.Text("record.look.reread"), x.Gauge, x.N, x.Spread
		off, limit, outcome = um.SignedMicro(x.Error), um.Micro(x.Limit), w.rereadOutcome(x)
	default:
		what, gauge, n, spread = w.Text("record.look.checked"), c.Gauge, c.N, c.Spread
		off, limit, outcome = um.SignedMicro(c.Error), um.Micro(c.Limit), w.checkOutcome(c)
	}
	row := []string{at, what, clean(ringOf(e).ID), clean(gauge)}
	if stations {
		row = append(row, clean(e.Station))
	}
	return append(row, strconv.Itoa(n), um.Micro(spread), zero, moved, off, limit, outcome)
}

// gainOutcome says what a second ring showed.
func (w *writer) gainOutcome(m *event.Master) string {
	ratio, u := analysis.Number{Value: m.Gain.Ratio, Places: 4}, analysis.Number{Value: m.Gain.U, Places: 4}
	if !m.Gain.Used() {
		return w.Text("record.look.gain_not_shown", ratio, u, m.Number)
	}
	return w.Text("record.look.gain_set", ratio, u, m.Number)
}

// masterOutcome says what a mastering set, the gain that stays in force, and how the gauge
// scattered at rest before it, if that was measured.
func (w *writer) masterOutcome(m *event.Master) string {
	said := []string{w.Text("record.look.zero_set", m.Number)}
	if m.Gain.Used() {
		said = append(said, w.Text("record.look.gain_kept", analysis.Number{Value: m.Gain.Ratio, Places: 4}, m.Gain.By))
	}
	if m.Noise != nil {
		said = append(said, w.Text("record.look.noise", m.Noise.SD))
	}
	return strings.Join(said, "; ")
}

func (w *writer) checkOutcome(c *event.ZeroCheck) string {
	switch {
	case !c.Valid:
		return w.Text("record.look.not_told", w.say(c.Sentence))
	case c.Good:
		return w.Text("record.look.holds")
	}
	said := []string{w.Text("record.look.failed")}
	if c.Suspect != "" {
		said = append(said, w.Text("record.look.suspect", c.Suspect.Phrase()))
	}
	return strings.Join(append(said, w.inDoubt(c.Doubt)...), "; ")
}

// rereadOutcome says what size the ring had when it was read as a part.
func (w *writer) rereadOutcome(x *event.Rereading) string {
	switch size := analysis.Size(x.Size); {
	case !x.Valid:
		return w.Text("record.look.not_told", w.say(x.Sentence))
	case x.Agrees:
		return w.Text("record.look.agrees", size, x.Within)
	case x.Good:
		return w.Text("record.look.beyond", size, x.Within)
	default:
		return strings.Join(append([]string{w.Text("record.look.came_off", size)}, w.inDoubt(x.Doubt)...), "; ")
	}
}

// inDoubt says what a failed check puts in doubt.
func (w *writer) inDoubt(d *event.InDoubt) (said []string) {
	if d == nil {
		return nil
	}
	said = append(said, w.Text("record.look.in_doubt", d.Readings, d.Since))
	if len(d.Parts) > 0 {
		said = append(said, w.Text("record.look.finished_since", strings.Join(cleaned(d.Parts), ", ")))
	}
	return said
}

// ringsTable lists the rings that were read, what their certificates say, and whether each was in
// date on that day.
func (w *writer) ringsTable(looks []event.Record) *document.Table {
	t := &document.Table{Columns: slices.Concat(
		words(w.Text("record.ring")), numbers(w.Text("record.certified", w.Large().String()), w.Beside().Large().String(), w.Text("record.u", analysis.UM.String())),
		wrapped(w.Text("record.certificate")), words(w.Text("record.due"), w.Text("record.in_date")))}
	type key struct {
		id   string
		size analysis.Length
		due  time.Time
	}
	um := w.metric()
	seen := map[key]bool{}
	for i := range looks {
		ring := ringOf(&looks[i])
		k := key{ring.ID, ring.Size, ring.Due}
		if seen[k] {
			continue
		}
		seen[k] = true
		t.Rows = append(t.Rows, []string{
			clean(ring.ID), w.Certified(ring.Size), w.Beside().Certified(ring.Size), um.Micro(ring.U), w.certificate(ring.Certified), w.due(ring.Due), w.inDate(ring.Due, looks[i].At),
		})
	}
	t.Notes = []string{w.Text("record.note.rings")}
	return t
}

// gaugesTable lists the gauges with what was stated of their calibration when a zero was set, nil
// if no zero was set.
func (w *writer) gaugesTable(looks []event.Record) *document.Table {
	t := &document.Table{Columns: slices.Concat(words(w.Text("record.gauge")), wrapped(w.Text("record.certificate")), words(w.Text("record.due"), w.Text("record.in_date")))}
	type key struct {
		gauge, certified, inDate string
		due                      time.Time
	}
	seen := map[key]bool{}
	for i := range looks {
		m := looks[i].Master
		if m == nil {
			continue
		}
		k := key{m.Gauge, m.GaugeCertified, w.inDate(m.GaugeDue, looks[i].At), m.GaugeDue}
		if seen[k] {
			continue
		}
		seen[k] = true
		t.Rows = append(t.Rows, []string{clean(k.gauge), w.certificate(k.certified), w.due(k.due), k.inDate})
	}
	if t.Rows == nil {
		return nil
	}
	t.Notes = []string{w.Text("record.note.gauges")}
	return t
}

func ringOf(e *event.Record) *analysis.Ring {
	if e.Kind == event.Mastered {
		if g := e.Master.BySecond(); g != nil {
			return &g.Ring
		}
		return &e.Master.Ring
	}
	if e.Reread != nil {
		return &e.Reread.Ring
	}
	return &e.Check.Ring
}

func (w *writer) certificate(name string) string {
	if name == "" {
		return w.Text("record.not_stated")
	}
	return clean(name)
}

func (w *writer) due(at time.Time) string {
	if at.IsZero() {
		return w.Text("record.not_stated")
	}
	return w.Day(at)
}

// inDate says whether something with a calibration due on a day was in date when it was used.
func (w *writer) inDate(due, used time.Time) string {
	if due.IsZero() {
		return w.Text("record.not_known")
	}
	days := int(due.Sub(used).Hours() / 24)
	switch {
	case analysis.Overdue(due, used):
		return w.Text("record.in_date.overdue", analysis.Day(due))
	case days < 30:
		return w.Text("record.in_date.due_in", days)
	}
	return w.Text("record.in_date.yes")
}
