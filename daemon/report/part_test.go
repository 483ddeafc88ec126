package report

import (
	"bytes"
	"encoding/csv"
	"encoding/xml"
	"errors"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/analysis/uncertainty"
	"fairbore/daemon/daemontest"
	"fairbore/daemon/document"
	"fairbore/daemon/event"
)

var (
	en    notation.Format
	coded = notation.Format{Language: notation.Codes()}
)

// The sizes of the record are those of the invented part, whatever zero the gauge
// had, each in the drawing's unit and the last round in the other one too.
func TestRecordHasEverySize(t *testing.T) {
	text := PartRecord(valve(t), notation.Format{}).Text()
	for i, row := range rounds(t, "relief-valve") {
		for _, s := range row[2:] {
			if !strings.Contains(text, s) {
				t.Errorf("round %d: the record lacks %s mm", i, s)
			}
			inch := length(t, s+" mm").Format(analysis.IN, 6)
			if i == 5 && !strings.Contains(text, inch) {
				t.Errorf("round %d: the record lacks %s in", i, inch)
			}
		}
	}
}

// A surprising reading stands in the record with what was expected and with its answer;
// one that nobody answered is not counted, and says so.
func TestSurprisesInTheRecord(t *testing.T) {
	b := newBench(t, shopSettings(t))
	b.begin("J-4120", "001", 0)
	for _, s := range []string{"15.8508", "15.8489", "15.8800", "15.8801", "15.8488", "15.8200"} {
		b.send(s)
	}
	text := strings.Join(strings.Fields(PartRecord(b.part("001"), notation.Format{}).Text()), " ")
	said := newWriter(shopJobs(t)["J-4120"], en)
	wants := []string{en.Text("record.told.surprising"), en.Text("record.told.kept"), said.Text("void.agrees", analysis.Size(158_801_000)), en.Text("record.not_confirmed", 1), en.Text("record.note.not_confirmed")}
	var asked []string
	for _, r := range b.records {
		if r.Reading != nil && r.Reading.Unexpected {
			asked = append(asked, r.Reading.Ask.Code)
			wants = append(wants, said.Say(r.Reading.Ask))
		}
	}
	if !slices.Equal(asked, []string{"ask.larger", "ask.smaller"}) {
		t.Errorf("asked about are %q", asked)
	}
	for _, want := range wants {
		if !strings.Contains(text, want) {
			t.Errorf("the record lacks %q:\n%s", want, text)
		}
	}
	var rows strings.Builder
	if err := b.part("001").Table().CSV(&rows); err != nil {
		t.Fatal(err)
	}
	if strings.Count(rows.String(), "unconfirmed") != 1 || strings.Count(rows.String(), ",yes,") != 4 {
		t.Errorf("rows:\n%s", rows.String())
	}
}

// A quantity has one rounding in a record: what the sentences say of the form stands in the tables
// with the same digits.
func TestOneRoundingOfAQuantity(t *testing.T) {
	p := sleeve(t)
	text := strings.Join(strings.Fields(PartRecord(p, notation.Format{}).Text()), " ")
	if strings.Contains(text, "millionths") || !strings.Contains(text, "11.8 µin (0.30 µm)") {
		t.Errorf("a sentence has a deviation in another rounding than the tables:\n%s", text)
	}
	for _, u := range regexp.MustCompile(`U = ([0-9.]+) µm`).FindAllStringSubmatch(text, -1) {
		if !strings.Contains(text, "("+u[1]+" µm)") && u[1] != "0.43" { // that of a difference stands once
			t.Errorf("U of %s µm stands elsewhere with other digits", u[1])
		}
	}
}

// From two-point readings nothing may be said that they can't show.
func TestNothingIsClaimedThatTwoPointsCantSee(t *testing.T) {
	never := regexp.MustCompile(`(?i)cylindric|roundness`)
	for _, p := range []Part{valve(t), sleeve(t)} {
		d := PartRecord(p, notation.Format{})
		for _, s := range []string{d.Text(), d.HTML("")} {
			if hit := never.FindString(s); hit != "" {
				t.Errorf("%s speaks of %q", d.Subject, hit)
			}
		}
	}
}

