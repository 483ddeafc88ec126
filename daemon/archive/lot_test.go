package archive

import (
	"bytes"
	"encoding/csv"
	"strings"
	"testing"

	"fairbore/analysis"
	"fairbore/daemon/event"
)

// A file of sizes is refused, or each of its rows is a size, and what was read is
// written and read again as it was. A study of it ends, with figures or with a reason.
func FuzzReadings(f *testing.F) {
	f.Add([]byte("size_mm\n31.7512\n31.7514\n31.7511\n31.7515\n"))
	f.Add([]byte("\ufeffpart, appraiser,size_in\r\n1,a,1.25003\r\n\"2\",b, 1.25004\r\n"))
	f.Add([]byte("size_um\n1e3\n-4\n1 1/8\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		rows, err := readings(bytes.NewReader(text))
		if err != nil {
			return
		}
		if len(rows) == 0 || len(rows) >= len(text) {
			t.Fatalf("%d rows of %d bytes", len(rows), len(text))
		}
		var b strings.Builder
		out := csv.NewWriter(&b)
		out.Write([]string{"size_um"})
		for _, r := range rows {
			out.Write([]string{strings.TrimSuffix(r.size.Format(analysis.UM, 4), " um")})
		}
		out.Flush()
		again, err := readings(strings.NewReader(b.String()))
		if err != nil || len(again) != len(rows) {
			t.Fatalf("read again: %d rows, %v", len(again), err)
		}
		for i := range again {
			if again[i].size != rows[i].size {
				t.Fatalf("row %d: %s, want %s", i, again[i].size, rows[i].size)
			}
		}
		if len(rows) > 200 {
			return
		}
		var said strings.Builder
		lim := analysis.Limits{Low: 31_7500_0000, High: 31_7525_0000}
		for _, n := range []int{0, 2} {
			if err := StudyLot(bytes.NewReader(text), LotOptions{Limits: lim, Subgroup: n}, &said); err == nil && (strings.Contains(said.String(), "NaN") || strings.Contains(said.String(), "Inf")) {
				t.Fatalf("said\n%s", said.String())
			}
		}
	})
}

// The sizes of a lot are those of its finished parts, whatever became of them: without the scrapped ones
// the spread would be that of a selection. A part on hold may still be worked on.
func TestLotCountsFinishedParts(t *testing.T) {
	s := openShop(t)
	b := s.bay("hone-bay-2")
	b.do(event.Action{Do: "job", Job: "J-4112"})
	b.do(event.Action{Do: "master", Ring: "R-1250", Of: 4})
	b.send("31.7497", "31.7497", "31.7497", "31.7497")
	b.sleeve("001", "31.7497", "31.7510", "31.7514", "31.7514", "31.7513", "31.7516", "31.7514")
	for _, p := range []struct{ serial, outcome string }{{"002", "scrap"}, {"003", "on_hold"}, {"004", "rework"}, {"005", "concession"}} {
		b.do(event.Action{Do: "part", Part: p.serial})
		b.send("31.7530", "31.7531", "31.7530", "31.7532", "31.7531", "31.7530")
		a := event.Action{Do: "disposition", Outcome: event.Outcome(p.outcome), Reason: "over"}
		if a.Outcome == event.Conceded {
			a.Number, a.GrantedBy = "C-1", "customer"
		}
		b.do(a)
	}
	var said strings.Builder
	if err := StudyJob(t.Context(), s.path, "J-4112", LotOptions{}, &said); err != nil {
		t.Fatal(err)
	}
	if want := en.Text("study.of_job", 3, "J-4112"); !strings.Contains(said.String(), want) {
		t.Errorf("lacks %q:\n%s", want, said.String())
	}
}

// What stands of a part is found however often its serial number came again.
func TestStandingOfAnOldPart(t *testing.T) {
	s := openShop(t)
	b := s.bay("hone-bay-2")
	b.do(event.Action{Do: "job", Job: "J-4112"})
	var first uint64
	for i := range 230 {
		b.do(event.Action{Do: "part", Part: "001"})
		b.do(event.Action{Do: "disposition", Outcome: event.Scrapped, Reason: "dropped"})
		if i == 0 {
			first = s.journal.Last()
		}
	}
	if now, err := Standing(t.Context(), s.journal, "hone-bay-2", "J-4112", "001", first); err != nil || now == nil || now.Seq != first {
		t.Errorf("%+v, %v; want the result %d", now, err, first)
	}
}
