package report

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/analysis/study"
	"fairbore/analysis/verdict"
	"fairbore/daemon/daemontest"
	"fairbore/daemon/document"
	"fairbore/daemon/event"
	"fairbore/daemon/picture"
)

// lotMeans are the final means of ten sleeves, in 0.1 µm above the low limit
// (invented, of the demo's shop).
var lotMeans = [...]analysis.Length{11, 13, 9, 15, 12, 14, 10, 13, 16, 12}

// lot plays ten sleeves, one of which goes over and is laid aside.
func lot(t testing.TB) (*bench, Lot) {
	set := shopSettings(t)
	set.Station, set.Gauge.Name = "bay-2", "G-11"
	set.Rule = string(verdict.Simple)
	set.Master.Lapse.Age, set.Master.Lapse.Readings = 30*time.Hour, 900
	b := newBench(t, set)
	b.must(event.Action{Do: "job", Job: "J-4112"})
	table := rounds(t, "sleeve")
	for i, mean := range lotMeans {
		b.wait(20 * time.Minute)
		if i%4 == 0 {
			b.ring("master", "R-1250", analysis.Length(i)*um1/20)
		}
		b.must(event.Action{Do: "part", Part: fmt.Sprintf("%03d", i+1)})
		shift := analysis.Length(i-i%4)*um1/20 + mean*um1/10 - 135*um1/100
		if i == 3 {
			b.play(table[5:], 3*um1)
			b.must(event.Action{Do: "disposition", Outcome: event.OnHold, Reason: "over at the front, concession asked for"})
			continue
		}
		b.play(table[5:], shift)
		b.finish(analysis.Length(i-i%4) * um1 / 20)
	}
	made := Lot{Job: set.Jobs["J-4112"], Trace: Trace{First: 2, Head: headAt(b.records)}}
	for i := range lotMeans {
		made.Parts = append(made.Parts, b.part(fmt.Sprintf("%03d", i+1)))
	}
	made.Limits = made.Parts[0].Limits
	return b, made
}

func TestLot(t *testing.T) {
	_, made := lot(t)
	d := LotReport(made, notation.Format{})
	wellFormed(t, d.Fragment())
	text := strings.Join(strings.Fields(d.Text()), " ")
	for _, want := range []string{
		en.Text("outcome.accepted") + " 9", en.Text("outcome.on_hold") + " 1",
		document.Open.Glyph() + " " + en.Text("record.because", analysis.Say("outcome.on_hold"), "over at the front, concession asked for"),
		en.Text("record.capability.counts", 9), en.Text("study.note.few_for_index", 9, 25), en.Text("study.note.honed"), // an index is not shown for nine
	} {
		if !strings.Contains(text, want) {
			t.Errorf("the lot does not say %q", want)
		}
	}
	if strings.Contains(text, "Cpk 1") || strings.Contains(text, "Cpk 0") {
		t.Error("an index of nine sizes is shown")
	}
	checkPDF(t, d)
}

// A part that was decided on before it had a size was judged by no rule, and has no uncertainty.
func TestLotWithAPartThatWasNotMeasured(t *testing.T) {
	b, made := lot(t)
	b.must(event.Action{Do: "part", Part: "011"})
	b.must(event.Action{Do: "disposition", Outcome: event.Scrapped, Reason: "dropped"})
	made.Parts = append(made.Parts, b.part("011"))
	if text := LotReport(made, notation.Format{}).Text(); strings.Contains(text, "verdict.rule") {
		t.Errorf("a rule without a text:\n%s", text)
	}
	var out bytes.Buffer
	if err := made.Table().CSV(&out); err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(&out).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if at := slices.Index(rows[0], "u_um"); rows[11][at] != "" || rows[1][at] == "" {
		t.Errorf("u_um is %q of a part that was not measured, and %q of one that was", rows[11][at], rows[1][at])
	}
}

