package master

import (
	"strings"
	"testing"
	"time"

	"fairbore/analysis"
)

func TestDriftLimit(t *testing.T) {
	// The sleeve: a tenth of 2.54 µm, as three readings each can resolve 0.245 µm.
	if d := DriftLimit(25_400, 15*micron/100, 3, 3); d != 2540 {
		t.Errorf("sleeve: %d, want 0.254 µm", d)
	}
	if d := DriftLimit(10_000, 15*micron/100, 3, 3); d != 2450 { // 2 × 0.15 √(2/3) = 0.24495
		t.Errorf("a tolerance of 1 µm: %d, want 0.245 µm", d)
	}
	if d := DriftLimit(0, 1000, 0, 0); d != 2829 { // one reading each: 2 s √2
		t.Errorf("without a tolerance: %d", d)
	}
}

// The story of the sleeve bay (invented): at 10:42 the ring reads 0.45 µm large.
func TestCheckZero(t *testing.T) {
	m := good(t)
	limit := DriftLimit(25_400, 15*micron/100, 3, 3)
	check := func(raw ...string) analysis.RingCheck {
		return CheckZero(analysis.RingSet{Ring: r1250(t), Raw: lengths(t, "um", raw...), At: morning.Add(37 * time.Minute)}, m.Correction, limit, 3, 6*micron/10)
	}
	k := check("12.55", "12.6", "12.6")
	if k.Good || !k.Valid || k.Error != 4500 || coded(k.Sentence) != "⟦master.check.failed R-1250 +0.45 µm 0.25 µm⟧" {
		t.Errorf("%+v", k)
	}
	if k := check("12.3", "12.3", "12.4"); !k.Good || k.Error != 2000 || coded(k.Sentence) != "⟦master.check.good R-1250 +0.20 µm 0.25 µm⟧" {
		t.Errorf("%+v", k)
	}
	if k := check("11.9", "11.8", "11.9"); k.Good || k.Error != -2666 { // beyond on the other side, means rounded to 0.1 nm
		t.Errorf("%+v", k)
	}
	for says, raw := range map[string][]string{
		"⟦master.check.few 2 3⟧": {"12.1", "12.1"}, "⟦master.check.spread 0.70 µm 0.60 µm⟧": {"12.1", "12.1", "12.8"}, "⟦master.check.none ⟦master.no_readings⟧⟧": nil,
	} {
		if k := check(raw...); k.Good || k.Valid || coded(k.Sentence) != says {
			t.Errorf("%v: %+v", raw, k)
		}
	}
}

func TestReread(t *testing.T) {
	m := good(t)
	s := 15 * micron / 100
	limit := DriftLimit(25_400, s, 3, 2) // 0.274 µm, which is more than a tenth
	read := func(limit analysis.Deviation, adjust Adjust, raw ...string) analysis.Rereading {
		return Reread(m, analysis.RingSet{Raw: lengths(t, "um", raw...), At: morning.Add(time.Hour)}, s, limit, adjust)
	}
	k := read(limit, Adjust{}, "12.2", "12.3")
	if !k.Good || !k.Agrees || k.Error != 1167 || k.Size != m.Ring.Size+1167 || !k.At.Equal(morning.Add(time.Hour)) || !strings.HasPrefix(coded(k.Sentence), "⟦master.reread.agrees ") || !strings.HasSuffix(coded(k.Sentence), " 0.27 µm⟧") {
		t.Errorf("%+v", k)
	}
	if k := read(limit, Adjust{}, "12.6", "12.6"); k.Good || k.Agrees || !k.Valid || k.Sentence.Code != "master.reread.failed" { // 0.467 against 2 × 0.15 √(1/3 + 1/2) = 0.274
		t.Errorf("%+v", k)
	}
	// A wide tolerance: more than the readings explain, and nothing that a check minds.
	if k := read(micron/2, Adjust{}, "12.6", "12.6"); !k.Good || k.Agrees || k.Sentence.Code != "master.reread.check" {
		t.Errorf("%+v", k)
	}
	// A limit finer than the readings can tell is no reason to doubt.
	if k := read(micron/100, Adjust{}, "12.2", "12.3"); !k.Good || !k.Agrees {
		t.Errorf("%+v", k)
	}
	// A steel ring of 31.75 mm a kelvin warmer than at the mastering is 0.365 µm larger
	// (11.5 × 10⁻⁶ per kelvin): as a part it is corrected for.
	warm := Adjust{Thermal: &Thermal{Ring: m.Ring.Size, RingAlpha: 11.5, PartAlpha: 11.5, RingAt: 20 * analysis.Celsius, PartAt: 21 * analysis.Celsius}}
	if k := read(limit, warm, "12.5", "12.5"); !k.Agrees || k.Thermal != -3651 || k.Error != 3667-3651 {
		t.Errorf("warm: %+v", k)
	}
	if k := read(limit, Adjust{}); k.Valid || k.Good || coded(k.Sentence) != "⟦master.reread.none ⟦master.no_readings⟧⟧" {
		t.Errorf("without readings: %+v", k)
	}
}

