package analysis

import (
	"encoding/json"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// bush is a job that can be worked to.
func bush() *Job {
	return &Job{
		ID: "J-1", Title: "bush", Unit: MM, Material: "bronze", Face: "front",
		Nominal: 222_300_000, Limits: Limits{Low: 222_275_000, High: 222_326_000, Target: 222_300_000}, Band: 2_000_000,
		Length: 30 * Millimetre, Sections: []Length{3 * Millimetre, 15 * Millimetre, 27 * Millimetre}, Orientations: []Angle{0, 90 * Degree},
		Interrupts: []Interrupt{{8 * Millimetre, 12 * Millimetre, "oil groove"}}, Ring: "R-1",
	}
}

func TestAJobThatCanBeWorkedToHasNoFaults(t *testing.T) {
	for name, change := range map[string]func(*Job){
		"as it is":                      func(*Job) {},
		"in inches":                     func(j *Job) { j.Unit = IN },
		"with its outside":              func(j *Job) { j.Outside = 35 * Millimetre },
		"with limits of form":           func(j *Job) { j.Variation, j.Ovality, j.Taper = 1, 1, 1 },
		"a section at each face":        func(j *Job) { j.Sections = []Length{0, j.Length} },
		"a single place":                func(j *Job) { j.Sections, j.Orientations = j.Sections[:1], j.Orientations[1:] },
		"the last angle below a turn":   func(j *Job) { j.Orientations = []Angle{360*Degree - 1} },
		"a tolerance of 1 %":            func(j *Job) { j.High = j.Low + j.Nominal/100; j.Band = 30_000_000 },
		"limits at the ends of a band":  func(j *Job) { j.Low, j.High = j.Nominal-Length(j.Band)/2, j.Nominal+Length(j.Band)/2; j.Band /= 2 },
		"an interrupt from end to end":  func(j *Job) { j.Interrupts[0] = Interrupt{8 * Millimetre, 12 * Millimetre, ""} },
		"an interrupt up to each face":  func(j *Job) { j.Interrupts = []Interrupt{{0, 1, "chamfer"}, {j.Length - 1, j.Length, "chamfer"}} },
		"without a title or material":   func(j *Job) { j.Title, j.Material, j.Face = "", "", "" },
		"a target beside the low limit": func(j *Job) { j.Target = j.Low + 1 },
	} {
		j := bush()
		change(j)
		if faults := j.Check(); faults != nil {
			t.Errorf("%s: %v", name, faults)
		}
	}
}

func TestEachFaultOfAJobIsSaid(t *testing.T) {
	for _, c := range []struct {
		want  string
		spoil func(*Job)
	}{
		{"id: give the job a name", func(j *Job) { j.ID = "" }},
		{"unit: say mm or in", func(j *Job) { j.Unit = NoUnit }},
		{"unit: say mm or in", func(j *Job) { j.Unit = UM }},
		{"nominal 0 mm: want a diameter above 0", func(j *Job) { j.Nominal = 0 }},
		{"nominal -1 mm", func(j *Job) { j.Nominal = -Millimetre }},
		{"nominal 1000.0000001 mm", func(j *Job) { j.Nominal = 1000*Millimetre + 1 }},
		{"the high limit 22.2275 mm must be above the low limit 22.2275 mm", func(j *Job) { j.High = j.Low }},
		{"is more than 1 % of the size", func(j *Job) { j.High = j.Low + j.Nominal/100 + 1; j.Band = 30_000_000 }},
		{"target 22.2275 mm: must lie between", func(j *Job) { j.Target = j.Low }},
		{"target 22.2326 mm: must lie between", func(j *Job) { j.Target = j.High }},
		{"band: say how far", func(j *Job) { j.Band = 0 }},
		{"lie outside nominal ± band, 22.2299999 mm to 22.2300001 mm", func(j *Job) { j.Band = 1 }},
		{"form limits: can't be negative", func(j *Job) { j.Variation = -1 }},
		{"form limits: can't be negative", func(j *Job) { j.Ovality = -1 }},
		{"form limits: can't be negative", func(j *Job) { j.Taper = -1 }},
		{"length: give the length", func(j *Job) { j.Length = 0 }},
		{"outside 22.2326 mm: want the diameter", func(j *Job) { j.Outside = j.High }},
		{"outside 10000.0000001 mm", func(j *Job) { j.Outside = 10_000*Millimetre + 1 }},
		{"outside -1 mm", func(j *Job) { j.Outside = -Millimetre }},
		{"sections: give at least one", func(j *Job) { j.Sections = nil }},
		{"orientations: give at least one", func(j *Job) { j.Orientations = nil }},
		{"section -0.0000001 mm: lies outside the bore, 0 to 30 mm", func(j *Job) { j.Sections[0] = -1 }},
		{"section 30.0000001 mm: lies outside the bore", func(j *Job) { j.Sections[2] = j.Length + 1 }},
		{"section 3 mm: give the depths in order from the front", func(j *Job) { j.Sections[1] = j.Sections[0] }},
		{"in order from the flange", func(j *Job) { j.Sections[1] = 1; j.Face = "flange" }},
		{"in order from the front", func(j *Job) { j.Sections[1] = 1; j.Face = "" }},
		{"section 8 mm: falls in the oil groove at 8 mm to 12 mm", func(j *Job) { j.Sections[1] = 8 * Millimetre }},
		{"section 12 mm: falls in the oil groove", func(j *Job) { j.Sections[1] = 12 * Millimetre }},
		{"orientation 360°: want 0° up to below 360°", func(j *Job) { j.Orientations[1] = 360 * Degree }},
		{"orientation -0.001°", func(j *Job) { j.Orientations[0] = -1 }},
		{"orientation 0°: give the angles in rising order", func(j *Job) { j.Orientations[1] = 0 }},
		{"interrupt 12 mm to 8 mm: must lie inside", func(j *Job) { j.Interrupts[0].From, j.Interrupts[0].To = 12*Millimetre, 8*Millimetre }},
		{"interrupt 8 mm to 8 mm", func(j *Job) { j.Interrupts[0].To = j.Interrupts[0].From }},
		{"interrupt -1 mm to 2 mm", func(j *Job) { j.Interrupts[0] = Interrupt{-Millimetre, 2 * Millimetre, "hole"} }},
		{"interrupt 28 mm to 31 mm", func(j *Job) { j.Interrupts[0] = Interrupt{28 * Millimetre, 31 * Millimetre, "hole"} }},
		{"ring: name the master", func(j *Job) { j.Ring = "" }},
	} {
		j := bush()
		c.spoil(j)
		if faults := j.Check(); !slices.ContainsFunc(faults, func(err error) bool { return strings.Contains(err.Error(), c.want) }) {
			t.Errorf("%v, want %q", faults, c.want)
		}
	}
	if faults := new(Job).Check(); len(faults) != 9 {
		t.Errorf("of an empty job %d are said: %v", len(faults), faults)
	}
}

func TestThePlanGoesSectionBySection(t *testing.T) {
	j := bush()
	want := []Place{{30_000_000, 0}, {30_000_000, 90_000}, {150_000_000, 0}, {150_000_000, 90_000}, {270_000_000, 0}, {270_000_000, 90_000}}
	if got := j.Plan(); !slices.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
	if got := new(Job).Plan(); len(got) != 0 {
		t.Errorf("nothing to gauge: %v", got)
	}
	if got := want[1].String(); got != "3 mm / 90°" {
		t.Errorf("a place is called %q", got)
	}
}

func TestAnInterruptHasBothItsEnds(t *testing.T) {
	j := bush()
	j.Interrupts = append(j.Interrupts, Interrupt{20 * Millimetre, 21 * Millimetre, "port"})
	for depth, want := range map[Length]string{
		0: "", 8*Millimetre - 1: "", 8 * Millimetre: "oil groove", 12 * Millimetre: "oil groove", 12*Millimetre + 1: "", 205 * Millimetre / 10: "port", 30 * Millimetre: "",
	} {
		switch in := j.Interrupted(depth); {
		case in == nil && want != "":
			t.Errorf("%s: on the wall, want the %s", depth, want)
		case in != nil && in.What != want:
			t.Errorf("%s: in the %s, want %q", depth, in.What, want)
		}
	}
}

func TestASizeIsPlausibleWithinTheBand(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		j := Job{Nominal: Length(rapid.Int64Range(1, 1e10).Draw(t, "nominal")), Band: Deviation(rapid.Int64Range(0, 1e8).Draw(t, "band"))}
		off := Length(rapid.Int64Range(-2e8, 2e8).Draw(t, "off"))
		if got, want := j.Plausible(j.Nominal+off), off >= -Length(j.Band) && off <= Length(j.Band); got != want {
			t.Fatalf("%s, ±%s: %s off is plausible: %v", j.Nominal, Length(j.Band), off, got)
		}
	})
}