// Of a drawing in inches every length that is decided on is in inches or millionths, on
// the page and in the CSV of a first article.
func TestDecisionsAreInTheUnitOfTheDrawing(t *testing.T) {
	p := sleeve(t)
	for name, d := range map[string]*document.Document{"record": PartRecord(p, notation.Format{}), "first article": FirstArticle(p, notation.Format{})} {
		found := false
		for _, b := range d.Blocks {
			table, ok := b.(*document.Table)
			if !ok || !slices.ContainsFunc(table.Columns, func(c document.Column) bool { return c.Head == en.Text("record.characteristic") }) {
				continue
			}
			found = true
			unit := slices.IndexFunc(table.Columns, func(c document.Column) bool { return c.Head == en.Text("record.unit") })
			for _, row := range table.Rows {
				if row[unit] != "in" && row[unit] != "µin" {
					t.Errorf("%s: %q", name, row)
				}
			}
		}
		if !found {
			t.Errorf("%s: there is no table of characteristics", name)
		}
	}
	var out bytes.Buffer
	if err := p.Articles().CSV(&out); err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(&out).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	unit, what := slices.Index(rows[0], "unit"), slices.Index(rows[0], "characteristic")
	for _, row := range rows[1:] {
		if row[unit] != "in" && row[unit] != "µin" {
			t.Errorf("CSV: %q", row)
		}
		if row[what] == en.Text("record.form.variation") && !slices.Contains(row, "39.4") { // 1 µm is 39.37 millionths
			t.Errorf("CSV: %q, want a limit of 39.4 µin", row)
		}
	}
}

func TestFirstArticleIsReadByOthers(t *testing.T) {
	p := valve(t)
	d := FirstArticle(p, notation.Format{})
	wellFormed(t, d.Fragment())
	checkPDF(t, d)
}

// masterings is the log of ten sleeves, the last look at the ring a check that failed.
func masterings(t *testing.T) Log {
	b, made := lot(t)
	b.wait(time.Hour)
	b.ring("check", "R-1250", 95*um1/100) // 0.55 µm off the last zero
	return Log{Looks: b.records, Trace: made.Trace}
}

func TestMasteringLog(t *testing.T) {
	log := masterings(t)
	d := MasteringLog(log, notation.Format{})
	wellFormed(t, d.Fragment())
	checkPDF(t, d)
	var out bytes.Buffer
	if err := log.Table().CSV(&out); err != nil {
		t.Fatal(err)
	}
	golden(t, "masterings.csv", out.String())
	if none := MasteringLog(Log{Station: "bay-9"}, notation.Format{}); !strings.Contains(none.Text(), en.Text("record.zero.no_ring")) {
		t.Error("an empty log does not say so")
	}
}

// The ring read as a part has its row in the log.
func TestRereadingInTheLog(t *testing.T) {
	b := newBench(t, shopSettings(t))
	b.begin("J-4112", "003", 0)
	b.play(rounds(t, "sleeve"), 0)
	b.finish(0)
	b.ring("reread", "R-1250", um1/10)
	b.ring("reread", "R-1250", 6*um1/10)
	log := Log{Looks: b.records}
	text := strings.Join(strings.Fields(MasteringLog(log, notation.Format{}).Text()), " ")
	for _, want := range []string{en.Text("record.look.reread") + " 2", en.Text("record.look.agrees", "31.7498 mm (1.249992 in)", "0.22 µm"), en.Text("record.look.came_off", "31.7503 mm (1.250012 in)") + "; " + daemontest.Begins("record.look.in_doubt", 0)} {
		if !strings.Contains(text, want) {
			t.Errorf("the log lacks %q:\n%s", want, text)
		}
	}
	var out bytes.Buffer
	if err := log.Table().CSV(&out); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{",re-read as a part,G-07,R-1250,31.7497,", ",0.1,0.254,\"" + en.Text("record.look.agrees", "31.7498 mm (1.249992 in)", "0.22 µm (8.5 µin)") + "\",gauge,,,,,,\r\n"} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("the CSV lacks %q:\n%s", want, out.String())
		}
	}
}

