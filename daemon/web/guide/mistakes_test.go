package guide

import (
	"context"
	"errors"
	"maps"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/material"
	"fairbore/analysis/notation"
	"fairbore/daemon/broker"
	"fairbore/daemon/config"
)

// file is a Setup whose configuration is a file.
type file struct {
	t    *testing.T
	path string
	no   error // why the disk takes nothing
}

func (f *file) Configured() ([]byte, string, error) {
	b, _ := os.ReadFile(f.path) // there may be none yet
	return b, string(b), nil
}

func (f *file) Change(_ context.Context, hash string, changes []config.Change) error {
	text, is, _ := f.Configured()
	if f.no != nil || hash != is {
		return errors.Join(f.no)
	}
	text, _, err := config.Changed("fairbore.yaml", text, changes...)
	if err != nil {
		return err
	}
	return os.WriteFile(f.path, text, 0o640)
}

// bench is a set-up in a folder of its own.
type bench struct {
	*Guide
	file *file
}

var noon = time.Date(2026, 11, 30, 12, 0, 0, 0, time.UTC)

func newBench(t *testing.T, text string) *bench {
	dir := t.TempDir()
	b := &bench{file: &file{t: t, path: filepath.Join(dir, "fairbore.yaml")}}
	b.boot()
	if text != "" {
		if err := os.WriteFile(b.file.path, []byte(text), 0o640); err != nil {
			t.Fatal(err)
		}
	}
	return b
}

// boot is the program started anew: it knows what is on the disk.
func (b *bench) boot() {
	b.Guide = &Guide{
		Name: "fairbore.yaml", Drafts: &Drafts{Path: b.file.path + ".draft"}, Hash: broker.Hash, Least: 12,
		Jobs: func(string) []*analysis.Job { return nil }, Materials: material.Names(), Now: func() time.Time { return noon },
	}
}

