package event

import (
	"encoding/json"
	"io"
	"reflect"
	"strconv"
	"strings"
	"testing"
	"unicode/utf8"

	"fairbore/analysis"
)

// A command is one JSON value and nothing else.
func TestParseActionTakesOne(t *testing.T) {
	for _, payload := range []string{
		`{"id": "1", "do": "record"} {"id": "2", "do": "record"}`, `{"id": "1", "do": "record"}]`, `{"id": "1", "do": "record"}}`, `{"id": "1", "do": "record"} x`,
		`{"id": "1", "do": "record", "what": 1}`, ``, `[]`, `"take"`, `{"id": 1}`,
	} {
		if a, err := ParseAction([]byte(payload)); err == nil {
			t.Errorf("%s: taken as %+v", payload, a)
		}
	}
	if a, err := ParseAction([]byte("{\"id\": \"1\", \"do\": \"record\"}\r\n ")); err != nil || a.Do != "record" {
		t.Errorf("%+v, %v", a, err)
	}
}

// Whatever comes as a command is refused, or is one JSON value that reads back the same.
func FuzzParseAction(f *testing.F) {
	for _, a := range []Action{
		{ID: "1", Do: "record"}, {ID: "2", Do: "round", Strokes: 400, Seconds: 12.5, Dressed: true}, {ID: "3", Do: "void", Reading: 3, Reason: "dirt", Confirm: true},
	} {
		b, err := json.Marshal(a)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b)
	}
	f.Add([]byte(`{"id":"1","do":"job","spec":{"id":"J-9","nominal_mm":31.75,"unit":"mm","sections_mm":[5,32],"orientations_deg":[0,90]}}`))
	f.Add([]byte(`{"id":"1","do":"temperature","part_cel":21.5,"ring_cel":null}`))
	f.Fuzz(func(t *testing.T, payload []byte) {
		a, err := ParseAction(payload)
		if err != nil {
			return
		}
		if !json.Valid(payload) {
			t.Fatalf("%q is not one JSON value", payload)
		}
		dec := json.NewDecoder(strings.NewReader(string(payload)))
		if dec.Decode(new(any)); dec.Decode(new(any)) != io.EOF {
			t.Fatalf("%q holds more than one", payload)
		}
		b, err := json.Marshal(a)
		if err != nil {
			t.Fatalf("%q: %v", payload, err)
		}
		again, err := ParseAction(b)
		if err != nil || !reflect.DeepEqual(again, a) {
			t.Fatalf("%s reads back as %+v, %v; want %+v", b, again, err, a)
		}
	})
}

// The limits of texts count characters, as configs/schema/do.json does (JSON Schema, maxLength).
func TestActionTextsCountCharacters(t *testing.T) {
	for a, ok := range map[*Action]bool{
		{Part: strings.Repeat("ü", 64), Reason: strings.Repeat("ö", 500), ID: strings.Repeat("é", 100)}: true,
		{Part: strings.Repeat("ü", 65)}:    false,
		{Reason: strings.Repeat("ö", 501)}: false,
		{ID: strings.Repeat("é", 101)}:     false,
		{PartPapers: analysis.PartPapers{Order: strings.Repeat("ü", 64), Heat: strings.Repeat("ü", 64), Fields: make12("ü")}}: true,
		{PartPapers: analysis.PartPapers{Order: strings.Repeat("ü", 65)}}:                                                     false,
		{PartPapers: analysis.PartPapers{Heat: "a\u0007"}}:                                                                    false,
		{PartPapers: analysis.PartPapers{Heat: strings.Repeat("x", 64<<10)}}:                                                  false,
		{PartPapers: analysis.PartPapers{Fields: append(make12("ü"), analysis.Field{Name: "13"})}}:                            false,
	} {
		if err := a.Check(); (err == nil) != ok {
			t.Errorf("%d, %d, %d characters: %v", utf8.RuneCountInString(a.Part), utf8.RuneCountInString(a.Reason), utf8.RuneCountInString(a.ID), err)
		}
	}
}

// make12 returns as many fields as a part may have.
func make12(value string) (fields []analysis.Field) {
	for i := range 12 {
		fields = append(fields, analysis.Field{Name: strconv.Itoa(i), Value: value})
	}
	return fields
}
