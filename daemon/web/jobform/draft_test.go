package jobform

import (
	"encoding/json"
	"maps"
	"reflect"
	"slices"
	"strings"
	"testing"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/daemon/web/shoptest"
)

// A job as typed is the job that is meant: the unit of the drawing where none is
// written, limits as sizes or as deviations, lists with any of their separators.
func TestDraftIsRead(t *testing.T) {
	d := Read(shoptest.SleeveTyped(), notation.Format{})
	d.Check("bay2", shopEntry(), nil)
	if len(d.Faults) > 0 {
		t.Fatalf("faults %v", d.Faults)
	}
	want := shoptest.Sleeve()
	j := &d.Job
	if j.Low != want.Low || j.High != want.High || j.Target != want.Target || j.Length != want.Length || j.Band != want.Band {
		t.Errorf("limits %s %s %s, length %s, band %v", j.Low, j.High, j.Target, j.Length, j.Band)
	}
	if len(j.Plan()) != 6 || j.Plan()[5] != want.Plan()[5] || j.Variation != analysis.Deviation(analysis.Micrometre) {
		t.Errorf("plan %v, variation %v", j.Plan(), j.Variation)
	}
	if len(j.Interrupts) != 1 || j.Interrupts[0].What != "groove" || j.Interrupts[0].To != 12*analysis.Millimetre {
		t.Errorf("interrupts %+v", j.Interrupts)
	}
	if d.Echo["high"] != "31.7525 mm · 1.250100 in" {
		t.Errorf("the high limit is echoed %q", d.Echo["high"])
	}
}

// The ends of a bore have names in the reader's language; the job keeps the program's own name. A
// name as the drawing has it stays as it is.
func TestFaceIsTypedInTheReadersWords(t *testing.T) {
	for _, l := range append(notation.Languages(), notation.Codes()) {
		f := notation.Format{Language: l}
		for _, face := range append(analysis.Faces(), "flange") {
			j := shoptest.Sleeve()
			j.Face = face
			text := Typed(j, f)
			if got := Read(text, f).Job.Face; got != face {
				t.Errorf("%s: %q is shown as %q and read as %q", l.Tag, face, text[FieldFace], got)
			}
		}
	}
	if text := Typed(shoptest.Sleeve(), notation.Format{Language: notation.Spoken("es")}); text[FieldFace] != "delante" {
		t.Errorf("in Spanish the front is %q", text[FieldFace])
	}
}

// A fraction is read where the drawing is in inches.
func TestDraftByFraction(t *testing.T) {
	text := shoptest.SleeveTyped()
	text["nominal"] = "1-1/4"
	d := Read(text, notation.Format{})
	if d.Check("bay2", shopEntry(), nil); len(d.Faults) > 0 || d.Job.Nominal != shoptest.Sleeve().Nominal || !strings.Contains(d.Echo["nominal"], "1.25") {
		t.Errorf("1-1/4 is %s, echoed %q; faults %v", d.Job.Nominal, d.Echo["nominal"], d.Faults)
	}
}

// The class of a hole stands for its limits: 25 H7 is +21 µm and 0 (ISO 286-1:2010,
// Tables 1 and 2).
func TestDraftByClass(t *testing.T) {
	text := shoptest.SleeveTyped()
	maps.Copy(text, map[string]string{"unit": "mm", "nominal": "25", "class": "H7", "low": "", "high": "", "length": "60", "ring": "R-0875"})
	d := Read(text, notation.Format{})
	if d.Job.Low != 25*analysis.Millimetre || d.Job.High != 25*analysis.Millimetre+21*analysis.Micrometre {
		t.Errorf("25 H7 is %s to %s", d.Job.Low, d.Job.High)
	}
	d.Check("bay2", shopEntry(), nil)
	if len(d.Ask) != 1 || !strings.Contains(d.Ask[0], "R-0875") {
		t.Errorf("a ring that is 2.8 mm from the target is asked about so: %q", d.Ask)
	}
}