// A second ring has its row in the log, on the page and in the CSV, with what it says
// of the gain; the zero it leaves alone is no point of the chart.
func TestGainInTheLog(t *testing.T) {
	set := shopSettings(t)
	set.Rings["R-1254"] = &analysis.Ring{ID: "R-1254", Size: length(t, "31.8497 mm"), U: analysis.Deviation(um1 / 4), Certified: "K-2251"}
	b := newBench(t, set)
	b.must(event.Action{Do: "job", Job: "J-4112"})
	b.ring("master", "R-1250", 0)
	b.must(event.Action{Do: "master", Ring: "R-1254", Gain: true})
	for range set.Master.Readings {
		b.send("31.84770") // 98 µm shown for 100 µm
	}
	b.ring("master", "R-1250", um1/10)
	log := Log{Looks: b.records}
	text := strings.Join(strings.Fields(MasteringLog(log, notation.Format{}).Text()), " ")
	for _, want := range []string{en.Text("record.look.second_ring") + " R-1254", en.Text("record.look.gain_set", "1.0204", "0.0041", 2), en.Text("record.look.gain_kept", "1.0204", 2), "K-2251"} {
		if !strings.Contains(text, want) {
			t.Errorf("the log lacks %q:\n%s", want, text)
		}
	}
	var out bytes.Buffer
	if err := log.Table().CSV(&out); err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(&out).ReadAll()
	if err != nil || len(rows) != 4 {
		t.Fatalf("%d rows, want the head and 3: %v", len(rows), err)
	}
	row := map[string]string{}
	for i, head := range rows[0] {
		row[head] = rows[2][i]
	}
	for head, want := range map[string]string{"what": "second ring", "ring": "R-1254", "certified_mm": "31.8497", "certificate": "K-2251", "readings": "4", "moved_um": "", "outcome": en.Text("record.look.gain_set", "1.0204", "0.0041", 2)} {
		if row[head] != want {
			t.Errorf("%s: %q, want %q", head, row[head], want)
		}
	}
	b.must(event.Action{Do: "part", Part: "001"})
	b.send("31.75200")
	if p := PartRecord(b.part("001"), notation.Format{}).Text(); !strings.Contains(p, en.Text("budget.line.gain")) {
		t.Error("the budget in the record of the part has no line of the gain")
	}
}

// A study of 5 sleeves by 3 people, twice: the demo shop's, with a repeatability of
// 0.15 µm and operators at +0.05, 0 and −0.08 µm (invented). Against 2.54 µm the
// gauge is not good enough by the usual table, as the shop knows.
func sleeveStudy(t *testing.T) (*document.Document, study.GaugeStudy) {
	t.Helper()
	rng := rand.New(rand.NewPCG(5, 8))
	table := study.Table{Parts: []string{"001", "002", "003", "004", "005"}, Operators: []string{"first shift", "second shift", "quality"}}
	for _, part := range []float64{1.1, 1.3, 0.9, 1.5, 1.2} {
		var row [][]float64
		for _, who := range []float64{0.05, 0, -0.08} {
			row = append(row, []float64{part + who + 0.15*rng.NormFloat64(), part + who + 0.15*rng.NormFloat64()})
		}
		table.Values = append(table.Values, row)
	}
	r, err := study.ByANOVA(table, 2.54, study.PoolAbove)
	if err != nil {
		t.Fatal(err)
	}
	return GaugeStudyReport(GaugeStudy{Title: "G-11 on J-4112, spindle sleeve", At: time.Date(2026, 11, 25, 15, 0, 0, 0, time.UTC), Table: table, Results: []study.GaugeStudy{r}}, notation.Format{}), r
}

func TestGaugeStudy(t *testing.T) {
	d, r := sleeveStudy(t)
	if d.Outcome.Mark != document.Bad || d.Outcome.Word != en.Text("record.study.not_good") {
		t.Errorf("stamp %+v for %.1f %%", d.Outcome, r.Judged().Value)
	}
	wellFormed(t, d.Fragment())
	checkPDF(t, d)
}

// aiag is the worked example of the AIAG manual: 10 parts, 3 people, 3 trials.
func aiag(t *testing.T) study.Table {
	t.Helper()
	rows := checkValues(t, "study/msa/aiag_data")
	at := func(name string) int { return slices.Index(rows[0], name) }
	var table study.Table
	for _, row := range rows[1:] {
		part, who := row[at("part")], row[at("appraiser")]
		if !slices.Contains(table.Parts, part) {
			table.Parts, table.Values = append(table.Parts, part), append(table.Values, make([][]float64, 3))
		}
		if !slices.Contains(table.Operators, who) {
			table.Operators = append(table.Operators, who)
		}
		v, err := strconv.ParseFloat(row[at("value")], 64)
		if err != nil {
			t.Fatal(err)
		}
		cell := &table.Values[slices.Index(table.Parts, part)][slices.Index(table.Operators, who)]
		*cell = append(*cell, v)
	}
	return table
}

