package setup

import (
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/uncertainty"
	"fairbore/daemon/config"
)

// A journal does not grow with rings and jobs that nobody takes up.
func TestRingsAndJobsAreNoSettings(t *testing.T) {
	text, err := os.ReadFile("../../configs/fairbore.yaml")
	if err != nil {
		t.Fatal(err)
	}
	hash := func(rings int) string {
		more := "rings:\n"
		for i := range rings {
			more += fmt.Sprintf("  R-%d:\n    size: 31.74970 mm\n    u: 0.25 um\n", i)
		}
		c, err := config.Parse("fairbore.yaml", []byte(strings.Replace(string(text), "rings:\n", more, 1)))
		if err != nil {
			t.Fatal(err)
		}
		set := Settings(c, &c.Stations[0])
		if len(set.Rings) != rings+1 {
			t.Fatalf("%d rings", len(set.Rings))
		}
		set.Seal(nil)
		return set.Hash
	}
	if hash(0) != hash(500) {
		t.Error("with 500 more rings the settings are others")
	}
}

// What the configuration states of a gauge comes to the session as stated, 0 too; what it
// leaves out as assumed.
func TestSettingsSayWhatIsStated(t *testing.T) {
	text, err := os.ReadFile("../../configs/fairbore.yaml")
	if err != nil {
		t.Fatal(err)
	}
	without := func(keys ...string) string {
		var kept []string
		for line := range strings.Lines(string(text)) {
			out := false
			for _, k := range keys {
				out = out || strings.HasPrefix(strings.TrimSpace(line), k+":")
			}
			if !out {
				kept = append(kept, line)
			}
		}
		return strings.Join(kept, "")
	}
	for _, c := range []struct {
		name, text      string
		assumed, stated bool
		averages        time.Duration
		bases           map[string]uncertainty.Basis
	}{
		{"all", string(text), false, true, 0, map[string]uncertainty.Basis{uncertainty.ComponentIndentation: uncertainty.ByAssumption}}, // 0 N is not known
		{"100 ms", strings.Replace(without("lag"), "averages: 0 ms", "averages: 100 ms", 1), false, true, 100 * time.Millisecond, map[string]uncertainty.Basis{uncertainty.ComponentIndentation: uncertainty.ByAssumption}},
		{"little", without("averages", "lag", "repeatability", "drift", "step", "part_within"), true, false, 0, map[string]uncertainty.Basis{
			uncertainty.ComponentIndentation: uncertainty.ByAssumption, uncertainty.ComponentDrift: uncertainty.ByAssumption, uncertainty.ComponentResolution: uncertainty.ByAssumption, uncertainty.ComponentApart: uncertainty.ByAssumption,
		}},
	} {
		cfg, err := config.Parse("fairbore.yaml", []byte(strings.Replace(c.text, "free_air: 0 mm", "free_air: 0.25 mm", 1)))
		if err != nil {
			t.Fatalf("%s: %v", c.name, err)
		}
		set := Settings(cfg, &cfg.Stations[0])
		g := set.Gauge
		if g.Assumed != c.assumed || g.Smoothing.Stated != c.stated || g.Smoothing.Averages != c.averages || g.FreeAir != analysis.Millimetre/4 {
			t.Errorf("%s: %+v", c.name, g)
		}
		if len(set.Bases) != len(c.bases) {
			t.Errorf("%s: %v", c.name, set.Bases)
		}
		for line, want := range c.bases {
			if set.Bases[line] != want {
				t.Errorf("%s: %s is %q, want %q", c.name, line, set.Bases[line], want)
			}
		}
	}
}

// A station measures nothing if the configuration says so, or if its gauge or what is beside it is a
// recording. The others of the shop measure.
func TestSettingsSayWhatIsSimulated(t *testing.T) {
	const shop = `
version: 1
site: shop
%sgauges:
  G-11: {driver: line, unit: mm}
  D-1: {driver: line, unit: mm, channels: {"": depth}}
rings: {R-1250: {size: 31.7497 mm, u: 0.25 um}}
jobs: {J-4112: {unit: mm, material: tool steel, nominal: 31.75 mm, low: 31.75 mm, high: 31.76 mm, length: 60 mm, sections: [5 mm], orientations: [0], ring: R-1250}}
stations:
  - {name: real, gauge: G-11, port: /dev/gauge}
  - {name: played, gauge: G-11, port: "recording:/var/lib/gauge.rec"}
  - {name: beside, gauge: G-11, port: /dev/gauge2, other_instruments: [{gauge: D-1, port: "recording:/var/lib/depth.rec"}]}
`
	for line, want := range map[string][]bool{"": {false, true, true}, "simulated: true\n": {true, true, true}, "simulated: false\n": {false, true, true}} {
		c, err := config.Parse("shop.yaml", fmt.Appendf(nil, shop, line))
		if err != nil {
			t.Fatal(err)
		}
		for i, is := range want {
			if set := Settings(c, &c.Stations[i]); set.Simulated != is {
				t.Errorf("%q: %s: simulated %t, want %t", line, set.Station, set.Simulated, is)
			}
		}
	}
}
