package event

import (
	"encoding/json"
	"testing"
	"time"

	"pgregory.net/rapid"

	"fairbore/analysis"
)

// drawReading draws a reading with anything in it.
func drawReading(t *rapid.T) *Reading {
	text := rapid.OneOf(rapid.SampledFrom([]string{"", "J-4112", "0001", "µ<&>\"\\", "a\x00\xffb\u2028"}), rapid.String())
	length := rapid.Int64()
	number := rapid.Int64Range(-3, 1<<40)
	r := &Reading{
		No: int(number.Draw(t, "no")), Job: text.Draw(t, "job"), Part: text.Draw(t, "part"),
		Deviation: analysis.Deviation(length.Draw(t, "deviation")), Gauge: text.Draw(t, "gauge"), Channel: text.Draw(t, "channel"),
		How: text.Draw(t, "how"), Turns: rapid.IntRange(0, 2).Draw(t, "turns"), Raw: analysis.Length(length.Draw(t, "raw")),
		Zero: analysis.Deviation(length.Draw(t, "zero")), Thermal: analysis.Deviation(rapid.Int64Range(0, 1).Draw(t, "thermal")),
		Indentation: analysis.Deviation(rapid.Int64Range(-1, 1).Draw(t, "indentation")),
		PartFrom:    rapid.SampledFrom([]Source{"", BySensor, ByCooling}).Draw(t, "part from"),
		ExcessU:     analysis.Deviation(rapid.Int64Range(0, 1).Draw(t, "excess u")),
		Rocking: Rocking{
			Motion: rapid.SampledFrom([]float64{0, 1612.4, 1e21}).Draw(t, "motion"), MotionSpread: rapid.SampledFrom([]float64{0, 1.25e7}).Draw(t, "spread"),
			MotionSlope: rapid.SampledFrom([]float64{0, -3.5e-7, 1234.5}).Draw(t, "slope"),
		},
		Study:      rapid.SampledFrom([]*StudyTrial{nil, {Appraiser: "first <shift>", Trial: 2}}).Draw(t, "study"),
		Unexpected: rapid.Bool().Draw(t, "surprising"), Expected: analysis.Length(rapid.Int64Range(0, 1).Draw(t, "expected")),
		ExpectedU: analysis.Deviation(rapid.Int64Range(0, 1).Draw(t, "expected u")),
		Ask:       analysis.Phrase{Code: text.Draw(t, "code"), Text: text.Draw(t, "ask")}, Mastered: int(number.Draw(t, "mastered")),
		Sent: Sent{
			Digits: rapid.Int64().Draw(t, "digits"), Places: rapid.IntRange(0, 9).Draw(t, "places"), Frame: text.Draw(t, "frame"),
			Unit:    rapid.SampledFrom([]analysis.Unit{analysis.NoUnit, analysis.MM, analysis.UM, analysis.IN, analysis.UIN}).Draw(t, "unit"),
			Assumed: rapid.Bool().Draw(t, "assumed"),
		},
	}
	r.Depth, r.Angle = analysis.Length(length.Draw(t, "depth")), analysis.Angle(rapid.Int32().Draw(t, "angle"))
	r.Round, r.Size = rapid.IntRange(0, 9).Draw(t, "round"), analysis.Length(length.Draw(t, "size"))
	r.U, r.At = analysis.Deviation(rapid.Int64Range(0, 9).Draw(t, "u")), drawTime(t)
	return r
}

func drawTime(t *rapid.T) time.Time {
	zone := time.FixedZone("", rapid.SampledFrom([]int{0, 3600, -34200, 24 * 3600}).Draw(t, "zone"))
	return time.Unix(rapid.Int64Range(-70_000_000_000, 260_000_000_000).Draw(t, "s"), rapid.Int64Range(0, 999_999_999).Draw(t, "ns")).In(zone)
}

// What is written by hand is what encoding/json writes, and fails where that does.
func TestAppendJSONEqualsMarshal(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		text := rapid.SampledFrom([]string{"", "bay2", "<bay>"})
		e := Event{Station: text.Draw(rt, "station"), At: drawTime(rt), Kind: Taken, Source: text.Draw(rt, "source"), Command: text.Draw(rt, "command"), Person: text.Draw(rt, "person"), Simulated: rapid.Bool().Draw(rt, "simulated"), Note: text.Draw(rt, "note")}
		if rapid.IntRange(0, 9).Draw(rt, "with a reading") > 0 {
			e.Reading = drawReading(rt)
		}
		if rapid.IntRange(0, 9).Draw(rt, "with more") == 0 {
			e.Round = &Round{Number: 3}
		}
		r := Record{Journal: "4f\"", Seq: rapid.Uint64().Draw(rt, "seq"), Event: e}
		equal(rt, e.AppendJSON, e)
		equal(rt, r.AppendJSON, r)
		if body, err := json.Marshal(e); err == nil {
			r.Body = body
			equal(rt, r.AppendJSON, r)
		}
	})
}

func equal(t *rapid.T, appendJSON func([]byte) ([]byte, error), v any) {
	t.Helper()
	want, wrong := json.Marshal(v)
	got, err := appendJSON([]byte("x"))
	switch {
	case (err != nil) != (wrong != nil):
		t.Fatalf("%v, want %v", err, wrong)
	case err == nil && string(got) != "x"+string(want):
		t.Fatalf("\n got %s\nwant x%s", got, want)
	}
}

func BenchmarkAppendJSON(b *testing.B) {
	e := Event{Station: "bay2", At: time.Date(2026, 11, 25, 8, 0, 0, 123456789, time.UTC), Kind: Taken, Source: "gauge", Reading: &Reading{
		No: 17, Job: "J-4112", Part: "0001", Gauge: "G-11", How: "button", Raw: 317_500_000, Deviation: -12_500, Zero: -3000,
		Sent: Sent{Digits: 3175000, Places: 5, Unit: analysis.MM, Frame: "+0031.75000 mm"},
	}}
	var text []byte
	b.ReportAllocs()
	for b.Loop() {
		text, _ = e.AppendJSON(text[:0])
	}
}

// A reading of a journal written before there was the correction is read as it was.
func TestReadingWithoutIndentation(t *testing.T) {
	const old = `{"no":1,"job":"J-4112","part":"001","depth_mm":5,"angle_deg":0,"round":0,"size_mm":31.751,"at":"2026-11-25T08:00:00Z","deviation_um":-0.27,` +
		`"gauge":"G-11","how":"button","sent":{"digits":317513,"places":4,"unit":"mm"},"raw_mm":31.7513,"zero_um":-0.3,"mastered":1}`
	var r Reading
	if err := json.Unmarshal([]byte(old), &r); err != nil {
		t.Fatal(err)
	}
	if again, err := r.appendJSON(nil); err != nil || string(again) != old || r.Indentation != 0 {
		t.Errorf("read and written again: %s, %v", again, err)
	}
}
