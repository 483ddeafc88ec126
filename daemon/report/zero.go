package report

import (
	"fmt"
	"strconv"
	"time"

	"fairbore/analysis"
	"fairbore/daemon/document"
	"fairbore/daemon/event"
)

// masters returns the masterings that the part's readings rest on, and those made
// while it was in hand.
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

// looks returns the masterings and checks in order, that after the part included.
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

// look reports whether an event is a look at a ring that came to an end.
func look(e *event.Event) bool {
	return e.Kind == event.Mastered && e.Master != nil || e.Kind == event.Checked && e.Check != nil || e.Kind == event.Reread && e.Reread != nil
}

// zero tables the looks at rings, and the rings.
func (r *record) zero() {
	looks := r.looks()
	r.doc.Add(document.Heading("Zero of the gauge"))
	if len(looks) == 0 {
		r.doc.Add(document.Para("No ring was read: the sizes are the gauge's own."))
		return
	}
	r.doc.Add(looksTable(looks, false))
	if after := r.Bore.Master.CheckAfter; !after.IsZero() {
		r.doc.Add(document.Para(clean(english(after))))
	}
	r.doc.Add(ringsTable(looks, r.unit))
	if t := gaugesTable(looks); t != nil {
		r.doc.Add(t)
	}
}

func looksTable(looks []event.Record, stations bool) *document.Table {
	t := &document.Table{Columns: []document.Column{{Head: "at", Left: true}, {Head: "what", Left: true}, {Head: "ring", Left: true}, {Head: "gauge", Left: true}}}
	if stations {
		t.Columns = append(t.Columns, document.Column{Head: "station", Left: true})
	}
	t.Columns = append(t.Columns, numbers("read", "spread", "zero", "moved", "error", "limit")...)
	t.Columns = append(t.Columns, document.Column{Head: "outcome", Left: true, Wrap: true})
	date := ""
	for i := range looks {
		t.Rows = append(t.Rows, lookRow(&looks[i], &date, stations))
	}
	t.Notes = []string{"µm. Zero: what is added to what the gauge shows. Error: the ring as read less its certified size, with the zero left alone."}
	return t
}

// lookRow writes a look at a ring; the date stands where it changes.
func lookRow(e *event.Record, date *string, stations bool) []string {
	when := clock(e.At)
	if d := day(e.At); d != *date {
		*date, when = d, d+" "+when
	}
	var row, tail []string
	if m := e.Master; e.Kind == event.Mastered && m.BySecond() != nil {
		row = []string{when, "second ring", clean(m.Gain.Ring.ID), clean(m.Gauge)}
		tail = []string{strconv.Itoa(len(m.Gain.Raw)), um(m.Gain.Spread), signed(m.Zero), "–", "–", "–", gainOutcome(m)}
	} else if e.Kind == event.Mastered {
		row = []string{when, "mastered", clean(m.Ring.ID), clean(m.Gauge)}
		moved := "–"
		if m.Number > 1 {
			moved = signed(m.Moved)
		}
		tail = []string{strconv.Itoa(m.Of), um(m.Spread), signed(m.Zero), moved, "–", "–", "zero set, no. " + strconv.Itoa(m.Number) + keptGain(m) + noise(m)}
	} else if x := e.Reread; x != nil {
		row = []string{when, "re-read as a part", clean(x.Ring.ID), clean(x.Gauge)}
		tail = []string{strconv.Itoa(x.N), um(x.Spread), "–", "–", signed(x.Error), um(x.Limit), rereadOutcome(x)}
	} else {
		c := e.Check
		row = []string{when, "checked", clean(c.Ring.ID), clean(c.Gauge)}
		tail = []string{strconv.Itoa(c.N), um(c.Spread), "–", "–", signed(c.Error), um(c.Limit), checkOutcome(c)}
	}
	if stations {
		row = append(row, clean(e.Station))
	}
	return append(row, tail...)
}

// gainOutcome says what a second ring gave.
func gainOutcome(m *event.Master) string {
	g := m.Gain
	if !g.Used() {
		return fmt.Sprintf("gain %.4f ± %.4f not shown to differ from 1, which is kept, no. %d", g.Ratio, g.U, m.Number)
	}
	return fmt.Sprintf("gain %.4f ± %.4f set, no. %d", g.Ratio, g.U, m.Number)
}

// keptGain names the gain that went on over a mastering on one ring.
func keptGain(m *event.Master) string {
	if !m.Gain.Used() {
		return ""
	}
	return fmt.Sprintf("; gain %.4f kept from no. %d", m.Gain.Ratio, m.Gain.By)
}