// save posts the answers of a step.
func (b *bench) save(t *testing.T, step string, text map[string]string, confirm bool) Taken {
	t.Helper()
	_, hash, _ := b.file.Configured()
	out, err := b.Take(t.Context(), step, Posted{Text: text, Hash: hash, Save: true, Confirm: confirm}, b.file, aGauge("/dev/gauge"), notation.Format{})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// aGauge is what listening has found out of a gauge that streams.
func aGauge(port string) *Hearing {
	return &Hearing{State: Listening, Port: port, Kind: Streaming, Sure: true, Changes: []config.Change{
		{Key: []string{"gauges", "new"}, Value: map[string]any{"driver": "line", "unit": "mm", "step": "0.0001 mm", "options": map[string]any{"decimal": "point"}}},
		{Key: []string{"stations", "new"}, Value: map[string]any{"name": "new", "gauge": "new", "port": port, "line": map[string]any{"baud": 9600, "data": 8, "parity": "none", "stop": 1}}},
	}}
}

func more(a map[string]string, b ...string) map[string]string {
	a = maps.Clone(a)
	for i := 0; i < len(b); i += 2 {
		a[b[i]] = b[i+1]
	}
	return a
}

func shopTyped() map[string]string {
	return map[string]string{"shop": "Quarry Lane Honing", "station": "Hone bay 2"}
}

func gaugeTyped() map[string]string {
	return map[string]string{"port": "/dev/gauge", "kind": "two-point", "tip": "2 mm", "averages": "50ms"}
}

func ringTyped() map[string]string {
	return map[string]string{"id": "R-1250", "unit": "mm", "size": "31.7497", "nominal": "31.75", "u": "0.25", "u_unit": "um", "due": "2027-01-25", "certificate": "C-881"}
}

const oneStation = `# by hand
version: 1
site: quarry-lane # the shop
gauges: {G-1: {driver: line, unit: mm, kind: two-point}}
rings: {R-1250: {size: 31.74970 mm, u: 0.25 um}}
stations: [{name: hone-bay-2, title: hone bay 2, gauge: G-1, port: /dev/ttyUSB0}]
`

// From nothing, each step writes what is complete, and what it writes is a configuration.
func TestStepByStep(t *testing.T) {
	b := newBench(t, "")
	for _, s := range []struct {
		step string
		text map[string]string
	}{{StepShop, shopTyped()}, {StepGauge, gaugeTyped()}, {StepRing, ringTyped()}, {StepContacts, map[string]string{"pedal": "cts", "pedal_do": "record"}}, {StepAccess, map[string]string{"reach": "shop", "passphrase": "four words of a shop"}}} {
		if out := b.save(t, s.step, s.text, false); !out.Done || out.Next != Next(s.step) {
			t.Fatalf("%s: %+v", s.step, out)
		}
	}
	text, _, _ := b.file.Configured()
	c, err := config.Parse("fairbore.yaml", text)
	if err != nil {
		t.Fatalf("%v in\n%s", err, text)
	}
	s, g, r := c.Stations[0], c.Gauges["G-1"], c.Rings["R-1250"]
	if c.Site != "quarry-lane-honing" || s.Name != "hone-bay-2" || s.Title != "Hone bay 2" || s.Port != "/dev/gauge" || s.Line.Baud != 9600 || s.Capture != "turning" || s.Pedal.Line != "cts" {
		t.Errorf("station %+v", s)
	}
	if g.Kind != "two-point" || g.Tip != 2*analysis.Millimetre || g.Averages != 50*time.Millisecond || g.Step != 1000 || c.States("gauges", "G-1", "repeatability") {
		t.Errorf("gauge %+v", g)
	}
	if r.Size != 317_497_000 || r.U != 2500 || r.Due != "2027-01-25" || r.Certificate != "C-881" || r.Nominal != 317_500_000 {
		t.Errorf("ring %+v", r)
	}
	if !broker.Matches(c.Web.Hash, "four words of a shop") || c.Web.Listen != "0.0.0.0:8080" || len(c.Exposed()) > 0 {
		t.Errorf("page %+v, %v", c.Web, c.Exposed())
	}
	if draft, err := os.ReadFile(b.Drafts.Path); err != nil || strings.Contains(string(draft), "four words") {
		t.Errorf("the draft has the passphrase: %s %v", draft, err)
	}
}

// Each mistake on the way is said in plain words at its field, or asked about. What was typed is still there
// when the program was ended and started again, and the file is as it was.
func TestMistakes(t *testing.T) {
	ring := ringTyped()
	for name, c := range map[string]struct {
		in    string // the configuration; "" is none
		shop  bool   // the shop was named
		step  string
		text  map[string]string
		field string // at which it is said; "" if it is asked about
		says  analysis.Phrase
	}{
		"nothing typed":              {"", false, StepShop, map[string]string{}, "shop", analysis.Say("guide.shop.missing")},
		"no name of the station":     {"", false, StepShop, map[string]string{"shop": "Quarry Lane"}, "station", analysis.Say("guide.station.missing")},
		"a name of a page":           {"", false, StepShop, more(shopTyped(), "shop", strings.Repeat("long ", 20)), "shop", analysis.Say("guide.long", mostTitle)},
		"a name with a control sign": {"", false, StepShop, more(shopTyped(), "station", "bay\x1b[2m"), "station", analysis.Say("guide.control")},
		"gauge before shop":          {"", false, StepGauge, gaugeTyped(), "port", analysis.Say("guide.gauge.shop_first")},
		"no port":                    {"", true, StepGauge, more(gaugeTyped(), "port", ""), "port", analysis.Say("guide.gauge.no_port")},
		"another port than heard":    {"", true, StepGauge, more(gaugeTyped(), "port", "/dev/other"), "port", analysis.Say("guide.gauge.not_heard")},
		"no kind":                    {"", true, StepGauge, more(gaugeTyped(), "kind", ""), "kind", analysis.Say("guide.gauge.kind")},
		"a tip like a ball":          {"", true, StepGauge, more(gaugeTyped(), "tip", "other", "tip_other", "2 m"), "tip_other", analysis.Say("length.unit", "2 m")},
		"a tip below nothing":        {"", true, StepGauge, more(gaugeTyped(), "tip", "other", "tip_other", "-2"), "tip_other", analysis.Say("guide.gauge.tip")},
		"averages for minutes":       {"", true, StepGauge, more(gaugeTyped(), "averages", "5m"), "averages", analysis.Say("guide.gauge.averages")},
		"repeats to millimetres":     {"", true, StepGauge, more(gaugeTyped(), "repeatability", "2 mm"), "repeatability", analysis.Say("guide.gauge.repeatability")},
		"ring without a name":        {"", true, StepRing, more(ring, "id", " "), "id", analysis.Say("guide.ring.id")},
		"ring that is there":         {oneStation, false, StepRing, more(ring, "id", "r-1250"), "id", analysis.Say("guide.ring.taken", "r-1250")},
		"size in words":              {"", true, StepRing, more(ring, "size", "about 31"), "size", analysis.Say("length.number", "about 31")},
		"no size":                    {"", true, StepRing, more(ring, "size", ""), "size", analysis.Say("guide.ring.size")},
		"engraved for certified":     {"", true, StepRing, more(ring, "size", "31.75"), "", analysis.Say("guide.ring.ask_certified", "31.75", 4)},
		"inches for millimetres":     {"", true, StepRing, more(ring, "unit", "in", "size", "31.74970", "nominal", ""), "", analysis.Say("guide.ring.ask_unit", "806.4424 mm · 31.749700 in")},
		"millimetres for inches":     {"", true, StepRing, more(ring, "size", "1.24999", "nominal", "31.75"), "nominal", analysis.Say("guide.ring.nominal", "31.7500 mm · 1.250000 in", "1.2500 mm · 0.049212 in")},
		"no uncertainty":             {"", true, StepRing, more(ring, "u", ""), "u", analysis.Say("guide.ring.u")},
		"uncertainty of nothing":     {"", true, StepRing, more(ring, "u", "0"), "u", analysis.Say("guide.ring.u_range")},
		"uncertainty in mm":          {"", true, StepRing, more(ring, "u", "0.25 mm"), "", analysis.Say("guide.ring.ask_u", analysis.Deviation(2_500_000))},
		"due in the past":            {"", true, StepRing, more(ring, "due", "2026-11-29"), "", analysis.Say("guide.ring.ask_due", analysis.Day(time.Date(2026, 11, 29, 0, 0, 0, 0, time.UTC)))},
		"due some day":               {"", true, StepRing, more(ring, "due", "25.1.27"), "due", analysis.Say("guide.date", "25.1.27")},
		"contacts without a gauge":   {"", true, StepContacts, map[string]string{"pedal": "cts"}, "spindle", analysis.Say("guide.gauge_first")},
		"one contact for two":        {oneStation, false, StepContacts, map[string]string{"pedal": "cts", "spindle": "cts"}, "pedal", analysis.Say("guide.contacts.same")},
		"passphrase too short":       {oneStation, false, StepAccess, map[string]string{"reach": "here", "passphrase": "oil"}, "passphrase", analysis.Say("guide.access.short", 3, 12)},
		"passphrase too long":        {oneStation, false, StepAccess, map[string]string{"reach": "here", "passphrase": strings.Repeat("oil ", 30)}, "passphrase", analysis.Say("guide.access.long", mostPassphrase)},
		"open to the shop":           {oneStation, false, StepAccess, map[string]string{"reach": "shop", "later": "1"}, "passphrase", analysis.Say("guide.access.missing")},
		"sound not tried":            {oneStation, false, StepSound, map[string]string{}, "heard_it", analysis.Say("guide.sound.choose")},
		"reached from nowhere":       {oneStation, false, StepAccess, map[string]string{"later": "1"}, "reach", analysis.Say("guide.access.reach")},
	} {
		t.Run(name, func(t *testing.T) {
			b := newBench(t, c.in)
			if c.shop {
				b.save(t, StepShop, shopTyped(), false)
			}
			before, _, _ := b.file.Configured()
			f := notation.Format{}
			out := b.save(t, c.step, c.text, false)
			said := out.Faults[c.field]
			if c.field == "" {
				said = strings.Join(out.Ask, "\n")
			}
			if want := f.Say(c.says); said != want || out.Done {
				t.Errorf("says %q of %v, want %q", said, out.Faults, want)
			}
			if after, _, _ := b.file.Configured(); string(after) != string(before) {
				t.Errorf("the file is now\n%s", after)
			}
			b.boot()
			p, err := b.At(before, "")
			if err != nil {
				t.Fatal(err)
			}
			for field, typed := range kept(c.text) {
				if got := p.Text(c.step)[field]; got != typed {
					t.Errorf("%s was %q, and is %q when the program is back", field, typed, got)
				}
			}
		})
	}
}

// What is unusual is taken once it is confirmed; a comma is a decimal sign, and a name may have any letters.
func TestUnusualAnswersAreTaken(t *testing.T) {
	for name, c := range map[string]struct {
		step string
		text map[string]string
		has  string
	}{
		"overdue":    {StepRing, more(ringTyped(), "due", "2026-11-29"), `due: "2026-11-29"`},
		"comma":      {StepRing, more(ringTyped(), "size", "31,74970", "u", "0,25"), "size: 31.7497 mm"},
		"fraction":   {StepRing, more(ringTyped(), "unit", "in", "size", "1-1/4", "nominal", "1-1/4"), "size: 1.25 in"},
		"quotes":     {StepRing, more(ringTyped(), "id", `R"1: #'é`), `"R\"1: #'é":`},
		"odd names":  {StepShop, map[string]string{"shop": `Öl & Süd <b> "№ 7"`, "station": "¿Bay? #{x}"}, "site: oel-sued-b-7"},
		"no letters": {StepShop, map[string]string{"shop": "研磨", "station": "機械"}, "site: shop"},
	} {
		t.Run(name, func(t *testing.T) {
			b := newBench(t, "")
			if out := b.save(t, c.step, c.text, true); !out.Done {
				t.Fatalf("%+v", out)
			}
			text, _, _ := b.file.Configured()
			if _, err := config.Parse("fairbore.yaml", text); err != nil || !strings.Contains(string(text), c.has) {
				t.Errorf("%v: %q is not in\n%s", err, c.has, text)
			}
		})
	}
}

// Two browsers that show the same: the second is told that it is late, and keeps what it has typed.
func TestTwoBrowsersAtOnce(t *testing.T) {
	b := newBench(t, oneStation)
	_, shown, _ := b.file.Configured()
	b.save(t, StepContacts, map[string]string{"pedal": "cts"}, false)
	after, _, _ := b.file.Configured()
	out, err := b.Take(t.Context(), StepRing, Posted{Text: more(ringTyped(), "id", "R-2"), Hash: shown, Save: true}, b.file, nil, notation.Format{})
	if err != nil || out.Done || !out.Stale || out.Why == "" {
		t.Errorf("%+v, %v", out, err)
	}
	if now, _, _ := b.file.Configured(); string(now) != string(after) {
		t.Errorf("the file is now\n%s", now)
	}
	if p, _ := b.At(after, ""); p.Text(StepRing)["id"] != "R-2" {
		t.Errorf("typed %v", p.Text(StepRing))
	}
}

// A disk that takes nothing, or a file that may not be written, is said; the answers stay.
func TestFileIsNotWritten(t *testing.T) {
	b := newBench(t, oneStation)
	b.file.no = analysis.Say("guide.no_step") // any phrase
	out := b.save(t, StepContacts, map[string]string{"pedal": "cts"}, false)
	if out.Done || out.Why != (notation.Format{}).Text("guide.no_step") {
		t.Errorf("%+v", out)
	}
}

// The power goes while a gauge is proved: it need not be listened to again. A draft of which the disk
// kept half is laid aside, and the set-up goes on.
func TestPowerOffBetweenSteps(t *testing.T) {
	b := newBench(t, "")
	b.save(t, StepShop, shopTyped(), false)
	if _, err := b.Take(t.Context(), StepGauge, Posted{Text: map[string]string{"port": "/dev/gauge"}}, b.file, aGauge("/dev/gauge"), notation.Format{}); err != nil {
		t.Fatal(err)
	}
	b.boot()
	text, hash, _ := b.file.Configured()
	p, err := b.At(text, "")
	if err != nil {
		t.Fatal(err)
	}
	if _, way, is := p.Known(notation.Format{}); !is || way != Streaming || p.Due() != StepGauge {
		t.Errorf("after the power was off the gauge is %q, known %v, and %s is due", way, is, p.Due())
	}
	out, err := b.Take(t.Context(), StepGauge, Posted{Text: gaugeTyped(), Hash: hash, Save: true}, b.file, nil, notation.Format{})
	if err != nil || !out.Done {
		t.Fatalf("%+v %v", out, err)
	}
	if err := os.WriteFile(b.Drafts.Path, []byte(`{"hone-bay-2": {"ri`), 0o600); err != nil {
		t.Fatal(err)
	}
	if out := b.save(t, StepRing, ringTyped(), false); !out.Done {
		t.Errorf("%+v", out)
	}
	if _, err := os.Stat(b.Drafts.Path + ".unread"); err != nil {
		t.Error(err)
	}
}

// A gauge whose button is pressed at a steady pace looks as if it streamed: a person says that it does
// not.
func TestSteadyPressesAreNoStream(t *testing.T) {
	b := newBench(t, "")
	b.save(t, StepShop, shopTyped(), false)
	if out := b.save(t, StepGauge, more(gaugeTyped(), "way", "button"), false); !out.Done {
		t.Fatalf("%+v", out)
	}
	text, _, _ := b.file.Configured()
	c, err := config.Parse("fairbore.yaml", text)
	if err != nil || c.Stations[0].Capture != "button" {
		t.Errorf("%v\n%s", err, text)
	}
}

// What a hand wrote in the file stays.
func TestHandsCommentsStay(t *testing.T) {
	b := newBench(t, oneStation)
	b.save(t, StepShop, map[string]string{"shop": "Quarry Lane Honing", "station": "bay two"}, false)
	b.save(t, StepGauge, map[string]string{"port": "/dev/ttyUSB0", "kind": "three-point"}, false)
	text, _, _ := b.file.Configured()
	c, err := config.Parse("fairbore.yaml", text)
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range []string{"# by hand", "# the shop"} {
		if !strings.Contains(string(text), s) {
			t.Errorf("%q is gone:\n%s", s, text)
		}
	}
	if s := c.Stations[0]; s.Name != "hone-bay-2" || s.Title != "bay two" || c.Gauges["G-1"].Kind != "three-point" || c.Site != "quarry-lane" {
		t.Errorf("%s", text)
	}
}