// A correction for the contacts is said in the record, has its column in the CSV, and
// leaves a line in the budget.
func TestIndentationIsSaid(t *testing.T) {
	for _, correct := range []bool{false, true} {
		set := shopSettings(t)
		set.Gauge.Tip, set.Gauge.CorrectIndentation = 2*analysis.Millimetre, correct
		set.Jobs["J-4112"].Material = "leaded bronze"
		b := newBench(t, set)
		b.begin("J-4112", "003", 0)
		b.play(rounds(t, "sleeve"), 0)
		p := b.part("003")
		text := strings.Join(strings.Fields(PartRecord(p, notation.Format{}).Text()), " ")
		if strings.Contains(text, en.Text("record.note.indented")) != correct || !strings.Contains(text, en.Text("budget.line.indentation")) {
			t.Errorf("correction %v:\n%s", correct, text)
		}
		var out bytes.Buffer
		if err := p.Table().CSV(&out); err != nil {
			t.Fatal(err)
		}
		rows, err := csv.NewReader(&out).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		i := slices.Index(rows[0], "indentation_um")
		if got, err := strconv.ParseFloat(rows[1][i], 64); err != nil || (got < -0.15 && got > -0.25) != correct {
			t.Errorf("correction %v: %s µm in the CSV, %v", correct, rows[1][i], err)
		}
	}
}

// What was stated of the gauge's own calibration when the zero was set is in the record.
func TestGaugeCalibrationInTheRecord(t *testing.T) {
	set := shopSettings(t)
	set.Gauge.Due, set.Gauge.Certified = time.Date(2026, 11, 1, 0, 0, 0, 0, time.UTC), "K-3001"
	b := newBench(t, set)
	b.begin("J-4112", "003", 0)
	b.play(rounds(t, "sleeve"), 0)
	p := b.part("003")
	if text := strings.Join(strings.Fields(PartRecord(p, notation.Format{}).Text()), " "); !strings.Contains(text, "G-07 K-3001 2026-11-01 "+en.Text("record.in_date.overdue", "2026-11-01")) {
		t.Errorf("the record:\n%s", text)
	}
	if text := MasteringLog(Log{Looks: b.records}, notation.Format{}).Text(); !strings.Contains(text, "K-3001") {
		t.Errorf("the log:\n%s", text)
	}
	var out bytes.Buffer
	if err := (Log{Looks: b.records}).Table().CSV(&out); err != nil || !strings.Contains(out.String(), ",K-3001,2026-11-01,no,,,\r\n") {
		t.Errorf("%v\n%s", err, out.String())
	}
	not := en.Text("record.not_stated")
	if text := strings.Join(strings.Fields(PartRecord(sleeve(t), notation.Format{}).Text()), " "); !strings.Contains(text, "G-11 "+not+" "+not+" "+en.Text("record.not_known")) {
		t.Errorf("the record does not say that nothing is stated of the calibration:\n%s", text)
	}
}

func pdf(t *testing.T, d *document.Document, paper document.Paper) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := d.PDF(&b, paper); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// extracted is the text that another program reads out of a PDF.
func extracted(t *testing.T, pdf []byte) string {
	t.Helper()
	daemontest.Needs(t, "pdftotext")
	extract := exec.Command("pdftotext", "-layout", "-", "-")
	extract.Stdin = bytes.NewReader(pdf)
	var complaints bytes.Buffer
	extract.Stderr = &complaints
	out, err := extract.Output()
	if err != nil || complaints.Len() > 0 {
		t.Fatalf("pdftotext: %v\n%s", err, &complaints)
	}
	return string(out)
}

// Every character of a record has a glyph in the typeface of the PDF.
func TestEveryLabelHasItsGlyphs(t *testing.T) {
	for _, p := range []Part{valve(t), sleeve(t)} {
		if text := extracted(t, pdf(t, PartRecord(p, notation.Format{}), document.A4)); strings.ContainsRune(text, '\uFFFD') {
			t.Errorf("a character has no glyph:\n%s", text)
		}
	}
}

// Another program opens a record and reads the same text out of it.
func TestPDFIsReadByOthers(t *testing.T) {
	daemontest.Needs(t, "pdftoppm")
	d := PartRecord(valve(t), notation.Format{})
	for _, paper := range []document.Paper{document.A4, document.Letter} {
		file := filepath.Join(t.TempDir(), "record.pdf")
		if err := os.WriteFile(file, pdf(t, d, paper), 0o600); err != nil {
			t.Fatal(err)
		}
		text := extracted(t, pdf(t, d, paper))
		pages := strings.Count(text, "\f")
		for _, want := range []string{"Ø 15.8780 mm", "±", "µm", strings.ToUpper(en.Text("outcome.accepted")), "✔", "15.8811", "R-0625", "K-2218", "mud in the bore", en.Text("document.page", 2, pages), strings.Repeat("a1b2c3d4", 8)} {
			if !strings.Contains(text, want) {
				t.Errorf("%s: pdftotext does not find %q", paper, want)
			}
		}
		if out, err := exec.Command("pdftoppm", "-r", "40", "-png", file, filepath.Join(filepath.Dir(file), "page")).CombinedOutput(); err != nil || len(out) > 0 {
			t.Errorf("pdftoppm: %v: %s", err, out)
		}
	}
}

