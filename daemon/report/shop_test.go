package report

import (
	"encoding/csv"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/verdict"
	"fairbore/daemon/event"
	"fairbore/daemon/session"
	"fairbore/daemon/state"
	"fairbore/drivers"
)

// The shop of the tests: two jobs of the demo, invented.

const um1 = analysis.Micrometre

func length(t testing.TB, s string) analysis.Length {
	t.Helper()
	l, err := analysis.ParseLength(s)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func shopJobs(t testing.TB) map[string]*analysis.Job {
	l := func(s string) analysis.Length { return length(t, s) }
	right := []analysis.Angle{0, 90 * analysis.Degree}
	return map[string]*analysis.Job{
		"J-4112": {
			ID: "J-4112", Title: "spindle sleeve", Revision: "A", Unit: analysis.IN, Material: "tool steel", Face: "front", Nominal: l("31.75 mm"),
			Limits: analysis.Limits{Low: l("31.75 mm"), High: l("31.75254 mm"), Target: l("31.75127 mm")}, Band: analysis.Deviation(200 * um1),
			Variation: analysis.Deviation(um1), Length: l("63.5 mm"), Sections: []analysis.Length{l("5 mm"), l("32 mm"), l("58 mm")}, Orientations: right, Ring: "R-1250",
		},
		"J-4120": {
			ID: "J-4120", Title: "relief valve body", Revision: "B", Unit: analysis.MM, Material: "grey iron", Face: "front", Blind: true, Nominal: l("15.88 mm"),
			Limits: analysis.Limits{Low: l("15.8780 mm"), High: l("15.8840 mm"), Target: l("15.8805 mm")}, Band: analysis.Deviation(200 * um1),
			Variation: analysis.Deviation(2 * um1), Length: l("52 mm"), Ring: "R-0625", Orientations: right,
			Sections:   []analysis.Length{l("5 mm"), l("16 mm"), l("28 mm"), l("40 mm"), l("49 mm")},
			Interrupts: []analysis.Interrupt{{From: l("9 mm"), To: l("12 mm"), What: "groove"}},
		},
	}
}

func shopSettings(t testing.TB) state.Settings {
	day := func(y, m, d int) time.Time { return time.Date(y, time.Month(m), d, 0, 0, 0, 0, time.UTC) }
	return state.Settings{
		Station: "bay-3", Jobs: shopJobs(t),
		Settings: event.Settings{
			Rule: string(verdict.Confidence95), DepthReach: 2 * analysis.Millimetre,
			Gauge:   state.GaugeSettings{Name: "G-07", Unit: analysis.MM, Repeatability: analysis.Deviation(15 * um1 / 100), Step: analysis.Deviation(um1 / 10)},
			Capture: state.CaptureSettings{Mode: "button", Bounce: 300 * time.Millisecond},
			Master:  state.MasterSettings{Readings: 4, Spread: analysis.Deviation(um1 / 2), Lapse: event.Lapse{Age: 4 * time.Hour, Readings: 200, Fresh: 30 * time.Minute, FreshReadings: 40}},
			Doubt:   state.Doubt{Drift: analysis.Deviation(3 * um1 / 10), Contact: analysis.Deviation(um1 / 20), PartWithin: analysis.Celsius, RingWithin: 2 * analysis.Celsius},
		},
		Rings: map[string]*analysis.Ring{
			"R-0625": {ID: "R-0625", Size: length(t, "15.87508 mm"), U: analysis.Deviation(um1 / 4), Material: "steel", Due: day(2026, 12, 4), Certified: "K-2218"},
			"R-1250": {ID: "R-1250", Size: length(t, "31.7497 mm"), U: analysis.Deviation(um1 / 4), Material: "steel", Due: day(2027, 1, 25), Certified: "K-2240"},
		},
	}
}

// bench plays a session with a clock of its own and keeps its records.
type bench struct {
	*session.Session
	t       testing.TB
	set     state.Settings
	now     drivers.Moment
	records []event.Record
}

const journalID = "0f1e2d3c4b5a69788796a5b4c3d2e1f0"

func newBench(t testing.TB, set state.Settings) *bench {
	start := time.Date(2026, 11, 25, 8, 0, 0, 0, time.FixedZone("", 3600))
	return &bench{Session: session.New(set, nil), t: t, set: set, now: drivers.Moment{Wall: start}}
}

func (b *bench) wait(d time.Duration) {
	b.now.Wall, b.now.Mono = b.now.Wall.Add(d), b.now.Mono+d
}

func (b *bench) keep(events []event.Event) {
	for _, e := range events {
		b.records = append(b.records, event.Record{Journal: journalID, Seq: uint64(len(b.records) + 1), Event: e})
	}
}

func (b *bench) send(text string) {
	b.t.Helper()
	b.wait(4 * time.Second)
	digits, places, err := analysis.ParseDecimal(text)
	if err != nil {
		b.t.Fatal(err)
	}
	b.keep(b.Sample(b.now, b.set.Gauge.Name, []drivers.Sample{{Digits: digits, Places: places, Raw: []byte(text)}}))
}

func (b *bench) must(a event.Action) {
	b.t.Helper()
	a.Source = "page"
	b.wait(2 * time.Second)
	events, r := b.Act(b.now, a)
	if !r.Done {
		b.t.Fatalf("%s: refused: %s", a.Do, r.Why)
	}
	b.keep(events)
}

// ring reads a ring: do is master or check; the gauge shows shift more than it is.
func (b *bench) ring(do, id string, shift analysis.Length) {
	b.t.Helper()
	b.must(event.Action{Do: do, Ring: id, Confirm: true})
	for i := range b.set.Master.Readings {
		l := b.set.Rings[id].Size + shift + analysis.Length(2*(i%2)-1)*um1/20
		b.send(l.Format(analysis.MM, 5))
	}
	if b.Fold().Running != nil {
		b.t.Fatalf("the reading of ring %s did not come to an end", id)
	}
}

// rounds reads the table of a part: strokes, then the sizes, round by round.
func rounds(t testing.TB, name string) [][]string {
	t.Helper()
	return checkValues(t, "report/"+name)[1:]
}

// checkValues reads a table of testdata, its head first.
func checkValues(t testing.TB, name string) [][]string {
	t.Helper()
	f, err := os.Open("../../testdata/" + name + ".csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return rows
}

// play gauges a part round by round as its table has it, with the gauge showing
// shift more than it is.
func (b *bench) play(table [][]string, shift analysis.Length) {
	b.t.Helper()
	for i, row := range table {
		if i > 0 {
			strokes, err := strconv.Atoi(row[1])
			if err != nil {
				b.t.Fatal(err)
			}
			b.wait(time.Duration(strokes) * 1200 * time.Millisecond)
			b.must(event.Action{Do: "round", Strokes: strokes, Seconds: 1.2 * float64(strokes)})
			b.wait(5 * time.Minute) // to cool
		}
		for _, s := range row[2:] {
			b.send((length(b.t, s+" mm") + shift).Format(analysis.MM, 5))
		}
	}
}

// begin takes a job up and a part, mastered.
func (b *bench) begin(job, part string, shift analysis.Length) {
	b.t.Helper()
	b.must(event.Action{Do: "job", Job: job, Confirm: true})
	b.ring("master", b.set.Jobs[job].Ring, shift)
	b.must(event.Action{Do: "part", Part: part})
}

// finish checks the zero and accepts.
func (b *bench) finish(shift analysis.Length) {
	b.t.Helper()
	b.ring("check", b.Fold().Job.Ring, shift)
	b.must(event.Action{Do: "accept"})
}

// part gathers the record of the newest part of a serial number, as a journal
// would give it.
func (b *bench) part(serial string) Part {
	b.t.Helper()
	p := Part{}
	from, to := -1, len(b.records)
	for i := range b.records {
		e := &b.records[i]
		if e.Job != nil {
			p.Limits = append(p.Limits, *e)
		}
		if from >= 0 && (e.Kind == event.PartBegun || e.Kind == event.JobChosen) {
			to = min(to, i)
		}
		if e.Part != nil && e.Part.Serial == serial {
			from, to = i, len(b.records)
		}
	}
	if from < 0 {
		b.t.Fatalf("there is no part %s", serial)
	}
	p.Before, p.Records = b.records[:from], b.records[from:to]
	for i := to; i < len(b.records); i++ {
		if e := &b.records[i]; look(&e.Event) {
			p.After = b.records[i : i+1]
			break
		}
	}
	p.Head = headAt(b.records[:p.Last()])
	p.Bore = p.Fold().Bore(&b.set, p.Records[len(p.Records)-1].At)
	return p
}

// headAt is a head at the last of the records, as a journal would give it.
func headAt(records []event.Record) event.Head {
	last := records[len(records)-1]
	return event.Head{Journal: journalID, Seq: last.Seq, Hash: strings.Repeat("a1b2c3d4", 8), At: last.At.UTC()}
}

// valve is the record of a relief valve body with a reading struck out, one
// refused and a check before it was accepted.
func valve(t testing.TB) Part {
	b := newBench(t, shopSettings(t))
	b.begin("J-4120", "001", 3*um1/10)
	table := rounds(t, "relief-valve")
	b.play(table[:5], 3*um1/10)
	b.must(event.Action{Do: "void", Reason: "mud in the bore, washed and gauged again"})
	b.send("15.8766")
	b.send("0.62473") // the gauge was switched to inch
	b.must(event.Action{Do: "round", Strokes: 4, Seconds: 5, Dressed: true})
	b.wait(8 * time.Minute)
	for _, s := range table[5][2:] {
		b.send((length(t, s+" mm") + 3*um1/10).Format(analysis.MM, 5))
	}
	b.finish(3 * um1 / 10)
	return b.part("001")
}

// sleeve is the record of a sleeve drawn in inches.
func sleeve(t testing.TB) Part {
	set := shopSettings(t)
	set.Station, set.Gauge.Name = "bay-2", "G-11"
	b := newBench(t, set)
	b.begin("J-4112", "003", -um1/5)
	b.play(rounds(t, "sleeve"), -um1/5)
	b.finish(-um1 / 5)
	return b.part("003")
}