// TestSignSlip is the slip that re-reading the same ring can't show: −0.30 µm
// entered as +0.30. The second ring, 31.76004 mm, reads 31.76064.
func TestSignSlip(t *testing.T) {
	s := 15 * micron / 100
	raw := lengths(t, "um", "12.1", "12.1", "12.1")
	nominal, nominalH := parse(t, "31.75 mm"), parse(t, "31.76 mm")
	higher := lengths(t, "um", "22.44", "22.44", "22.44") // 10.34 µm above, as the rings truly are
	for name, c := range map[string]struct {
		first   string
		second  string
		error   analysis.Deviation
		suspect analysis.Suspect
	}{
		"right":              {"31.74970 mm", "31.76004 mm", 0, analysis.NoSuspect},
		"sign of the first":  {"31.75030 mm", "31.76004 mm", 6000, analysis.SignOfFirst},
		"wrong first value":  {"31.75150 mm", "31.76004 mm", 18_000, analysis.RingOrValue},
		"wrong second value": {"31.74970 mm", "31.76204 mm", -20_000, analysis.RingOrValue},
	} {
		t.Run(name, func(t *testing.T) {
			ring, other := r1250(t), r1250H(t)
			ring.Size, other.Size = parse(t, c.first), parse(t, c.second)
			m := Master(analysis.RingSet{Ring: ring, Raw: raw, At: morning}, UsualRules(s), nil, false)
			if k := Reread(m, analysis.RingSet{Raw: raw, At: morning}, s, micron/4, Adjust{}); !k.Agrees {
				t.Errorf("re-reading the ring shows it after all: %s", k.Sentence)
			}
			k := SecondRing(m, analysis.RingSet{Ring: other, Raw: higher, At: morning}, s, 0, nominal, nominalH)
			if k.Error != c.error || k.Suspect != c.suspect || k.Good != (c.suspect == analysis.NoSuspect) {
				t.Errorf("%d off, suspect %q: %s", k.Error, k.Suspect, k.Sentence)
			}
			if !k.Good && k.Sentence.Code != "master.second.off" {
				t.Errorf("says %q", k.Sentence)
			}
		})
	}
}

// Slips with deviations large enough to tell.
func TestSecondRing_Suspects(t *testing.T) {
	s := 15 * micron / 100
	raw := lengths(t, "um", "0", "0", "0")
	for name, c := range map[string]struct {
		first, second string
		shown         string // distance of the rings as they truly are
		suspect       analysis.Suspect
	}{
		// Truly 31.749 and 31.7585 (nominal 31.76 − 1.5 µm), the second entered as + 1.5.
		"second sign": {"31.749 mm", "31.7615 mm", "9.5", analysis.SignOfSecond},
		// Truly 31.749, entered as its nominal size.
		"nominal": {"31.75 mm", "31.7615 mm", "12.5", analysis.NominalTaken},
	} {
		ring, other := r1250(t), r1250H(t)
		ring.Size, other.Size = parse(t, c.first), parse(t, c.second)
		m := Master(analysis.RingSet{Ring: ring, Raw: raw, At: morning}, UsualRules(s), nil, false)
		k := SecondRing(m, analysis.RingSet{Ring: other, Raw: lengths(t, "um", c.shown, c.shown, c.shown), At: morning}, s, 0, parse(t, "31.75 mm"), parse(t, "31.76 mm"))
		if k.Suspect != c.suspect {
			t.Errorf("%s: %q, %s", name, k.Suspect, k.Sentence)
		}
	}
}