// The same record gives the same bytes, whenever it is printed.
func TestPDFIsReproducible(t *testing.T) {
	a := pdf(t, PartRecord(valve(t), notation.Format{}), document.A4)
	b := pdf(t, PartRecord(valve(t), notation.Format{}), document.A4)
	if !bytes.Equal(a, b) {
		t.Error("the same record gave two different files")
	}
	if !bytes.Contains(a, []byte("D:20261125073341")) {
		t.Error("the file is not dated by its newest record, 2026-11-25 07:33:41 UTC")
	}
}

// Whatever a scanner or a keyboard brings in, the page stays a page and the PDF a PDF.
func TestAnyTextIsSafe(t *testing.T) {
	base := valve(t)
	rapid.Check(t, func(t *rapid.T) {
		p := base
		b, v, part := *base.Bore, *base.Bore.Verdict, *base.Bore.Part
		part.Serial = rapid.String().Draw(t, "serial")
		v.Reason = analysis.Quote(rapid.OneOf(rapid.String(), rapid.Just(`<script>alert(1)</script>"'&`), rapid.Just("溝 😀 \x00\u202e")).Draw(t, "reason"))
		b.Verdict, b.Part = &v, &part
		p.Bore = &b
		d := PartRecord(p, notation.Format{})
		wellFormed(t, d.Fragment())
		for _, r := range d.Text() {
			if r < 0x20 && r != '\n' {
				t.Fatalf("control character %U in the text", r)
			}
		}
	})
}

// Characters that the typeface lacks, even beyond the basic plane, leave the PDF
// whole and show as lacking.
func TestPDFOfAnyText(t *testing.T) {
	d := &document.Document{Title: "溝 😀", Subject: "part \u0000", At: time.Unix(0, 0), Blocks: []document.Block{document.Para(strings.Repeat("a", 400) + " 😀 12 µm")}}
	if text := extracted(t, pdf(t, d, document.A4)); strings.Count(text, "�") != 4 || !strings.Contains(text, "12 µm") {
		t.Errorf("read back: %q", text)
	}
}

type fataler interface{ Fatalf(string, ...any) }

// wellFormed reads a page as XML and refuses what a strict page forbids.
func wellFormed(t fataler, fragment string) {
	dec := xml.NewDecoder(strings.NewReader(fragment))
	for {
		tok, err := dec.Token()
		if errors.Is(err, io.EOF) {
			return
		}
		if err != nil {
			t.Fatalf("not well-formed: %v", err)
		}
		e, ok := tok.(xml.StartElement)
		if !ok {
			continue
		}
		if n := e.Name.Local; n == "script" || n == "style" {
			t.Fatalf("a <%s> in the page", n)
		}
		for _, a := range e.Attr {
			if n := a.Name.Local; n == "style" || strings.HasPrefix(n, "on") || n == "href" {
				t.Fatalf("attribute %s in the page", n)
			}
		}
	}
}

func TestRecordAsPage(t *testing.T) {
	d := PartRecord(valve(t), notation.Format{})
	// What a picture looks like is its own package's to hold.
	svg := regexp.MustCompile(`(?s)<svg.*?</svg>`)
	if n := len(svg.FindAllString(d.Fragment(), -1)); n != 2 {
		t.Errorf("%d pictures, want the cut and the approach", n)
	}
	page := d.HTML("/report.css")
	if !strings.Contains(page, `content="default-src 'none'; style-src 'self'"`) || !strings.Contains(page, `href="/report.css"`) {
		t.Error("the page does not forbid what it does not need")
	}
}

// Side story of the demo's shop: after the part was accepted the ring is read
// again and the zero has moved by more than the limit; the record says so.
func TestDoubtAfterAcceptance(t *testing.T) {
	set := shopSettings(t)
	set.Master.Lapse.Fresh, set.Master.Lapse.FreshReadings = 0, 0
	b := newBench(t, set)
	b.begin("J-4112", "003", 0)
	b.play(rounds(t, "sleeve"), 0)
	b.must(event.Action{Do: "accept"})
	b.wait(37 * time.Minute)
	b.ring("check", "R-1250", 45*um1/100)
	p := b.part("003")
	d := PartRecord(p, notation.Format{})
	if d.Outcome.Word != strings.ToUpper(en.Text("outcome.in_doubt", analysis.Say("outcome.accepted"))) || d.Outcome.Mark != document.Open {
		t.Errorf("stamp %+v", d.Outcome)
	}
	text := strings.Join(strings.Fields(d.Text()), " ")
	for _, want := range []string{en.Text("record.look.failed"), "+0.45", en.Text("record.look.finished_since", "003")} {
		if !strings.Contains(text, want) {
			t.Errorf("the record does not say %q:\n%s", want, text)
		}
	}
	if strings.Contains(text, strings.ToUpper(en.Text("outcome.accepted"))+" "+en.Text("record.asked")) {
		t.Error("a part in doubt stands there as accepted")
	}
}