// noise tells how the gauge scattered at rest before a mastering, if it was seen to rest.
func noise(m *event.Master) string {
	if m.Noise == nil {
		return ""
	}
	return fmt.Sprintf("; noise %s measured", um(m.Noise.SD))
}

func checkOutcome(c *event.ZeroCheck) string {
	switch {
	case !c.Valid:
		return "not told: " + clean(english(c.Sentence))
	case c.Good:
		return "holds"
	}
	s := "FAILED"
	if c.Suspect != "" {
		s += "; suspect: " + string(c.Suspect)
	}
	return s + inDoubt(c.Doubt)
}

// rereadOutcome says what the ring came to as if it were a part.
func rereadOutcome(x *event.Rereading) string {
	s := "came to " + x.Size.Format(analysis.MM, 5) + " mm, "
	switch {
	case !x.Valid:
		return "not told: " + clean(english(x.Sentence))
	case x.Agrees:
		return s + "agrees within ± " + um(x.Within)
	case x.Good:
		return s + "beyond ± " + um(x.Within) + " of its readings, within the limit"
	}
	return s + "FAILED" + inDoubt(x.Doubt)
}

func inDoubt(d *event.InDoubt) (s string) {
	if d != nil {
		s += "; in doubt: " + analysis.Count(d.Readings, "reading", "readings") + " since " + clock(d.Since)
		for i, p := range d.Parts {
			s += []string{"; finished since: ", ", "}[min(i, 1)] + clean(p)
		}
	}
	return s
}

// ringsTable lists the rings that were looked at with what their certificates say,
// and whether each was in date on the day.
func ringsTable(looks []event.Record, u analysis.Unit) *document.Table {
	t := &document.Table{Columns: []document.Column{
		{Head: "ring", Left: true}, {Head: "certified, " + large(u).String()}, {Head: other(u).String()}, {Head: "U, µm"},
		{Head: "certificate", Left: true, Wrap: true}, {Head: "due", Left: true}, {Head: "in date on the day", Left: true},
	}}
	type key struct {
		id   string
		size analysis.Length
		due  time.Time
	}
	seen := map[key]bool{}
	for i := range looks {
		ring := ringOf(&looks[i])
		k := key{ring.ID, ring.Size, ring.Due}
		if seen[k] {
			continue
		}
		seen[k] = true
		t.Rows = append(t.Rows, []string{
			clean(ring.ID), certified(ring.Size, u), certified(ring.Size, other(u)), um(ring.U), orDash(clean(ring.Certified)), due(ring.Due), inDate(ring.Due, looks[i].At),
		})
	}
	t.Notes = []string{"Certified at 20 °C; U as certified, k = 2."}
	return t
}

// gaugesTable lists the gauges with what was stated of their own calibration when a
// zero was set, nil if nothing was.
func gaugesTable(looks []event.Record) *document.Table {
	t := &document.Table{Columns: []document.Column{{Head: "gauge", Left: true}, {Head: "certificate", Left: true, Wrap: true}, {Head: "due", Left: true}, {Head: "in date on the day", Left: true}}}
	type key struct {
		gauge, certified, inDate string
		due                      time.Time
	}
	seen := map[key]bool{}
	for i := range looks {
		m := looks[i].Master
		if m == nil || m.GaugeDue.IsZero() && m.GaugeCertified == "" {
			continue
		}
		k := key{m.Gauge, m.GaugeCertified, inDate(m.GaugeDue, looks[i].At), m.GaugeDue}
		if seen[k] {
			continue
		}
		seen[k] = true
		t.Rows = append(t.Rows, []string{clean(k.gauge), orDash(clean(k.certified)), due(k.due), k.inDate})
	}
	if t.Rows == nil {
		return nil
	}
	t.Notes = []string{"As the configuration had it when the gauge was mastered."}
	return t
}

// certified writes a ring's size to a decimal more than sizes have, as certificates do.
func certified(l analysis.Length, u analysis.Unit) string {
	return l.Format(large(u), places(u)+1)
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

func due(at time.Time) string {
	if at.IsZero() {
		return "not stated"
	}
	return day(at)
}

// inDate says whether what is due for calibration on a day was in date when it was used.
func inDate(due, used time.Time) string {
	if due.IsZero() {
		return "not known"
	}
	days := int(due.Sub(used).Hours() / 24)
	switch {
	case analysis.Overdue(due, used):
		return "NO, overdue since " + day(due)
	case days < 30:
		return fmt.Sprintf("yes, due in %s", analysis.Count(days, "day", "days"))
	}
	return "yes"
}
