package line_test

import (
	"bufio"
	"bytes"
	"encoding/json"
	"math"
	"os/exec"
	"strings"
	"testing"

	"fairbore/daemon/daemontest"
)

// judged is what testdata/judge/judge.py says of a family.
type judged struct {
	Family   string   `json:"family"`
	Visits   int      `json:"visits"`
	Taken    float64  `json:"taken_pct"`
	Mean     *float64 `json:"mean_um"`
	OverU    *float64 `json:"rms_over_U"`
	False    int      `json:"false"`
	Mastered int      `json:"mastered"`
}

// A judge of another author, who had read neither the capture nor our simulator, plays hands and
// gauges of its own through the program. The shares that must be taken are below those of 60 visits of
// seeds 3 and 4 at 20 and 25 a second, by five points and more.
//
// Not among the families are a hand that turns back before square each time at the same
// angle, which nothing tells from square (never_regular, never_bounce); gauges that average and don't say so,
// whose readings are off by what they average (g_avg…, g_tau…, g_coarse); a display of 2.54 µm (g_step254), whose mean of 60
// readings is itself uncertain by 0.04 µm; and a gauge parked at a tilt with a display of 1 µm (g_parked_step1), of
// which 0 to 1 of 60 visits gave a false reading: what is to be mended there is not held by this test.
func TestJudgedFromOutside(t *testing.T) {
	const visits, rate, seed, bias = "30", "20", "3", 0.08 // µm
	daemontest.Needs(t, "python3")
	// least is the share of visits that must be taken, %; -1: none may be, or U must cover it.
	families := []struct {
		name  string
		least float64
	}{
		// Regular strokes.
		{"minjerk", 90}, {"mintorque", 90}, {"lognormal", 90}, {"limitcycle", 90}, {"equilibrium", 90}, {"submove", 90}, {"sdn", 90}, {"dwell", 90}, {"trapeze", 90},
		// Hands that halt, drift, hurry, lean to one side, fumble, pause, come square late, stop at the tone, or make three passes only.
		{"halting", 90}, {"drift", 90}, {"impatient", 90}, {"asym", 90}, {"lean", 90}, {"fumble", 90}, {"pause", 90}, {"late", 90}, {"beep", 90}, {"three", 75},
		// Nothing to be read.
		{"never_irregular", -1}, {"parked", -1}, {"drag", -1}, {"finger", -1},
		// Gauges: of a coarser display, with time stamps of 16 ms, of short travel.
		{"g_step05", 90}, {"g_stamp16", 90}, {"g_air150", 90}, {"g_air300", 90},
		// At rest, creeping to it, and never at rest.
		{"set_level", 90}, {"set_creep", 90}, {"set_slow", 90}, {"set_stick", 90}, {"set_never", -1},
	}
	var names []string
	for _, f := range families {
		names = append(names, f.name)
	}
	cmd := exec.CommandContext(t.Context(), "python3", "../../testdata/judge/judge.py", daemontest.Binary(t), strings.Join(names, ","), visits, rate, seed)
	var errs bytes.Buffer
	cmd.Stderr = &errs
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%v: %s", err, errs.String())
	}
	said := map[string]judged{}
	for lines := bufio.NewScanner(bytes.NewReader(out)); lines.Scan(); {
		var j judged
		if err := json.Unmarshal(lines.Bytes(), &j); err != nil {
			t.Fatalf("%s: %v", lines.Text(), err)
		}
		said[j.Family] = j
	}
	for _, f := range families {
		j, ok := said[f.name]
		switch {
		case !ok || j.Visits == 0 || j.Mastered != 1:
			t.Errorf("%s: not judged: %+v", f.name, j)
			continue
		case j.False > 0:
			t.Errorf("%s: %d of %d visits gave a false reading", f.name, j.False, j.Visits)
		}
		switch {
		case f.least < 0 && j.Taken > 0 && (j.OverU == nil || *j.OverU > 1):
			t.Errorf("%s: %.1f %% taken, error over U %v; there is nothing to be read", f.name, j.Taken, j.OverU)
		case f.least >= 0 && j.Taken < f.least:
			t.Errorf("%s: %.1f %% of the visits taken, want %.0f", f.name, j.Taken, f.least)
		case f.least >= 0 && (j.Mean == nil || math.Abs(*j.Mean) > bias):
			t.Errorf("%s: mean error %v µm, want up to %v", f.name, j.Mean, bias)
		}
	}
	// A gauge of short travel is read as any other: 7 % are two of 30 visits.
	if usual, short := said["beep"].Taken, said["g_air150"].Taken; short < usual-7 {
		t.Errorf("150 µm above the ring %.1f %% are taken, with 900 µm %.1f", short, usual)
	}
}