// A failed check after a good one that came after the last reading puts nothing of
// the part in doubt.
func TestGoodCheckBetween(t *testing.T) {
	b := newBench(t, shopSettings(t))
	b.begin("J-4112", "003", 0)
	b.play(rounds(t, "sleeve"), 0)
	b.finish(0)
	b.wait(37 * time.Minute)
	b.ring("check", "R-1250", 45*um1/100)
	if s := PartRecord(b.part("003"), notation.Format{}).Outcome; s.Word != strings.ToUpper(en.Text("outcome.accepted")) {
		t.Errorf("stamp %+v", s)
	}
}

// A part that was accepted with no look at the ring since says that it is not final.
func TestNotLookedAtAfterAcceptance(t *testing.T) {
	set := shopSettings(t)
	set.Master.Lapse.Fresh, set.Master.Lapse.FreshReadings = 0, 0
	b := newBench(t, set)
	b.begin("J-4112", "003", 0)
	b.play(rounds(t, "sleeve"), 0)
	b.must(event.Action{Do: "accept"})
	says := en.Text("master.check_after", "003")
	if text := strings.Join(strings.Fields(PartRecord(b.part("003"), notation.Format{}).Text()), " "); !strings.Contains(text, says) {
		t.Errorf("not said:\n%s", text)
	}
	b.ring("check", "R-1250", 0)
	if text := strings.Join(strings.Fields(PartRecord(b.part("003"), notation.Format{}).Text()), " "); strings.Contains(text, says) {
		t.Error("said after a good check")
	}
}

// What a check put in doubt before the part was accepted, and was gauged again, leaves no
// doubt of the verdict.
func TestDoubtBeforeAcceptance(t *testing.T) {
	set := shopSettings(t)
	set.Master.Lapse.Fresh, set.Master.Lapse.FreshReadings = 0, 0
	b := newBench(t, set)
	b.begin("J-4112", "003", 0)
	all := rounds(t, "sleeve")
	b.play(all[:1], 0)
	b.ring("check", "R-1250", 45*um1/100)
	b.ring("master", "R-1250", 0)
	b.play(all, 0)
	b.must(event.Action{Do: "accept"})
	if s := PartRecord(b.part("003"), notation.Format{}).Outcome; s.Word != strings.ToUpper(en.Text("outcome.accepted")) {
		t.Errorf("stamp %+v", s)
	}
}

// A reading that a failed check has put in doubt while the part is in hand stands
// in brackets and does not count.
func TestDoubtInHand(t *testing.T) {
	b := newBench(t, shopSettings(t))
	b.begin("J-4112", "004", 0)
	b.play(rounds(t, "sleeve")[:1], 0)
	b.ring("check", "R-1250", 45*um1/100)
	d := PartRecord(b.part("004"), notation.Format{})
	if d.Outcome.Mark != document.Open || !strings.Contains(d.Text(), "(1.249071)") || !strings.Contains(d.Text(), en.Text("record.in_doubt", 6)) {
		t.Errorf("the record of a part in doubt:\n%s", d.Text())
	}
}

// A part of which nothing was gauged has a record too.
func TestEmptyPart(t *testing.T) {
	b := newBench(t, shopSettings(t))
	b.must(event.Action{Do: "job", Job: "J-4120"})
	b.must(event.Action{Do: "part", Part: "009"})
	d := PartRecord(b.part("009"), notation.Format{})
	if d.Outcome.Word != strings.ToUpper(en.Text("outcome.unfinished")) || !strings.Contains(strings.Join(strings.Fields(d.Text()), " "), en.Text("record.zero.no_ring_own")) {
		t.Errorf("record:\n%s", d.Text())
	}
	if d.At.IsZero() || len(pdf(t, d, document.Letter)) == 0 {
		t.Error("no file")
	}
	wellFormed(t, d.Fragment())
}

