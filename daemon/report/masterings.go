package report

import (
	"strconv"
	"time"

	"fairbore/analysis"
	"fairbore/daemon/document"
	"fairbore/daemon/event"
	"fairbore/daemon/picture"
)

// Log is what was done to the zeros of gauges.
type Log struct {
	// Looks are masterings and checks in order; others among them are passed over.
	Looks    []event.Record
	Station  string // "": all
	Trace    Trace
	From, To time.Time
}

// MasteringLog puts the log of masterings and checks together, with a chart of the
// zero of each gauge, and the rings with their certificates.
func MasteringLog(l Log) *document.Document {
	d := &document.Document{Title: "Mastering log", Subject: "all stations"}
	if l.Station != "" {
		d.Subject = "station " + clean(l.Station)
	}
	var looks []event.Record
	for _, e := range l.Looks {
		if look(&e.Event) {
			looks = append(looks, e)
			d.At = e.At
		}
	}
	d.Add(document.Fields{{Name: "Looks at a ring", Fields: lookCounts(looks)}, {Name: "Period", Fields: []document.Field{{Name: "first", Value: moment(firstAt(looks))}, {Name: "last", Value: moment(d.At)}, {Name: "asked", Value: period(l.From, l.To)}}}})
	if len(looks) == 0 {
		d.Add(document.Para("No ring was read."))
	} else {
		driftCharts(d, looks)
		d.Add(document.Heading("Masterings and checks"), looksTable(looks, true))
		d.Add(document.Heading("Rings"), ringsTable(looks, analysis.MM))
		if t := gaugesTable(looks); t != nil {
			d.Add(document.Heading("Gauges"), t)
		}
		d.Add(document.Lines{"A check looks at the ring and leaves the zero alone; only a mastering moves it. What a failed check puts in doubt stands beside it."})
	}
	l.Trace.stand(d)
	d.Add(document.Signature{"reviewed by", "date"})
	return d
}

func period(from, to time.Time) string {
	if from.IsZero() && to.IsZero() {
		return "all of the journal"
	}
	return span(from, to)
}

func firstAt(looks []event.Record) (t time.Time) {
	if len(looks) > 0 {
		t = looks[0].At
	}
	return t
}

func lookCounts(looks []event.Record) []document.Field {
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
		{Name: "masterings", Value: strconv.Itoa(mastered)}, {Name: "checks held", Value: strconv.Itoa(good)}, {Name: "checks failed", Value: strconv.Itoa(failed)}, {Name: "checks void", Value: strconv.Itoa(untold)},
	}
	if again > 0 {
		counts = append(counts, document.Field{Name: "re-read as a part", Value: strconv.Itoa(again)})
	}
	return counts
}

// gaugeRun is the zero of a gauge at a station over time.
type gaugeRun struct {
	name string
	zero analysis.Deviation // in force
	set  bool
	panel
	labels []string
}

// driftCharts draw, for each gauge, the zero that each look at a ring asked for:
// what a mastering set, or at a check the zero in force less the error found.
func driftCharts(d *document.Document, looks []event.Record) {
	var runs []*gaugeRun
	for i := range looks {
		e := &looks[i]
		if e.Reread != nil { // corrected for temperature, so no point of the zero
			continue
		}
		gauge := ""
		if e.Master != nil {
			gauge = e.Master.Gauge
		} else {
			gauge = e.Check.Gauge
		}
		name := "gauge " + clean(gauge) + " at " + clean(e.Station)
		r := gaugeRunOf(&runs, name)
		r.take(e)
	}
	for _, r := range runs {
		if len(r.Values) < 2 {
			d.Add(document.Para(r.name + ": one look only, so nothing is known of its drift."))
			continue
		}
		r.Title = "zero, µm"
		r.Lines = []level{{r.Values[0], picture.Target, "first"}}
		c := runChart{W: 1000, H: 190, Panels: []panel{r.panel}, Labels: r.labels}
		d.Add(document.Figure{Drawing: c, W: c.W, H: c.H, Caption: r.name + ": the zero that each look at a ring asked for. Square: mastering, sets it. Dot: check, leaves it. Ring: failed check."})
	}
}

func gaugeRunOf(runs *[]*gaugeRun, name string) *gaugeRun {
	for _, r := range *runs {
		if r.name == name {
			return r
		}
	}
	r := &gaugeRun{name: name}
	*runs = append(*runs, r)
	return r
}

func (r *gaugeRun) take(e *event.Record) {
	v, square, alarm := analysis.Deviation(0), false, false
	if e.Kind == event.Mastered && e.Master.Second { // the zero is the first ring's, which has its dot
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
