package report

import (
	"bytes"
	"encoding/xml"
	"html"
	"os/exec"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/analysis/study"
	"fairbore/daemon/daemontest"
	"fairbore/daemon/document"
	"fairbore/daemon/event"
	"fairbore/daemon/picture"
	"fairbore/daemon/state"
)

// blank is a drawing without a word: what a drawing says is its own package's to hold.
type blank struct{}

func (blank) Draw(picture.Canvas) {}

// everyRecord puts one record of each kind together, with what can stand in it.
func everyRecord(t *testing.T, f notation.Format) map[string]*document.Document {
	t.Helper()
	b, made := lot(t)
	b.wait(time.Hour)
	b.ring("check", "R-1250", 95*um1/100)
	ofLot := func(from, to time.Time) *document.Document {
		made.From, made.To = from, to
		return LotReport(made, f)
	}
	now := &state.StudyNow{Study: event.Study{Appraiser: "P-1", Part: "001", Trial: 2, Trials: 3}, Taken: 3, Wanted: 30, Taking: true}
	now.Next = &event.Turn{Appraiser: "P-2", Part: "001", Trial: 1}
	begun := GaugeStudy{Title: "G-11 J-4112", Unit: analysis.IN, Plan: &StudyPlan{
		Study: event.Study{Parts: 5, Appraisers: []string{"P-1", "P-2"}, Trials: 3}, Now: now, Known: []string{"001"},
		Taken: map[[2]string][]*analysis.Length{{"001", "P-1"}: {&made.Job.Low}}, Short: analysis.Say("study.short"),
	}, Base: made.Job.Low, Left: []analysis.Phrase{analysis.Say("study.left.again", "001", "P-1", 1)}}
	table := aiag(t)
	byANOVA, err := study.ByANOVA(table, 4, study.PoolAbove)
	if err != nil {
		t.Fatal(err)
	}
	byRange, err := study.AverageAndRange(table, 0)
	if err != nil {
		t.Fatal(err)
	}
	whole := GaugeStudy{
		Title: "G-11 J-4112", From: made.Parts[0].Records[0].At, At: made.Parts[1].Records[0].At, Gauge: "G-11", Job: made.Job, Stations: []string{"bay-2"},
		Table: table, Results: []study.GaugeStudy{byANOVA, byRange}, Trace: made.Trace,
	}
	doubted := sleeve(t)
	doubted.Bore.Judged = nil // all readings are in doubt
	at := made.Parts[0].Records[0].At
	all := map[string]*document.Document{
		"part": PartRecord(valve(t), f), "part in inches": PartRecord(sleeve(t), f), "part with all that happens": PartRecord(eventful(t), f), "part in doubt": PartRecord(doubted, f),
		"first article": FirstArticle(valve(t), f), "lot": ofLot(time.Time{}, time.Time{}), "lot of a period": ofLot(at, at.Add(time.Hour*24)), "lot from": ofLot(at, time.Time{}), "lot before": ofLot(time.Time{}, at),
		"masterings": MasteringLog(Log{Looks: b.records, Trace: made.Trace}, f), "no masterings": MasteringLog(Log{Station: "bay-9"}, f),
		"study": GaugeStudyReport(whole, f), "study under way": GaugeStudyReport(begun, f),
	}
	for _, d := range all {
		for i, block := range d.Blocks {
			if x, ok := block.(document.Figure); ok {
				x.Drawing = blank{}
				d.Blocks[i] = x
			}
		}
	}
	return all
}