// What is wrong is said at the field that it is wrong in, in plain words.
func TestDraftFaults(t *testing.T) {
	for name, c := range map[string]struct {
		change map[string]string
		field  string
		says   string
	}{
		"no name":          {map[string]string{"id": " "}, "id", "⟦entry.missing.id⟧"},
		"name of the shop": {map[string]string{"id": "J-4107"}, "id", "⟦job.id_taken J-4107⟧"},
		"no number":        {map[string]string{"nominal": "about 30"}, "nominal", "⟦entry.length.in about 30⟧"},
		"too fine":         {map[string]string{"nominal": "1-1/3"}, "nominal", "⟦length.finer 1-1/3⟧"},
		"many decimals":    {map[string]string{"nominal": "1.2500000000000000000001"}, "nominal", "⟦length.finer 1.2500000000000000000001⟧"},
		"too large":        {map[string]string{"nominal": "99999999999999999999"}, "nominal", "⟦length.range 99999999999999999999⟧"},
		"fraction of mm":   {map[string]string{"nominal": "31-3/4 mm"}, "nominal", "⟦length.inches 31-3/4 mm⟧"},
		"mm for inch":      {map[string]string{"nominal": "31.75", "low": "", "high": "", "class": "H7"}, "class", "⟦fit.class.nominal 806.4500 mm⟧"},
		"limits crossed":   {map[string]string{"high": "1.2499"}, "high", "⟦job.low_order 31.7475 mm 31.7500 mm⟧"},
		"no sign":          {map[string]string{"high": "0.010"}, "high", "⟦entry.limit_sign 0.010 +0.010⟧"},
		"no sign, low":     {map[string]string{"low": "0,0001", "high": "+0,0002"}, "low", "⟦entry.limit_sign 0,0001 +0,0001⟧"},
		"long drawing":     {map[string]string{"drawing": strings.Repeat("Q", 65)}, "drawing", "⟦job.record_line drawing 64⟧"},
		"unseen in order":  {map[string]string{"order": "W-\u202e1"}, "order", "⟦job.record_line order 64⟧"},
		"long balloon":     {map[string]string{"balloon_size": strings.Repeat("1", 17)}, "balloon_size", "⟦job.record_line balloons.size 16⟧"},
		"field, no name":   {map[string]string{"fields": "IP-7"}, "fields", "⟦job.record_name fields⟧"},
		"field twice":      {map[string]string{"fields": "plan: 1; plan: 2"}, "fields", "⟦job.record_twice fields plan⟧"},
		"13 fields":        {map[string]string{"fields": "a:1;b:1;c:1;d:1;e:1;f:1;g:1;h:1;i:1;j:1;k:1;l:1;m:1"}, "fields", "⟦job.record_fields fields 12⟧"},
		"shaft":            {map[string]string{"class": "h7", "low": "", "high": ""}, "class", "⟦entry.class_of_shaft h7 H7⟧"},
		"class and limits": {map[string]string{"class": "H7"}, "class", "⟦entry.class_and_limits⟧"},
		"no limits":        {map[string]string{"low": "", "high": ""}, "low", "⟦entry.missing.limits⟧"},
		"target outside":   {map[string]string{"target": "1.26"}, "target", "⟦job.target 32.0040 mm 31.7500 mm 31.7525 mm⟧"},
		"no wall":          {map[string]string{"outside": "1.25"}, "outside", "⟦job.outside 31.75 mm⟧"},
		"depth outside":    {map[string]string{"sections": "5mm 90mm"}, "sections", "⟦job.sections_outside 90 mm 63.5 mm⟧"},
		"depth in groove":  {map[string]string{"sections": "5mm 11mm"}, "sections", "⟦job.sections_gap 11 mm groove "},
		"no depths":        {map[string]string{"sections": ""}, "sections", "⟦entry.missing.sections⟧"},
		"too many":         {map[string]string{"sections": strings.Repeat("1 ", 300)}, "sections", "⟦job.sections_many 300 2 240⟧"},
		"no angle":         {map[string]string{"orientations": "0 east"}, "orientations", "⟦entry.angle east⟧"},
		"ring not there":   {map[string]string{"ring": "R-9"}, "ring", "⟦job.ring_unknown R-9 R-0875, R-1250⟧"},
		"no unit":          {map[string]string{"unit": "furlong"}, "unit", "⟦entry.unit⟧"},
		"half a groove":    {map[string]string{"interrupts": "9"}, "interrupts", "⟦entry.interrupts⟧"},
		"no material":      {map[string]string{"material": ""}, "material", "⟦entry.missing.material⟧"},
	} {
		text := shoptest.SleeveTyped()
		maps.Copy(text, c.change)
		d := Read(text, notation.Format{Language: notation.Codes()})
		d.Check("bay2", shopEntry(), nil)
		if !strings.HasPrefix(d.Faults[c.field], c.says) {
			t.Errorf("%s: want %q at %s, got %q", name, c.says, c.field, d.Faults)
		}
	}
}