// The page of the AIAG manual's example (Measurement Systems Analysis, ch. III B) has
// the figures that are printed there, in text and on paper: by average and range EV
// 0.202, AV 0.230, GRR 0.306 (26.7 % of the total), PV 1.104, and its one range above
// the limit of 0.88; by analysis of variance the sums of squares 3.1673, 88.3619,
// 0.3590, 2.7589 and 94.6471, GRR 0.302 (27.9 %), and 4 classes.
func TestGaugeStudyOfTheManual(t *testing.T) {
	table := aiag(t)
	byANOVA, err := study.ByANOVA(table, 0, study.PoolAbove)
	if err != nil {
		t.Fatal(err)
	}
	byRange, err := study.AverageAndRange(table, 0)
	if err != nil {
		t.Fatal(err)
	}
	d := GaugeStudyReport(GaugeStudy{Title: "example", At: time.Date(2026, 11, 25, 15, 0, 0, 0, time.UTC), Table: table, Results: []study.GaugeStudy{byANOVA, byRange}}, notation.Format{})
	paper := strings.Join(strings.Fields(extracted(t, pdf(t, d, document.A4))), " ")
	text := strings.Join(strings.Fields(d.Text()), " ")
	for _, want := range []string{
		en.Text("study.of.repeats") + " 0.202", en.Text("study.of.operators") + " 0.230", en.Text("study.of.gauge") + " 0.306 7.1 26.7", en.Text("study.of.parts") + " 1.104 92.9 96.4",
		en.Text("study.of.gauge") + " 0.302 7.8 27.9", en.Text("record.study.classes") + " 4",
		en.Text("study.source.operator") + " 2 3.167", en.Text("study.source.part") + " 9 88.36", en.Text("study.source.interaction") + " 18 0.359", en.Text("study.source.repeats") + " 60 2.759", en.Text("study.source.total") + " 89 94.65",
		daemontest.Begins("record.study.may_differ") + "0.880", daemontest.Begins("record.study.differ", "4", "B") + "1.020",
	} {
		for name, in := range map[string]string{"text": text, "PDF": paper} {
			if !strings.Contains(in, want) {
				t.Errorf("the %s lacks %q:\n%s", name, want, in)
			}
		}
	}
	if d.Outcome.Word != en.Text("record.study.by_agreement") { // 26.7 or 27.9 %: between 10 and 30
		t.Errorf("stamp %+v", d.Outcome)
	}
}

// A study of a drawing in inches is said in millionths, one that is too small says
// that it is, and what is drawn of it is in grey, in the page and on paper alike.
func TestGaugeStudyInInches(t *testing.T) {
	table := study.Table{Parts: []string{"1", "2", "3"}, Operators: []string{"a", "b"}, Values: [][][]float64{{{0.254, 0.254}, {0.254, 0.508}}, {{2.54, 2.794}, {2.54, 2.54}}, {{5.08, 5.08}, {5.334, 5.08}}}}
	r, err := study.ByANOVA(table, 25.4, study.PoolAbove)
	if err != nil {
		t.Fatal(err)
	}
	g := GaugeStudy{Title: "inches", Unit: analysis.IN, Table: table, Results: []study.GaugeStudy{r}}
	d := GaugeStudyReport(g, notation.Format{})
	text := strings.Join(strings.Fields(d.Text()), " ")
	for _, want := range []string{en.Text("record.study.tolerance") + " 1000 µin", en.Text("record.study.good_so_far"), daemontest.Begins("study.note.few_pairs", 3, 2), "1 10 10 10 20", "3 200 200 210 200"} {
		if !strings.Contains(text, want) {
			t.Errorf("lacks %q:\n%s", want, text)
		}
	}
	figures := 0
	for _, b := range d.Blocks {
		if f, ok := b.(document.Figure); ok {
			svg := picture.NewSVG(f.W, f.H, "")
			f.Drawing.Draw(svg)
			if b := svg.Bytes(); !bytes.Contains(b, []byte("<path")) || bytes.Contains(b, []byte("NaN")) {
				t.Errorf("%s", b)
			}
			figures++
		}
	}
	if figures != 2 {
		t.Errorf("%d figures", figures)
	}
}