// eventful is a part to which everything happens that a record tells of.
func eventful(t *testing.T) Part {
	p := valve(t)
	last := p.Records[len(p.Records)-1]
	taken := *p.Records[slices.IndexFunc(p.Records, func(e event.Record) bool { return e.Reading != nil })].Reading
	add := func(e event.Event) {
		last.Seq++
		e.Station, e.At, e.Source = last.Station, last.At, "page"
		p.Records = append(p.Records, event.Record{Journal: last.Journal, Seq: last.Seq, Event: e})
	}
	read := func(change func(*event.Reading)) {
		r := taken
		change(&r)
		add(event.Event{Kind: event.Taken, Reading: &r})
	}
	warm := 21 * analysis.Celsius
	add(event.Event{Kind: event.Restored, Void: &event.Void{No: taken.No}})
	add(event.Event{Kind: event.Kept, Void: &event.Void{No: 999, Reason: analysis.Quote("TYPED-1")}})
	add(event.Event{Kind: event.Placed, Place: &event.Choice{Place: taken.Place, Skip: true}})
	add(event.Event{Kind: event.Reworked, Rework: &event.Rework{Values: []event.Reworking{{No: 1, Was: taken.Size, Now: taken.Size, Within: 1000}}}})
	add(event.Event{Kind: event.Warmed, Warm: &event.Warmth{Ring: &warm}})
	add(event.Event{Kind: event.GaugeSeen, Gauge: &event.InstrumentState{Name: "G-07", Lost: true, Why: analysis.Say("port.gone", "/dev/ttyUSB0")}})
	add(event.Event{Kind: event.GaugeSeen, Gauge: &event.InstrumentState{Name: "G-07"}})
	add(event.Event{Kind: event.ClockSet, Clock: &event.Clock{Jump: 3.5}})
	add(event.Event{Kind: event.Flooded, Flood: &event.Flood{Gauge: "G-11", Readings: 1, Others: 2, Rate: 200}})
	add(event.Event{Kind: event.ClockSet, Clock: &event.Clock{Jump: -3.5}})
	add(event.Event{Kind: event.Started, Note: "TYPED-3"})
	add(event.Event{Kind: event.NoteAdded, Note: "TYPED-4"})
	add(event.Event{Kind: event.Disturbed, Note: "TYPED-5"})
	add(event.Event{Kind: event.Disturbed, Note: "TYPED-5"})
	read(func(r *event.Reading) {
		r.Unexpected, r.Expected, r.ExpectedU, r.Ask = true, r.Size, 500, analysis.Say("ask.right_place", taken.Place, taken.Place)
	})
	read(func(r *event.Reading) { r.Ask = analysis.Say("ask.right_place", taken.Place, taken.Place) })
	read(func(r *event.Reading) { r.How = "manual" })
	read(func(r *event.Reading) { r.Mastered = 0 })
	return p
}

// inBrackets is a text of the catalogue of codes, the innermost first.
var inBrackets = regexp.MustCompile(`⟦[^⟦⟧]*⟧`)

// word is what no language but English would write.
var word = regexp.MustCompile(`\p{L}{2,}`)

// untranslated are words outside of the catalogue's texts that are none: names of jobs,
// rings, gauges, parts and people, what somebody has typed, where an event came from, and
// units.
func untranslated() []string {
	return []string{
		"spindle sleeve", "relief valve body", "tool steel", "grey iron", "mud in the bore, washed and gauged again", "over at the front, concession asked for",
		"bay", "example", "TYPED", "mm", "in", "µm", "µin",
	}
}

func TestEveryWordOfARecordIsFromTheCatalogue(t *testing.T) {
	known := regexp.MustCompile(`(^|\PL)(` + strings.Join(untranslated(), "|") + `)($|\PL)|` + event.HeadTitle + ` journal [^⟦]*Z|[0-9a-f]{32,}`) // a head is for programs, and the same in every language
	tag := regexp.MustCompile(`<[^>]*>`)
	for name, d := range everyRecord(t, notation.Format{Language: notation.Codes()}) {
		page := d.HTML("/style.css")
		for _, text := range tag.Split(page, -1) {
			rest := html.UnescapeString(text)
			for inBrackets.MatchString(rest) {
				rest = inBrackets.ReplaceAllString(rest, "")
			}
			if left := known.ReplaceAllString(rest, ""); word.MatchString(left) {
				t.Errorf("%s: %q", name, text)
			}
		}
		// Text and paper say the same, and at the foot and head of a page nothing in words.
		said := strings.ToLower(html.UnescapeString(page) + strings.Join(d.Foot, "") + "⟦document.page")
		for form, text := range map[string]string{"text": d.Text(), "PDF": extracted(t, pdf(t, d, document.A4))} {
			for token := range strings.FieldsSeq(text) {
				if !strings.Contains(said, strings.ToLower(token)) && word.MatchString(token) {
					t.Errorf("%s as %s: %q is not on the page", name, form, token)
				}
			}
		}
	}
}

