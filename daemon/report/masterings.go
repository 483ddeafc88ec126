package report

import (
	"slices"
	"strconv"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/daemon/document"
	"fairbore/daemon/event"
	"fairbore/daemon/picture"
)

// Log is what was done to the zeros of gauges.
type Log struct {
	// Looks are masterings and checks in order. Other events are ignored.
	Looks    []event.Record
	Station  string // "": all
	Trace    Trace
	From, To time.Time
	Settings *event.Settings // the newest ones; nil: none are known
}

// MasteringLog puts together the log of masterings and checks for a reader, with a chart of the
// zero of each gauge, and the rings with their certificates.
func MasteringLog(l Log, f notation.Format) *document.Document {
	w := newWriter(nil, f)
	w.letterhead(l.Settings)
	w.doc.Title, w.doc.Subject = w.Text("record.title.masterings"), w.Text("record.of.all_stations")
	if l.Station != "" {
		w.doc.Subject = w.Text("record.of.station", clean(l.Station))
	}
	var looks []event.Record
	for _, e := range l.Looks {
		if look(&e.Event) {
			looks = append(looks, e)
			w.doc.At = e.At
		}
	}
	var first time.Time
	if len(looks) > 0 {
		first = looks[0].At
	}
	asked := w.Text("record.whole_journal")
	if !l.From.IsZero() || !l.To.IsZero() {
		asked = w.span(l.From, l.To)
	}
	masters := slices.DeleteFunc(slices.Clone(looks), func(e event.Record) bool { return e.Kind != event.Mastered })
	w.doc.Add(document.Fields{w.lookCounts(looks), w.people(l.Settings, "", nil, masters), group(w.Text("record.time"), field(w.Text("record.time.first"), w.moment(first)), field(w.Text("record.time.last"), w.moment(w.doc.At)), field(w.Text("record.time.asked"), asked))})
	if len(looks) == 0 {
		w.doc.Add(document.Para(w.Text("record.zero.no_ring")))
	} else {
		w.driftCharts(looks)
		w.section(w.Text("record.looks"), w.looksTable(looks, true))
		w.section(w.Text("record.rings"), w.ringsTable(looks))
		if t := w.gaugesTable(looks); t != nil {
			w.section(w.Text("record.gauges"), t)
		}
		w.doc.Add(document.Lines{w.Text("record.note.checks")})
	}
	w.identify(logOf(l.Trace.Head.Journal, looks), 1, l.Trace)
	w.end(l.Trace, w.traceable(looks), w.Text("record.sign.reviewed"), w.Text("record.sign.date"))
	return w.doc
}

// logOf returns the report number of a log, of its first and its last look and how many there are. What
// it has is past, so that it has one issue.
func logOf(journal string, looks []event.Record) string {
	first, last := uint64(0), uint64(0)
	if n := len(looks); n > 0 {
		first, last = looks[0].Seq, looks[n-1].Seq
	}
	return number(logNumber, journal, first, last, uint64(len(looks)))
}

func (w *writer) lookCounts(looks []event.Record) document.Group {
	mastered, good, failed, untold, again := 0, 0, 0, 0, 0
	for i := range looks {
		switch c := looks[i].Check; {
		case looks[i].Reread != nil:
			again++
		case c == nil:
			mastered++
		case !c.Valid:
			untold++
		case c.Good:
			good++
		default:
			failed++
		}
	}
	counts := []document.Field{
		field(w.Text("record.looks.masterings"), strconv.Itoa(mastered)), field(w.Text("record.looks.held"), strconv.Itoa(good)),
		field(w.Text("record.looks.failed"), strconv.Itoa(failed)), field(w.Text("record.looks.void"), strconv.Itoa(untold)),
	}
	if again > 0 {
		counts = append(counts, field(w.Text("record.look.reread"), strconv.Itoa(again)))
	}
	return group(w.Text("record.looks.count"), counts...)
}

// gaugeRun is the zero of a gauge at a station over time.
type gaugeRun struct {
	gauge, station string
	zero           analysis.Deviation // in force
	set            bool
	panel
	labels []string
}

// driftCharts draws for each gauge the zero that each reading of a ring gave: at a mastering the
// zero that was set, at a check the zero in force less the error found.
func (w *writer) driftCharts(looks []event.Record) {
	var runs []*gaugeRun
	for i := range looks {
		e := &looks[i]
		if e.Reread != nil { // a rereading is corrected for temperature, so it is not a point of the zero
			continue
		}
		gauge := ""
		if e.Master != nil {
			gauge = e.Master.Gauge
		} else {
			gauge = e.Check.Gauge
		}
		gaugeRunOf(&runs, clean(gauge), clean(e.Station)).take(e)
	}
	for _, r := range runs {
		if len(r.Values) < 2 {
			w.doc.Add(document.Para(w.Text("record.drift.one", r.gauge, r.station)))
			continue
		}
		r.Title = w.Text("record.drift.zero")
		r.Lines = []level{{r.Values[0], picture.Target, w.Text("record.time.first")}}
		c := runChart{W: 1000, H: 190, Panels: []panel{r.panel}, Labels: r.labels, Format: w.plain}
		w.doc.Add(figure(c, c.W, c.H, w.Text("record.drift", r.gauge, r.station)))
	}
}

func gaugeRunOf(runs *[]*gaugeRun, gauge, station string) *gaugeRun {
	for _, r := range *runs {
		if r.gauge == gauge && r.station == station {
			return r
		}
	}
	r := &gaugeRun{gauge: gauge, station: station}
	*runs = append(*runs, r)
	return r
}

func (r *gaugeRun) take(e *event.Record) {
	v, square, alarm := analysis.Deviation(0), false, false
	if e.Kind == event.Mastered && e.Master.Second { // the first ring set the zero, and has its dot
		return
	}
	if e.Kind == event.Mastered {
		r.zero, r.set = e.Master.Zero, true
		v, square = r.zero, true
	} else {
		if !e.Check.Valid || !r.set { // the zero in force is not known
			return
		}
		v, alarm = r.zero-e.Check.Error, !e.Check.Good
	}
	r.Values = append(r.Values, analysis.Length(v).Micrometres())
	r.Square, r.Alarm = append(r.Square, square), append(r.Alarm, alarm)
	r.labels = append(r.labels, e.At.Format("15:04"))
}
