package plan

import (
	"strings"
	"testing"

	"fairbore/analysis"
	"fairbore/analysis/notation"
)

// TestANSIRows checks every row's limits, and that the clearance or
// interference printed beside them follows.
func TestANSIRows(t *testing.T) {
	_, rows := table(t, "ansi-b4-1/ansi_b4_1_sample_thousandths_inch.csv")
	thou := func(s string) analysis.Deviation {
		l, err := analysis.ParseLength(s + " in")
		if err != nil {
			t.Fatal(err)
		}
		return analysis.Deviation(l / 1000)
	}
	for _, r := range rows {
		to, err := analysis.ParseLength(r[2] + " in")
		if err != nil {
			t.Fatal(err)
		}
		over, err := analysis.ParseLength(r[1] + " in")
		if err != nil {
			t.Fatal(err)
		}
		for _, nominal := range []analysis.Length{over + analysis.MicroInch, to} {
			f, err := ANSI(nominal, r[0])
			if err != nil {
				t.Fatal(err)
			}
			if f.Hole.Lower != thou(r[3]) || f.Hole.Upper != thou(r[4]) || f.Shaft.Lower != thou(r[5]) || f.Shaft.Upper != thou(r[6]) {
				t.Errorf("%v: got %+v", r, f)
			}
			least, most := f.Clearance()
			if strings.HasPrefix(r[0], "FN") || strings.HasPrefix(r[0], "LN") { // printed as interference
				least, most = -most, -least
			}
			if least != thou(r[7]) || most != thou(r[8]) {
				t.Errorf("%v: printed %s to %s, computed %v to %v", r, r[7], r[8], least, most)
			}
		}
	}
	if len(rows) != len(ansiRows) {
		t.Errorf("%d rows held, %d in the file", len(ansiRows), len(rows))
	}
}

// LC1 is from memory: its hole is the H6 and its shaft's tolerance the grade 5 of RC2,
// which are published.
func TestLC1FollowsFromRC2(t *testing.T) {
	for _, s := range []string{"0.1 in", "0.2 in", "0.3 in", "0.5 in", "1 in", "1.5 in", "3 in"} {
		nominal, err := analysis.ParseLength(s)
		if err != nil {
			t.Fatal(err)
		}
		lc1, err1 := ANSI(nominal, "LC1")
		rc2, err2 := ANSI(nominal, "RC2")
		if err1 != nil || err2 != nil {
			t.Fatal(err1, err2)
		}
		if lc1.Hole.Lower != rc2.Hole.Lower || lc1.Hole.Upper != rc2.Hole.Upper || lc1.Shaft.Upper != 0 || -lc1.Shaft.Lower != rc2.Shaft.Upper-rc2.Shaft.Lower {
			t.Errorf("%s: LC1 %+v, RC2 %+v", s, lc1, rc2)
		}
	}
}

// TestFit checks the classic loose fit of a design text (Shigley, Ex. 7-7) and
// the three kinds.
func TestFit(t *testing.T) {
	for _, c := range []struct{ in, kind, last string }{
		{"34 H11/c11", "clearance", "Clearance 120.00 µm (4724.4 µin) to 440.00 µm (17322.8 µin)."},
		{"50 H7/s6", "interference", "Interference 18.00 µm (708.7 µin) to 59.00 µm (2322.8 µin)."},
		{"25 H7/k6", "transition", "Transition: from 19.00 µm (748.0 µin) clearance to 15.00 µm (590.6 µin) interference."},
		{"1.125 in FN2", "interference", "Interference 15.24 µm (600.0 µin) to 48.26 µm (1900.0 µin)."},
		{"1-1/8 in FN2", "interference", "Interference 15.24 µm (600.0 µin) to 48.26 µm (1900.0 µin)."},
		{`1 1/8" H7/k6`, "transition", "Transition: from 19.00 µm (748.0 µin) clearance to 15.00 µm (590.6 µin) interference."},
	} {
		f, err := ParseFit(c.in)
		if err != nil {
			t.Fatal(err)
		}
		text := f.Text()
		if f.Kind() != c.kind || (notation.Format{Full: true}).Say(text[len(text)-1]) != c.last {
			t.Errorf("%s: %s, %q", c.in, f.Kind(), text)
		}
	}
	for in, want := range map[string]string{
		"25 p6/H7":    "hole first",
		"25 H7/H7":    "hole first",
		"25 H7/":      "write a letter",
		"25 H99/p6":   "grades",
		"20 H7/t6":    "above 24 mm",
		"25 FN9":      "known ANSI B4.1 fits",
		"25 H7":       "hole and shaft class, such as H7/p6",
		"4 in FN2":    "stops at 80.0100 mm (3.150000 in)",
		"2.5 in LC6":  "stops at 50.0380 mm (1.970000 in)",
		"0.95 in FN3": "begins above 24.1300 mm (0.950000 in)",
		"7/8 FN2":     "a fraction without a unit",
		"7/8 mm FN2":  "a fraction without a unit",
		"-1 in RC1":   "not in its table",
		"25":          "such as 25H7",
		"25 mm in H7": "known ANSI B4.1 fits",
	} {
		if _, err := ParseFit(in); err == nil || !strings.Contains((notation.Format{Full: true}).Error(err), want) {
			t.Errorf("%s: %v, want %q", in, err, want)
		}
	}
}