func TestACalibrationIsOverdueFromTheDayAfter(t *testing.T) {
	due := time.Date(2027, 1, 25, 0, 0, 0, 0, time.UTC)
	for at, want := range map[time.Time]bool{
		due.Add(-time.Second):     false,
		due:                       false,
		due.Add(24*time.Hour - 1): false,
		due.Add(24 * time.Hour):   true,
		due.AddDate(1, 0, 0):      true,
		time.Date(2026, 12, 31, 23, 0, 0, 0, time.UTC):         false,
		due.Add(20 * time.Hour).In(time.FixedZone("", 5*3600)): true, // the day there counts
	} {
		if got := Overdue(due, at); got != want {
			t.Errorf("%s: %v", at, got)
		}
	}
	if Overdue(time.Time{}, due) {
		t.Error("what is not stated is overdue")
	}
}

// A job is a part of the journal and of messages: other programs read its names.
func TestAJobKeepsItsJSON(t *testing.T) {
	b, err := json.Marshal(bush())
	if err != nil {
		t.Fatal(err)
	}
	const want = `{"id":"J-1","title":"bush","unit":"mm","material":"bronze","face":"front","nominal_mm":22.23,"low_mm":22.2275,"high_mm":22.2326,"target_mm":22.23,` +
		`"band_um":200,"length_mm":30,"sections_mm":[3,15,27],"orientations_deg":[0,90],"interrupts":[{"from_mm":8,"to_mm":12,"what":"oil groove"}],"ring":"R-1"}`
	if string(b) != want {
		t.Errorf("%s", b)
	}
	var back Job
	if err := json.Unmarshal(b, &back); err != nil || !reflect.DeepEqual(&back, bush()) {
		t.Errorf("%+v, %v", back, err)
	}
}