// No code is without its text in any language, and on paper no word leaves the page, lacks a glyph
// or stands on another one: as another program finds them.
func TestEveryRecordIsInEachLanguage(t *testing.T) {
	for _, l := range notation.Languages() {
		for name, d := range everyRecord(t, notation.Format{Language: l}) {
			for _, line := range strings.Split(d.Text(), "\n") {
				if strings.ContainsAny(line, "⟦⟧…") {
					t.Errorf("%s, %s: %q", l.Tag, name, line)
				}
			}
			for n, p := range printed(t, pdf(t, d, document.A4)) {
				if len(p.Words) == 0 {
					t.Errorf("%s, %s: page %d is empty", l.Tag, name, n+1)
				}
				for i, w := range p.Words {
					if w.X0 < 0 || w.X1 > p.W || w.Y1 > p.H || strings.ContainsRune(w.Text, '\uFFFD') {
						t.Errorf("%s, %s, page %d: %q stands at %.0f to %.0f, %.0f of %.0f × %.0f", l.Tag, name, n+1, w.Text, w.X0, w.X1, w.Y1, p.W, p.H)
					}
					for _, o := range p.Words[:i] {
						across, down := min(w.X1, o.X1)-max(w.X0, o.X0), min(w.Y1, o.Y1)-max(w.Y0, o.Y0)
						if across > 1 && down > min(w.Y1-w.Y0, o.Y1-o.Y0)/2 {
							t.Errorf("%s, %s, page %d: %q stands on %q", l.Tag, name, n+1, w.Text, o.Text)
						}
					}
				}
			}
		}
	}
}

// onPaper is a page as another program finds it, in points.
type onPaper struct {
	W     float64 `xml:"width,attr"`
	H     float64 `xml:"height,attr"`
	Words []struct {
		Text string  `xml:",chardata"`
		X0   float64 `xml:"xMin,attr"`
		X1   float64 `xml:"xMax,attr"`
		Y0   float64 `xml:"yMin,attr"`
		Y1   float64 `xml:"yMax,attr"`
	} `xml:"word"`
}

// printed takes the words of a PDF out with their places.
func printed(t *testing.T, file []byte) []onPaper {
	t.Helper()
	daemontest.Needs(t, "pdftotext")
	read := exec.Command("pdftotext", "-bbox", "-", "-")
	read.Stdin = bytes.NewReader(file)
	out, err := read.Output()
	if err != nil {
		t.Fatal(err)
	}
	var doc struct {
		Pages []onPaper `xml:"body>doc>page"`
	}
	dec := xml.NewDecoder(bytes.NewReader(out))
	dec.Strict, dec.Entity = false, xml.HTMLEntity
	if err := dec.Decode(&doc); err != nil {
		t.Fatal(err)
	}
	return doc.Pages
}

func TestARecordNamesTheMaterialInItsLanguage(t *testing.T) {
	german := notation.Format{Language: notation.Spoken("de")}
	p := sleeve(t)
	p.Bore.Job.Material = "tool steel"
	if text := PartRecord(p, german).Text(); !strings.Contains(text, german.Text("material.tool steel")) {
		t.Errorf("the record lacks the German name of tool steel:\n%s", text)
	}
	p.Bore.Job.Material = "tool steel, hardened"
	if text := PartRecord(p, german).Text(); !strings.Contains(text, "tool steel, hardened") {
		t.Errorf("the record lacks the name that a person gave:\n%s", text)
	}
}
