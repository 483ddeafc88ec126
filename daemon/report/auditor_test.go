package report

import (
	"regexp"
	"strings"
	"testing"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/daemon/document"
	"fairbore/daemon/event"
)

// papered is a part of a job with everything on its papers, made by people who are named.
func papered(t testing.TB) (*bench, Part) {
	set := shopSettings(t)
	set.Letterhead = event.Letterhead{Lines: []string{"Quarry Lane Honing", "12 Quarry Lane"}}
	j := set.Jobs["J-4120"]
	j.Papers = analysis.Papers{
		Drawing: "D-1188", PartNumber: "V-20-7", Order: "PO-5501", Customer: "Weir Hydraulics", Operation: "40 hone",
		Balloons: analysis.Balloons{Size: "12", Variation: "13"}, Fields: []analysis.Field{{Name: "lot card", Value: "LC-9"}},
	}
	b := newBench(t, set)
	b.begin("J-4120", "001", 0)
	b.play(rounds(t, "relief-valve"), 0)
	b.finish(0)
	b.records = append([]event.Record{{Journal: journalID, Event: event.Event{Station: set.Station, At: b.records[0].At, Kind: event.Configured, Settings: &set.Settings}}}, b.records...)
	for i := range b.records {
		e := &b.records[i]
		e.Seq, e.Person = uint64(i+1), "ak"
		if e.Verdict != nil {
			v := *e.Verdict
			v.SignedBy = "qm"
			e.Verdict = &v
		}
	}
	return b, b.part("001")
}

// What an auditor asks of a record is on its paper, as another program reads it: who, what, with what,
// traceable to what, by which rule, how sure, in whose order, which report, page n of m.
func TestAuditorsList(t *testing.T) {
	b, p := papered(t)
	made := Lot{Job: p.Bore.Job, Parts: []Part{p}, Limits: p.Limits, Trace: Trace{First: p.Records[0].Seq, Head: headAt(b.records)}}
	set := b.set.Settings
	log := Log{Looks: b.records, Trace: Trace{First: 1, Head: headAt(b.records)}, Settings: &set}
	always := map[string]string{
		"whose record": `Quarry Lane Honing`, "which journal": journalID, "traceable to what": `Gauge G-07 was set on ring R-0625, certified size 15\.87508 mm .*U = .*certificate K-2218 states, due 2026-12-04`,
		"who mastered": `mastered by +ak`, "with which gauge": `G-07`, "with which ring": `R-0625`, "how sure of the ring": `0\.25`,
	}
	ofParts := map[string]string{
		"who measured": `measured by +ak`, "who accepted": `accepted by +ak`, "who signed": `signed off by +qm`,
		"what": `J-4120`, "which drawing": `D-1188, revision B`, "in whose order": `PO-5501`, "for whom": `Weir Hydraulics`, "which part number": `V-20-7`, "which operation": `40 hone`, "own field": `lot card +LC-9`,
		"which requirement": `\(12\) (low limit|Ø)`, "by which rule": `ISO 14253-1`,
	}
	ofOne := map[string]string{"which part": `part 001`, "how sure": `U of a size`, "by which limits": `Acceptance limits: 15\.`, "its result": `ACCEPTED`, "requirement of form": `\(13\) size variation`}
	for name, c := range map[string]struct {
		doc    *document.Document
		number string
		wants  []map[string]string
	}{
		"part":          {PartRecord(p, notation.Format{}), "Report P-0f1e2d3c-", []map[string]string{always, ofParts, ofOne}},
		"first article": {FirstArticle(p, notation.Format{}), "Report F-0f1e2d3c-", []map[string]string{always, ofParts, ofOne}},
		"lot":           {LotReport(made, notation.Format{}), "Report L-0f1e2d3c-", []map[string]string{always, ofParts}},
		"masterings":    {MasteringLog(log, notation.Format{}), "Report M-0f1e2d3c-", []map[string]string{always}},
	} {
		text := extracted(t, pdf(t, c.doc, document.A4))
		pages := strings.Split(strings.TrimSuffix(text, "\f"), "\f")
		for i, page := range pages {
			if !strings.Contains(page, en.Text("document.page", i+1, len(pages))) || !regexp.MustCompile(c.number+`[0-9-]+, issue [0-9]+`).MatchString(page) {
				t.Errorf("%s: page %d lacks its number, or that of the report:\n%s", name, i+1, page)
			}
		}
		flat := strings.Join(strings.Fields(text), " ")
		for _, list := range c.wants {
			for what, want := range list {
				if !regexp.MustCompile(want).MatchString(flat) {
					t.Errorf("%s does not say %s (%s):\n%s", name, what, want, flat)
				}
			}
		}
	}
}

// Where no certificate is stated the record says so and claims nothing; an overdue one claims nothing
// either.
func TestNoClaimWithoutACertificate(t *testing.T) {
	w := newWriter(nil, en)
	look := func(r analysis.Ring) string {
		e := event.Record{Event: event.Event{At: headAt(valve(t).Records).At, Kind: event.Mastered, Master: &event.Master{Gauge: "G-07", Ring: r}}}
		return strings.Join(w.traceable([]event.Record{e}), " ")
	}
	none := look(analysis.Ring{ID: "R-1", Size: 31_750 * um1})
	if !strings.Contains(none, "no certificate stated") || strings.Contains(none, "is traceable to") {
		t.Errorf("without a certificate: %s", none)
	}
	over := look(analysis.Ring{ID: "R-1", Size: 31_750 * um1, Certified: "K-1", Due: headAt(valve(t).Records).At.AddDate(0, 0, -2)})
	if !strings.Contains(over, "claims no traceability") {
		t.Errorf("overdue: %s", over)
	}
	if said := strings.Join(w.traceable(nil), " "); !strings.Contains(said, "No ring was read") {
		t.Errorf("without a ring: %s", said)
	}
}

// The issue counts from the first result, and grows with each event that the record tells of.
func TestIssueOfARecord(t *testing.T) {
	b := newBench(t, shopSettings(t))
	b.begin("J-4112", "003", 0)
	b.play(rounds(t, "sleeve"), 0)
	if d := PartRecord(b.part("003"), en); !strings.Contains(d.Number, "draft at row") {
		t.Errorf("before a result: %s", d.Number)
	}
	b.finish(0)
	first := PartRecord(b.part("003"), en).Number
	if !strings.HasSuffix(first, ", issue 1") {
		t.Errorf("at the first result: %s", first)
	}
	b.wait(1e9)
	b.ring("check", "R-1250", 0)
	if d := PartRecord(b.part("003"), en); d.Number != strings.Replace(first, "issue 1", "issue 2", 1) {
		t.Errorf("after a look at the ring: %s, was %s", d.Number, first)
	}
}