// checkPDF sets a document and has another program read it.
func checkPDF(t *testing.T, d *document.Document) {
	t.Helper()
	text := extracted(t, pdf(t, d, document.A4))
	for _, b := range d.Blocks {
		if h, ok := b.(document.Heading); ok && !strings.Contains(text, string(h)) {
			t.Errorf("%s: the PDF lacks %q", d.Title, h)
		}
	}
}

// Every CSV is read back by a reader of RFC 4180, has lines of one length that end
// in CR LF, and no text in it begins as a formula does.
func TestCSVIsRFC4180(t *testing.T) {
	b, made := lot(t)
	p := valve(t)
	evil := p
	bore, part := *p.Bore, event.Part{Serial: "=1+1"}
	bore.Part, evil.Bore = &part, &bore
	for name, write := range map[string]func(*bytes.Buffer) error{
		"part":          func(o *bytes.Buffer) error { return p.Table().CSV(o) },
		"first article": func(o *bytes.Buffer) error { return evil.Articles().CSV(o) },
		"lot":           func(o *bytes.Buffer) error { return made.Table().CSV(o) },
		"study": func(o *bytes.Buffer) error {
			return GaugeStudy{Readings: []StudyReading{{Part: "=1+1", Operator: "@a", Trial: 1, Size: um1}}}.Rows().CSV(o)
		},
		"masterings": func(o *bytes.Buffer) error { return Log{Looks: b.records}.Table().CSV(o) },
	} {
		var out bytes.Buffer
		if err := write(&out); err != nil {
			t.Fatal(err)
		}
		if n := bytes.Count(out.Bytes(), []byte("\n")); n < 2 || n != bytes.Count(out.Bytes(), []byte("\r\n")) {
			t.Errorf("%s: lines do not end in CR LF", name)
		}
		rows, err := csv.NewReader(&out).ReadAll() // refuses lines of unequal length
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		for _, row := range rows {
			for i, cell := range row {
				if cell != "" && strings.ContainsRune("=+@", rune(cell[0])) && !strings.HasSuffix(rows[0][i], "_um") {
					t.Errorf("%s: %s is %q", name, rows[0][i], cell)
				}
			}
		}
	}
	var out bytes.Buffer
	if err := p.Table().CSV(&out); err != nil {
		t.Fatal(err)
	}
	golden(t, "relief-valve-readings.csv", out.String())
	// A reading of a gauge study says which trial it is.
	out.Reset()
	first := slices.IndexFunc(p.Records, func(r event.Record) bool { return r.Reading != nil })
	trial := *p.Records[first].Reading
	trial.Study = &event.StudyTrial{Appraiser: "=quality", Trial: 2}
	p.Records[first].Reading = &trial
	if err := p.Table().CSV(&out); err != nil {
		t.Fatal(err)
	}
	if row := strings.SplitN(out.String(), "\r\n", 3)[1]; !strings.HasSuffix(row, ",'=quality,2,,,"+p.Head.Line()+",") {
		t.Errorf("a reading of a study ends with %q", row)
	}
}

// Noise that was measured stands with the mastering.
func TestNoiseInTheLog(t *testing.T) {
	b := newBench(t, shopSettings(t))
	b.must(event.Action{Do: "job", Job: "J-4112"})
	b.ring("master", "R-1250", 0)
	looks := slices.Clone(b.records)
	last := &looks[len(looks)-1]
	m := *last.Master
	m.Noise, last.Master = &analysis.RestNoise{SD: 1200, Samples: 96}, &m
	if text := MasteringLog(Log{Looks: looks}, notation.Format{}).Text(); !strings.Contains(strings.Join(strings.Fields(text), " "), en.Text("record.look.zero_set", 1)+"; "+daemontest.Begins("record.look.noise")+"0.12") {
		t.Errorf("%s", text)
	}
}