// Limits that were changed stand in the record with who changed them and when.
func TestLimitsChanged(t *testing.T) {
	set := shopSettings(t)
	b := newBench(t, set)
	set.Jobs["J-4120"].High = length(t, "15.8860 mm")
	b.must(event.Action{Do: "job", Job: "J-4120"})
	b.wait(time.Hour)
	next := shopSettings(t)
	next.Jobs["J-4120"].Revision = "C"
	b.keep(b.Configure(b.now, next))
	b.must(event.Action{Do: "job", Job: "J-4120"})
	b.must(event.Action{Do: "part", Part: "003"})
	text := strings.Join(strings.Fields(PartRecord(b.part("003"), notation.Format{}).Text()), " ")
	if !strings.Contains(text, en.Text("record.changed.revision", "B", "C")) || !strings.Contains(text, daemontest.Begins("record.changed.high", "15.8860")) {
		t.Errorf("the change of limits is missing:\n%s", text)
	}
}

// The averaging of a gauge is a line like the others, in s², and says what it rests on; a
// check of the speeds is told of.
func TestAveragingInTheRecord(t *testing.T) {
	b, err := uncertainty.Bore(uncertainty.BoreInput{Size: 31_750 * um1, RingU: 2500, Repeat: 1500, Readings: 1, Averaging: uncertainty.Averaging{HalfWidth: 1e-3, Motion: 500, Basis: uncertainty.ByAssumption, Source: "averaging_assumed"}})
	if err != nil {
		t.Fatal(err)
	}
	w := newWriter(nil, coded)
	table := w.budgetTable(&b, "in size, µm")
	row := table.Rows[len(table.Rows)-1]
	if row[0] != "⟦budget.line.averaging⟧" || row[5] != "s²" || row[9] != "⟦budget.basis.assumed⟧" || !slices.Contains(table.Notes, "⟦budget.averaging ⟦budget.source.averaging_assumed 100 ms⟧⟧") {
		t.Errorf("%q, %q", row, table.Notes)
	}
	what, detail := (&record{writer: w}).tell(&event.Record{Event: event.Event{Kind: event.SpeedsChecked, Speeds: &event.SpeedCheck{Ring: "R-1", Speeds: analysis.Speeds{Sentence: analysis.Quote("Reads 1.3 µm large.")}}}})
	if what != "⟦record.told.sped⟧" || detail != "⟦record.told.sped_ring R-1 Reads 1.3 µm large.⟧" {
		t.Errorf("%q, %q", what, detail)
	}
}

// How long a record takes as PDF, the typeface's subset included.
func BenchmarkPDF(b *testing.B) {
	d := PartRecord(valve(b), notation.Format{})
	n := 0
	for b.Loop() {
		var out bytes.Buffer
		if err := d.PDF(&out, document.A4); err != nil {
			b.Fatal(err)
		}
		n = out.Len()
	}
	b.ReportMetric(float64(n)/1024, "KiB")
}

// A decision that rests on what nobody stated says so, and how to know it.
func TestAssumptionsInTheRecord(t *testing.T) {
	set := shopSettings(t)
	set.Bases = map[string]analysis.Basis{uncertainty.ComponentDrift: analysis.ByAssumption}
	b := newBench(t, set)
	b.begin("J-4112", "003", -um1/5)
	b.play(rounds(t, "sleeve"), -um1/5)
	b.finish(-um1 / 5)
	p := b.part("003")
	if v := p.Bore.Verdict; v == nil || len(v.Assumes) != 1 || v.Assumes[0].Line != uncertainty.ComponentDrift {
		t.Fatalf("the verdict: %+v", p.Bore.Verdict)
	}
	says := en.Say(p.Bore.Assumes[0].Settle)
	for _, d := range []*document.Document{PartRecord(p, notation.Format{}), FirstArticle(p, notation.Format{})} {
		if text := strings.Join(strings.Fields(d.Text()), " "); !strings.Contains(text, daemontest.Begins("record.assumes")+daemontest.Begins("assume.drift")) || !strings.Contains(text, says) {
			t.Errorf("the record does not say %q:\n%s", says, text)
		}
	}
	if o := PartRecord(p, notation.Format{}).Outcome; !strings.Contains(o.Why, daemontest.Begins("record.assuming")+daemontest.Begins("assume.drift")) {
		t.Errorf("the headline does not say what it assumes: %q", o.Why)
	}
	if text := PartRecord(sleeve(t), notation.Format{}).Text(); strings.Contains(text, daemontest.Begins("record.assumes")) {
		t.Errorf("nothing is assumed, and it says so:\n%s", text)
	}
}
