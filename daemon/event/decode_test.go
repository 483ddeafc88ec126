package event

import (
	"encoding/json"
	"reflect"
	"testing"

	"pgregory.net/rapid"

	"fairbore/analysis"
)

// decodedAlike holds Decode against encoding/json, and returns whether the text was read by hand.
func decodedAlike(t testing.TB, d *Decoder, text []byte) bool {
	t.Helper()
	var want Event
	wrong := json.Unmarshal(text, &want)
	got, err := d.Decode(text)
	if (err != nil) != (wrong != nil) || err == nil && !reflect.DeepEqual(got, want) {
		t.Fatalf("%q\n got %+v, %v\nwant %+v, %v", text, got, err, want, wrong)
	}
	var byHand Event
	p := parser{text: text, names: new([64]string)}
	p.event(&byHand)
	return !p.failed && len(p.text) == 0
}

func TestDecodeEqualsUnmarshal(t *testing.T) {
	plain, d := 0, Decoder{}
	rapid.Check(t, func(rt *rapid.T) {
		text := rapid.SampledFrom([]string{"", "bay2", "Straße 4", "<bay>", `+31.7 mm\r\n`})
		e := Event{Station: text.Draw(rt, "station"), At: drawTime(rt), Kind: Taken, Source: text.Draw(rt, "source"), Command: text.Draw(rt, "command"), Person: text.Draw(rt, "person"), Simulated: rapid.Bool().Draw(rt, "simulated"), Note: text.Draw(rt, "note"), Reading: drawReading(rt)}
		if rapid.IntRange(0, 3).Draw(rt, "as drawn") > 0 {
			tame(rt, e.Reading)
		}
		body, err := e.AppendJSON(nil)
		if err != nil {
			return
		}
		if decodedAlike(t, &d, body) {
			plain++
		}
		// The same, spoilt: bytes changed, taken out, put in or repeated.
		for range rapid.IntRange(1, 3).Draw(rt, "changes") {
			i := rapid.IntRange(0, len(body)-1).Draw(rt, "at")
			n := min(rapid.IntRange(0, 12).Draw(rt, "bytes"), len(body)-i)
			in := rapid.OneOf(rapid.SampledFrom([]string{"", `"`, `\\`, `\u0041`, "0", "-", ".5", "1e3", "null", " ", `,"no":7`, "\xff", `,"note":"x"`, `{`, "99999999999999999999"}), rapid.Just(string(body[i:i+n]))).Draw(rt, "in")
			body = append(append(append([]byte{}, body[:i]...), in...), body[i+n:]...)
			if len(body) == 0 {
				return
			}
		}
		decodedAlike(t, &d, body)
	})
	if plain == 0 {
		t.Error("no reading was read by hand")
	}
}

// tame makes a reading one that is read by hand: with numbers of a bore and names without escapes.
func tame(t *rapid.T, r *Reading) {
	name := rapid.SampledFrom([]string{"", "J-4112", "Bohrung µ", `+31.7 mm\r\n`})
	r.Job, r.Part, r.Gauge, r.Channel, r.How, r.Sent.Frame = name.Draw(t, "job"), name.Draw(t, "part"), name.Draw(t, "gauge"), name.Draw(t, "channel"), name.Draw(t, "how"), name.Draw(t, "frame")
	for _, l := range []*analysis.Length{&r.Depth, &r.Size, &r.Raw} {
		*l %= 10_000_000_000
	}
	for _, d := range []*analysis.Deviation{&r.Deviation, &r.Zero} {
		*d %= 10_000_000
	}
	r.Sent.Digits %= 1_000_000_000
	r.Motion, r.MotionSlope, r.Ask = min(r.Motion, 1e6), max(r.MotionSlope, 0), analysis.Phrase{}
}

// usual is a reading as a rocked gauge gives it.
const usual = `{"station":"hone-bay-2","at":"2026-11-30T02:02:57.007891724Z","kind":"reading","source":"gauge","reading":{"no":1,"job":"J-4112","part":"001","depth_mm":5,"angle_deg":0,"round":0,` +
	`"size_mm":31.7303033,"capture_u_um":0.0607,"at":"2026-11-30T02:02:57.007891724Z","deviation_um":-20.9667,"gauge":"G-11","how":"turning","turns":3,"motion":264.167,"motion_spread":47718.3,"motion_slope":-188.733,` +
	`"sent":{"digits":317512,"places":4,"unit":"mm","frame":"+31.7512 mm\\r\\n"},"raw_mm":31.7298679,"zero_um":0.4354,"part_temperature_from":"entry","mastered":1}}`

func TestUsualReadingIsReadByHand(t *testing.T) {
	if !decodedAlike(t, new(Decoder), []byte(usual)) {
		t.Error("it was left to encoding/json")
	}
}

func FuzzDecode(f *testing.F) {
	f.Add([]byte(usual))
	f.Add([]byte(`{"station":"bay2","at":"2026-11-02T06:47:20Z","kind":"result","result":{"accepted":true}}`))
	var d Decoder
	f.Fuzz(func(t *testing.T, text []byte) { decodedAlike(t, &d, text) })
}

func BenchmarkDecode(b *testing.B) {
	for name, decode := range map[string]func([]byte) (Event, error){
		"by hand": new(Decoder).Decode,
		"json":    func(b []byte) (e Event, err error) { return e, json.Unmarshal(b, &e) },
	} {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if e, err := decode([]byte(usual)); err != nil || e.Reading.No != 1 {
					b.Fatal(err)
				}
			}
		})
	}
}
