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
		{"job.id_none(", func(j *Job) { j.ID = "" }},
		{"job.unit(", func(j *Job) { j.Unit = NoUnit }},
		{"job.unit(", func(j *Job) { j.Unit = UM }},
		{"job.nominal(0 mm)", func(j *Job) { j.Nominal = 0 }},
		{"job.nominal(-1 mm)", func(j *Job) { j.Nominal = -Millimetre }},
		{"job.nominal(1000.0000001 mm)", func(j *Job) { j.Nominal = 1000*Millimetre + 1 }},
		{"job.low_order(22.2275 mm, 22.2275 mm)", func(j *Job) { j.High = j.Low }},
		{"job.low_unit(", func(j *Job) { j.High = j.Low + j.Nominal/100 + 1; j.Band = 30_000_000 }},
		{"job.target(22.2275 mm, ", func(j *Job) { j.Target = j.Low }},
		{"job.target(22.2326 mm, ", func(j *Job) { j.Target = j.High }},
		{"job.band(", func(j *Job) { j.Band = 0 }},
		{", 22.2299999 mm, 22.2300001 mm)", func(j *Job) { j.Band = 1 }},
		{"job.variation_negative(", func(j *Job) { j.Variation = -1 }},
		{"job.variation_negative(", func(j *Job) { j.Ovality = -1 }},
		{"job.variation_negative(", func(j *Job) { j.Taper = -1 }},
		{"job.length(", func(j *Job) { j.Length = 0 }},
		{"job.outside(22.2326 mm)", func(j *Job) { j.Outside = j.High }},
		{"job.outside(10000.0000001 mm)", func(j *Job) { j.Outside = 10_000*Millimetre + 1 }},
		{"job.outside(-1 mm)", func(j *Job) { j.Outside = -Millimetre }},
		{"job.sections_none(", func(j *Job) { j.Sections = nil }},
		{"job.orientations_none(", func(j *Job) { j.Orientations = nil }},
		{"job.sections_outside(-0.0000001 mm, 30 mm)", func(j *Job) { j.Sections[0] = -1 }},
		{"job.sections_outside(30.0000001 mm", func(j *Job) { j.Sections[2] = j.Length + 1 }},
		{"job.sections_order(3 mm, where.name.front())", func(j *Job) { j.Sections[1] = j.Sections[0] }},
		{"job.sections_order(0.0000001 mm, flange)", func(j *Job) { j.Sections[1] = 1; j.Face = "flange" }},
		{"job.sections_order(0.0000001 mm, where.name.front())", func(j *Job) { j.Sections[1] = 1; j.Face = "" }},
		{"job.sections_gap(8 mm, oil groove, 8 mm, 12 mm)", func(j *Job) { j.Sections[1] = 8 * Millimetre }},
		{"job.sections_gap(12 mm, oil groove", func(j *Job) { j.Sections[1] = 12 * Millimetre }},
		{"job.orientations_range(360°)", func(j *Job) { j.Orientations[1] = 360 * Degree }},
		{"job.orientations_range(-0.001°)", func(j *Job) { j.Orientations[0] = -1 }},
		{"job.orientations_order(0°)", func(j *Job) { j.Orientations[1] = 0 }},
		{"job.interrupts_range(12 mm, 8 mm)", func(j *Job) { j.Interrupts[0].From, j.Interrupts[0].To = 12*Millimetre, 8*Millimetre }},
		{"job.interrupts_range(8 mm, 8 mm)", func(j *Job) { j.Interrupts[0].To = j.Interrupts[0].From }},
		{"job.interrupts_range(-1 mm, 2 mm)", func(j *Job) { j.Interrupts[0] = Interrupt{-Millimetre, 2 * Millimetre, "hole"} }},
		{"job.interrupts_range(28 mm, 31 mm)", func(j *Job) { j.Interrupts[0] = Interrupt{28 * Millimetre, 31 * Millimetre, "hole"} }},
		{"job.ring_none(", func(j *Job) { j.Ring = "" }},
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
		`"plausible_range_um":200,"length_mm":30,"sections_mm":[3,15,27],"orientations_deg":[0,90],"interrupts":[{"from_mm":8,"to_mm":12,"what":"oil groove"}],"ring":"R-1"}`
	if string(b) != want {
		t.Errorf("%s", b)
	}
	var back Job
	if err := json.Unmarshal(b, &back); err != nil || !reflect.DeepEqual(&back, bush()) {
		t.Errorf("%+v, %v", back, err)
	}
}