// What is usual is offered where nothing is typed yet.
func TestDraftOffersWhatIsUsual(t *testing.T) {
	text := shoptest.SleeveTyped()
	maps.Copy(text, map[string]string{"unit": "mm", "nominal": "31.75", "length": "63.5", "sections": ""})
	if d := Read(text, notation.Format{}); d.Usual["sections"][0] != "4 32 59" || !slices.Contains(d.Usual["sections"], "4 18 32 45 59") || d.Usual["orientations"][0] != "0 90" {
		t.Errorf("offered %q", d.Usual)
	}
}

// Any job of the shop, typed as the page would copy it, is that job again.
func TestTypedJobIsTheJob(t *testing.T) {
	thick := shoptest.Sleeve()
	thick.Outside = shoptest.Length("2.5 in")
	for _, j := range []*analysis.Job{shoptest.Bush(), shoptest.Sleeve(), shoptest.Valve(), shoptest.Tube(), thick} {
		for _, l := range notation.Languages() {
			f := notation.Format{Language: l}
			text := Typed(j, f)
			text["id"] = "J-1"
			for _, sign := range []notation.DecimalSign{notation.UsualSign, notation.Point, notation.Comma} {
				f.Sign = sign
				got := Read(text, f).Job
				got.ID = j.ID
				a, err1 := json.Marshal(j)
				b, err2 := json.Marshal(&got)
				if err1 != nil || err2 != nil || string(a) != string(b) {
					t.Errorf("%s, %s became\n%s\nwas\n%s", l.Tag, j.ID, b, a)
				}
			}
		}
	}
}

// shopEntry takes jobs in as a station of the demo does.
func shopEntry() *Entry {
	set := shoptest.Settings()
	return &Entry{Check: func(_ string, j *analysis.Job) []error { return set.CheckJob(j) }, Rings: func(string) []*analysis.Ring { return shoptest.Rings() }}
}

// What is for the record is read, and typed again for a copy of the job as it was.
func TestDraftOfThePapers(t *testing.T) {
	text := shoptest.SleeveTyped()
	maps.Copy(text, map[string]string{
		"drawing": "QL-4112", "part_number": "4112-01", "order": " W-2231 ", "customer": "press shop", "operation": "40 hone",
		"balloon_size": "12", "balloon_variation": "13", "fields": "inspection plan: IP-7: B; fixture:3",
	})
	d := Read(text, notation.Format{})
	if d.Check("bay2", shopEntry(), nil); len(d.Faults) > 0 {
		t.Fatalf("faults %v", d.Faults)
	}
	want := analysis.Papers{
		Drawing: "QL-4112", PartNumber: "4112-01", Order: "W-2231", Customer: "press shop", Operation: "40 hone",
		Balloons: analysis.Balloons{Size: "12", Variation: "13"}, Fields: []analysis.Field{{Name: "inspection plan", Value: "IP-7: B"}, {Name: "fixture", Value: "3"}},
	}
	if !reflect.DeepEqual(d.Job.Papers, want) {
		t.Errorf("read %+v", d.Job.Papers)
	}
	again := Read(Typed(&d.Job, notation.Format{}), notation.Format{})
	if !reflect.DeepEqual(again.Job.Papers, want) {
		t.Errorf("typed again %+v", again.Job.Papers)
	}
}

// A job that another must sign for is typed, and comes back into the form.
func TestSignOffIsTyped(t *testing.T) {
	text := shoptest.SleeveTyped()
	if d := Read(text, notation.Format{}); d.Job.SignOff {
		t.Error("another must sign without a tick")
	}
	text["sign_off"] = "1"
	if d := Read(text, notation.Format{}); !d.Job.SignOff || Typed(&d.Job, notation.Format{})["sign_off"] != "1" {
		t.Errorf("%+v", d.Job)
	}
}
