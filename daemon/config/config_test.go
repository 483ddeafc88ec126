package config

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"runtime"
	"strings"
	"testing"
	"time"

	"go.yaml.in/yaml/v3"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/configs"
	"fairbore/drivers"
)

func TestDemoIsGood(t *testing.T) {
	if _, err := Parse("demo.yaml", configs.Demo); err != nil {
		t.Fatal(err)
	}
}

func example(t *testing.T) string {
	t.Helper()
	b, err := os.ReadFile("../../configs/fairbore.yaml")
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// The complete example is good, and leaves no key out.
func TestExampleIsCompleteAndGood(t *testing.T) {
	text := example(t)
	c, err := Parse("fairbore.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	var tree map[string]any
	if err := yaml.Unmarshal([]byte(text), &tree); err != nil {
		t.Fatal(err)
	}
	covers(t, reflect.TypeOf(*c), tree, "")
}

// What a file states is told from what it leaves out, 0 from nothing.
func TestStates(t *testing.T) {
	text := example(t)
	c, err := Parse("fairbore.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	if g := c.Gauges["G-11"]; !c.States("gauges", "G-11", "averages") || !c.States("Gauges", "g-11", "Step") || g.Averages != 0 {
		t.Error("averages: 0 ms is not stated")
	}
	for _, key := range []string{"averages", "lag", "repeatability", "drift"} {
		text = regexp.MustCompile(`(?m)^ *`+key+`:.*\n`).ReplaceAllString(text, "")
	}
	text = strings.Replace(text, "free_air: 0 mm ", "free_air: 0.25 mm", 1)
	if c, err = Parse("fairbore.yaml", []byte(text)); err != nil {
		t.Fatal(err)
	}
	for _, key := range []string{"averages", "lag", "repeatability"} {
		if c.States("gauges", "G-11", key) {
			t.Errorf("%s is stated, and was left out", key)
		}
	}
	if c.States("uncertainty", "drift") || !c.States("uncertainty", "contact") || c.Gauges["G-11"].FreeAir != analysis.Millimetre/4 {
		t.Errorf("free air %s", c.Gauges["G-11"].FreeAir)
	}
}

func TestSmoothingOfAGauge(t *testing.T) {
	for _, c := range []struct{ from, to, fault string }{
		{"averages: 0 ms", "averages: 100 ms", ""}, {"averages: 0 ms", "averages: 0.1s", ""}, {"lag: 0 ms", "lag: 20ms", ""},
		{"averages: 0 ms", "averages: -1 ms", "gauges.G-11.averages: -1ms is out of range: give 0 ms to 1s"},
		{"lag: 0 ms", "lag: 2 s", "gauges.G-11.lag: 2s is out of range: give 0 ms to 1s"},
		{"averages: 0 ms", "averages: 100", "gauges.G-11.averages: 100 has no unit"},
		{"free_air: 0 mm", "free_air: -0.1 mm", "gauges.G-11.free_air"},
		{"free_air: 0 mm", "free_air: 30 mm", "up to 10"},
	} {
		_, err := Parse("fairbore.yaml", []byte(strings.Replace(example(t), c.from, c.to, 1)))
		if (err == nil) != (c.fault == "") || err != nil && !strings.Contains(err.Error(), c.fault) {
			t.Errorf("%s: %v, want %q", c.to, err, c.fault)
		}
	}
}

func TestMaxRate(t *testing.T) {
	for _, c := range []struct {
		text  string
		want  int
		fault string
	}{
		{"max_rate: 200", 200, ""}, {"max_rate: 5000", 5000, ""}, {"", 200, ""}, {"max_rate: 0", 200, ""},
		{"max_rate: -1", 0, "stations[0].max_rate: -1 is out of range: give 1 to 100000"}, {"max_rate: 100001", 0, "give 1 to 100000"}, {"max_rate: 200/s", 0, "max_rate"},
	} {
		got, err := Parse("fairbore.yaml", []byte(regexp.MustCompile(`max_rate: 200 .*`).ReplaceAllString(example(t), c.text)))
		if (err == nil) != (c.fault == "") || err != nil && !strings.Contains(err.Error(), c.fault) {
			t.Errorf("%s: %v, want %q", c.text, err, c.fault)
		} else if err == nil && got.Stations[0].MaxRate != c.want {
			t.Errorf("%s: %d, want %d", c.text, got.Stations[0].MaxRate, c.want)
		}
	}
}

// covers checks that a tree has every key that a type has.
func covers(t *testing.T, typ reflect.Type, tree any, path string) {
	switch typ.Kind() {
	case reflect.Pointer:
		covers(t, typ.Elem(), tree, path)
	case reflect.Struct:
		m, ok := tree.(map[string]any)
		if !ok {
			t.Errorf("%s is not in the example", path)
			return
		}
		for i := range typ.NumField() {
			key := typ.Field(i).Tag.Get("koanf")
			if key == "" {
				continue
			}
			v, ok := m[key]
			if !ok {
				t.Errorf("%s.%s is not in the example", path, key)
				continue
			}
			if m, ok := v.(map[string]any); ok && len(m) == 0 { // explained elsewhere in the example
				continue
			}
			covers(t, typ.Field(i).Type, v, path+"."+key)
		}
	case reflect.Map:
		if m, ok := tree.(map[string]any); ok && typ.Elem().Kind() == reflect.Pointer {
			for k, v := range m {
				covers(t, typ.Elem(), v, path+"."+k)
			}
		}
	case reflect.Slice:
		if l, ok := tree.([]any); ok && typ.Elem().Kind() == reflect.Struct {
			for _, v := range l {
				covers(t, typ.Elem(), v, path+"[]")
			}
		}
	}
}

// What the example says of values left out is what they have.
func TestExampleStatesTheDefaults(t *testing.T) {
	c, err := Parse("fairbore.yaml", []byte(example(t)))
	if err != nil {
		t.Fatal(err)
	}
	d := defaults()
	for name, pair := range map[string][2]any{
		"journal": {c.Journal, d.Journal}, "web": {c.Web, d.Web}, "recordings": {c.Record, d.Record},
		"mastering": {c.Master, d.Master}, "uncertainty": {c.Doubt, d.Doubt}, "language": {c.Language, d.Language}, "guard": {c.Guard, d.Guard}, "shift": {c.Shift, d.Shift},
	} {
		if !reflect.DeepEqual(pair[0], pair[1]) {
			t.Errorf("%s: the example says %+v, the default is %+v", name, pair[0], pair[1])
		}
	}
}

func TestJobIsExact(t *testing.T) {
	c, err := Parse("fairbore.yaml", []byte(example(t)))
	if err != nil {
		t.Fatal(err)
	}
	j := c.AnalysisJob("J-4112")
	if j.Low != 31_750*10_000 || j.High-j.Low != 100*analysis.MicroInch || j.Target-j.Low != 50*analysis.MicroInch {
		t.Errorf("limits %s to %s, target %s", j.Low, j.High, j.Target)
	}
	if len(j.Plan()) != 6 || j.Orientations[1] != 90*analysis.Degree {
		t.Errorf("plan %v", j.Plan())
	}
}

// A length may be inches in a fraction.
func TestFractions(t *testing.T) {
	text := strings.Replace(example(t), "size: 31.74970 mm", "size: 1-1/4 in", 1)
	c, err := Parse("f.yaml", []byte(text))
	if err != nil || c.Rings["R-1250"].Size != 31_750*analysis.Micrometre {
		t.Errorf("1-1/4 in is %v, %v", c.Rings["R-1250"], err)
	}
	if _, err = Parse("f.yaml", []byte(strings.Replace(text, "size: 1-1/4 in", "size: 1-1/3 in", 1))); err == nil || !strings.Contains(err.Error(), "finer than 0.1 nm") {
		t.Errorf("1-1/3 in: %v", err)
	}
}

// Every fault is reported at once, at its key and its line.
func TestFaults(t *testing.T) {
	lines := strings.Split(example(t), "\n")
	lineOf := func(text string) int {
		for i, l := range lines {
			if strings.Contains(l, text) {
				return i + 1
			}
		}
		t.Fatalf("the example has no line with %q", text)
		return 0
	}
	var en notation.Format
	cases := []struct{ key, was, is, why string }{
		{"site", "site: quarry-lane", "site: quarry lane", "letters"},
		{"language", `language: ""`, "language: tlh", "de"},
		{"mastering.max_age", "max_age: 30m", "max_age: 30", "has no unit"},
		{"mastering.readings", "readings: 3 ", "readings: 3.5 ", "whole number"},
		{"web.hash", `hash: ""               #`, `hash: sesame             #`, "fairbore hash"},
		{"guard", "guard: 1.645u", "guard: perhaps", "rule"},
		{"gauges.G-11.unit", "unit: mm  ", "unit: furlong ", "give mm"},
		{"gauges.G-11.driver", "driver: line", "driver: lime", "not one of"},
		{"gauges.G-11.reading_type", "reading_type: size", "reading_type: much", "size, deviation"},
		{"rings.R-1250.size", "size: 31.74970 mm", "size: 31.74970", "has no unit"},
		{"gauges.G-11.due", `due: ""              # of the gauge`, `due: "1 March"        # of the gauge`, "date"},
		{"rings.R-1250.due", `due: "2027-01-25"`, `due: "soon"`, "date"},
		{"jobs.J-4112.material", "material: tool steel", "material: wood", "not one of"},
		{"jobs.J-4112.low", "low: 1.25000 in", "low: 1.25020 in", en.Text("job.low_order", analysis.Size(317_525_400), analysis.Size(317_550_800))},
		{"jobs.J-4112.outside", "outside: 0 mm ", "outside: 20 mm ", en.Text("job.outside", 20*analysis.Millimetre)},
		{"jobs.J-4112.sections", "sections: [5 mm, 32 mm, 58 mm]", "sections: [5 mm, 32 mm, 580 mm]", en.Text("job.sections_outside", 580*analysis.Millimetre, 635*analysis.Millimetre/10)},
		{"jobs.J-4112.order", `order: ""`, `order: "` + strings.Repeat("W", 65) + `"`, en.Text("job.record_line", "order", 64)},
		{"jobs.J-4112.balloons.size", "balloons: {} ", `balloons: {size: "12345678901234567"} `, en.Text("job.record_line", "balloons.size", 16)},
		{"jobs.J-4112.fields", "fields: [] ", `fields: [{name: "", value: "1"}] `, en.Text("job.record_name", "fields")},
		{"jobs.J-4112.ring", "ring: R-1250 ", "ring: R-1 ", "not under rings"},
		{"stations[0].settle", "settle: 600ms ", "settle: 10s ", "up to 3s"},
		{"stations[0].gouge", "    gauge: G-11", "    gouge: G-11", "unknown key"},
		{"stations[0].line.parity", "parity: none", "parity: some", "even"},
		{"stations[0].capture", "capture: button", "capture: magic", "button"},
		{"stations[0].record", "record: false ", "record: null ", "no value"},
	}
	all := example(t)
	for _, c := range cases {
		one := strings.Replace(example(t), c.was, c.is, 1)
		all = strings.Replace(all, c.was, c.is, 1)
		_, err := Parse("f.yaml", []byte(one))
		f := find(err, c.key)
		if f == nil {
			t.Errorf("%s: no fault; got %v", c.key, err)
			continue
		}
		if f.Line != lineOf(c.was) || !strings.Contains(f.Err.Error(), c.why) || !errors.Is(err, ErrInvalid) {
			t.Errorf("%s: line %d, want %d: %v, want %q", c.key, f.Line, lineOf(c.was), f.Err, c.why)
		}
	}
	_, err := Parse("f.yaml", []byte(all))
	for _, c := range cases {
		if find(err, c.key) == nil {
			t.Errorf("with all faults at once, %s is not reported", c.key)
		}
	}
}

// An air gauge comes home more slowly than a contact, and is given the time.
func TestAirGaugeSettles(t *testing.T) {
	text := strings.Replace(example(t), "    settle: 600ms ", "    # ", 1)
	for kind, want := range map[string]time.Duration{"three-point": 600 * time.Millisecond, "air": 1500 * time.Millisecond} {
		c, err := Parse("fairbore.yaml", []byte(strings.Replace(text, "kind: two-point ", "kind: "+kind+" ", 1)))
		if err != nil {
			t.Fatal(err)
		}
		if got := c.Stations[0].Settle; got != want {
			t.Errorf("%s: level for %s, want %s", kind, got, want)
		}
	}
}

// A gesture is off at 0, as written in either way, and has its usual time when left out.
func TestGestureIsOffAtZero(t *testing.T) {
	for is, want := range map[string]time.Duration{"void_gesture: 0": 0, "void_gesture: 0s": 0, "void_gesture: 3s": 3 * time.Second, "#": 2 * time.Second} {
		c, err := Parse("fairbore.yaml", []byte(strings.Replace(example(t), "void_gesture: 2s", is, 1)))
		if err != nil {
			t.Errorf("%s: %v", is, err)
		} else if got := *c.Stations[0].Twice; got != want {
			t.Errorf("%s: %s, want %s", is, got, want)
		}
	}
	_, err := Parse("fairbore.yaml", []byte(strings.Replace(example(t), "void_gesture: 2s", "void_gesture: -1s", 1)))
	if err == nil || !strings.Contains(err.Error(), "void_gesture") {
		t.Errorf("a negative time: %v", err)
	}
}

// The size engraved on a ring and its certified size differ little. A large difference means that one of
// them is a slip of the pen.
func TestNominalOfARing(t *testing.T) {
	for _, c := range []struct {
		is    string
		fault bool
	}{{"31.75 mm", false}, {"0 mm", false}, {"1.2500 in", false}, {"31.8 mm", true}, {"31.57 mm", true}} {
		_, err := Parse("f.yaml", []byte(strings.Replace(example(t), "nominal: 31.75 mm", "nominal: "+c.is, 1)))
		f := find(err, "rings.R-1250.nominal")
		if (f != nil) != c.fault || c.fault && !strings.Contains(f.Err.Error(), "correct one of them") {
			t.Errorf("nominal %s: %v", c.is, err)
		}
	}
}

// A correction for the contacts wants to know what they are like.
func TestContacts(t *testing.T) {
	for _, c := range []struct{ tip, kind, force, correct, key, why string }{
		{"2 mm", "two-point", "0 N", "true", "", ""},
		{"2 mm", "two-point", "0.8 N", "false", "", ""},
		{"0 mm", "two-point", "0 N", "false", "", ""},
		{"0 mm", "two-point", "0 N", "true", "gauges.G-11.correct_indentation", "radius in tip"},
		{"2 mm", "three-point", "0 N", "true", "gauges.G-11.correct_indentation", "two-point gauge"},
		{"2 mm", "two-point", "1", "true", "gauges.G-11.force", "with its unit"},
		{"2 mm", "two-point", "much N", "true", "gauges.G-11.force", "with its unit"},
		{"2 mm", "two-point", "-1 N", "true", "gauges.G-11.force", "of one tip"},
		{"2 mm", "two-point", "200 N", "true", "gauges.G-11.force", "of one tip"},
	} {
		text := strings.NewReplacer("tip: 2 mm", "tip: "+c.tip, "kind: two-point", "kind: "+c.kind, "force: 0 N", "force: "+c.force,
			"correct_indentation: false", "correct_indentation: "+c.correct).Replace(example(t))
		_, err := Parse("f.yaml", []byte(text))
		f := find(err, c.key)
		switch {
		case c.key == "" && err != nil:
			t.Errorf("%+v: %v", c, err)
		case c.key != "" && (f == nil || !strings.Contains(f.Err.Error(), c.why)):
			t.Errorf("%+v: got %v", c, err)
		}
	}
}

// Several gauges on one port: by their addresses if they are asked, by their
// channels if they speak by themselves, and in no other way.
func TestSharedPort(t *testing.T) {
	const head = "version: 1\nsite: s\ngauges:\n" +
		"  M1: {driver: modbus-rtu, unit: mm, options: {unit-id: '1'}}\n  M2: {driver: modbus-rtu, unit: mm, options: {unit-id: '2'}}\n  M2b: {driver: modbus-rtu, unit: mm, options: {unit-id: '2'}}\n" +
		"  A: {driver: line, unit: mm, options: {channels: 'A,B'}, channels: {A: size, B: ignored}}\n  B: {driver: line, unit: mm, options: {channels: 'A,B'}, channels: {A: ignored, B: size}}\n  B2: {driver: line, unit: mm, options: {channels: 'A,B'}, channels: {A: ignored, B: size}}\n" +
		"stations:\n"
	for _, c := range []struct{ name, first, second, key, why string }{
		{"two addresses", "gauge: M1, port: /dev/a", "gauge: M2, port: /dev/a", "", ""},
		{"an address twice", "gauge: M2, port: /dev/a", "gauge: M2b, port: /dev/a", "stations[1].port", "give each its address"},
		{"a gauge twice", "gauge: M2, port: /dev/a", "gauge: M2, port: /dev/a", "stations[1].port", "a gauge of its own"},
		{"two channels", "gauge: A, port: /dev/a", "gauge: B, port: /dev/a", "", ""},
		{"a channel twice", "gauge: B, port: /dev/a", "gauge: B2, port: /dev/a", "stations[1].port", "give each its channel"},
		{"asked and not", "gauge: A, port: /dev/a", "gauge: M2, port: /dev/a", "stations[1].port", "talk at once"},
		{"two settings", "gauge: A, port: /dev/a", "gauge: B, port: /dev/a, line: {baud: 4800}", "stations[1].line", "one setting"},
		{"other instruments", "gauge: M1, port: /dev/a, other_instruments: [{gauge: M2, port: /dev/a}]", "gauge: A, port: /dev/b", "", ""},
		{"a scanner", "gauge: A, port: /dev/a, scanner: {port: /dev/a, driver: line}", "gauge: B, port: /dev/b", "stations[0].scanner.port", "one of its own"},
	} {
		_, err := Parse("f.yaml", []byte(head+"  - {name: one, "+c.first+"}\n  - {name: two, "+c.second+"}\n"))
		f := find(err, c.key)
		switch {
		case c.key == "" && err != nil:
			t.Errorf("%s: %v", c.name, err)
		case c.key != "" && (f == nil || !strings.Contains(f.Err.Error(), c.why)):
			t.Errorf("%s: got %v, want %q at %s", c.name, err, c.why, c.key)
		}
	}
}

func find(err error, key string) *Fault {
	many, ok := err.(interface{ Unwrap() []error })
	if !ok {
		return nil
	}
	for _, e := range many.Unwrap() {
		if f, ok := e.(*Fault); ok && f.Key == key {
			return f
		}
	}
	return nil
}

// TestSecrets checks that a file with a password or a key is refused if others may read or change
// it, with what to do, and that a credential of the service is found where the service manager says.
func TestSecrets(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("files have no such rights on Windows")
	}
	dir := t.TempDir()
	secret, open := filepath.Join(dir, "secret"), filepath.Join(dir, "open")
	for path, mode := range map[string]os.FileMode{secret: 0o640, open: 0o644} {
		if err := os.WriteFile(path, []byte("x\n"), 0o600); err != nil {
			t.Fatal(err)
		}
		if err := os.Chmod(path, mode); err != nil {
			t.Fatal(err)
		}
	}
	embedded := regexp.MustCompile(`(?m)^  embedded:\n(    .*\n)+`)
	with := func(broker string) string {
		return embedded.ReplaceAllString(example(t), "  embedded: {"+broker+"}\n")
	}
	shop := func(key, path string) string {
		return strings.Replace(strings.Replace(example(t), key+`: ""`, key+": "+path, 1), `user: ""`, "user: bay", 1)
	}
	for _, c := range []struct{ name, text, key, why string }{
		{"a password", shop("password_file", secret), "", ""},
		{"a password that others may read", shop("password_file", open), "broker.password_file", "chmod 0640 " + open},
		{"an authority that others may read", shop("ca_file", open), "", ""},
		{"a key that others may read", strings.Replace(shop("cert_file", open), "  key_file: \"\"\n  client_id", "  key_file: "+open+"\n  client_id", 1), "broker.key_file", "mode 0644"},
		{"a key of the journal that others may read", shop("key_file", open), "journal.key_file", "mode 0644"},
		{"a key of the broker inside", with("cert_file: " + open + ", key_file: " + open), "broker.embedded.key_file", "chmod 0640"},
		{"a certificate that isn't", with("cert_file: /nowhere"), "broker.embedded.cert_file", "no such file"},
		{"a credential", shop("password_file", `"%d/secret"`), "", ""},
		{"a credential by the environment", shop("password_file", `"${CREDENTIALS_DIRECTORY}/secret"`), "", ""},
		{"a credential that isn't", shop("password_file", `"%d/none"`), "broker.password_file", "no such file"},
		{"a folder", shop("password_file", dir), "broker.password_file", "is a folder"},
	} {
		t.Setenv("CREDENTIALS_DIRECTORY", dir)
		got, err := Parse("f.yaml", []byte(c.text))
		switch f := find(err, c.key); {
		case c.key == "" && err != nil:
			t.Errorf("%s: %v", c.name, err)
		case c.key == "" && got.Broker.Password != "" && got.Broker.Password != secret:
			t.Errorf("%s: the password is read from %s", c.name, got.Broker.Password)
		case c.key != "" && (f == nil || !strings.Contains(f.Err.Error(), c.why) || f.Line == 0):
			t.Errorf("%s: %v, want %q", c.name, err, c.why)
		}
	}
	t.Setenv("CREDENTIALS_DIRECTORY", "")
	_, err := Parse("f.yaml", []byte(shop("password_file", `"%d/secret"`)))
	if f := find(err, "broker.password_file"); f == nil || !strings.Contains(f.Err.Error(), "LoadCredential=secret:FILE") {
		t.Errorf("outside a service: %v", err)
	}
}

func TestUnreadable(t *testing.T) {
	for name, text := range map[string]string{"empty": "", "only a comment": "# nothing\n", "not YAML": "a: [1", "twice": "site: a\nsite: b\n", "a list": "- 1\n"} {
		if c, err := Parse("f.yaml", []byte(text)); err == nil {
			t.Errorf("%s: read as %+v", name, c)
		}
	}
	if _, err := Load(filepath.Join(t.TempDir(), "none.yaml")); err == nil || errors.Is(err, ErrInvalid) {
		t.Errorf("a missing file: %v", err)
	}
	for want, text := range map[string]string{
		"f.yaml:2: not UTF-8":                                   "version: 1\nsite: k\xf6nig\n",
		"f.yaml:3: a control character (0x00)":                  "version: 1\nsite: s\nweb: {listen: \"a\x00b\"}\n",
		"exceeded max depth":                                    "a: " + strings.Repeat("[", 100_000),
		"excessive aliasing":                                    aliases(),
		"f.yaml: empty: start from configs":                     "",
		"NaN is not valid: give degrees":                        strings.Replace(example(t), "orientations: [0, 90]", "orientations: [.nan, 90]", 1),
		"f.yaml:2: a tab: use spaces":                           "site: s\n\tversion: 1\n",
		"f.yaml:3: a tab: use spaces":                           "gauges:\n  A:\n  \tdriver: line\n",
		"f.yaml:3: a tab: use":                                  "stations:\n  - name: a\n -\tname: b\n",
		"a quote is not closed: add it":                         "site: \"s\nversion: 1\n",
		"a bracket is not closed: check [ ] and { }":            "site: [s, t\nversion: 1\n",
		"a colon stands where none can: check the indentation":  "site: s: t\n",
		"put the text in quotes":                                "site: @home\n",
		"a colon is missing after a key: write key: value":      "site: s\nversion\njournal: {}\n",
		"a line does not fit those above it: check":             "web:\n    open: true\n  hash: a\n",
		"f.yaml:2: a key is there twice: take one out":          "site: s\nsite: t\n",
		"site: is a list: give one value":                       "site: [s]\n",
		"journal: has no keys: write its keys":                  "journal: fairbore.db\n",
		"stations: is not a list: write [a, b]":                 "stations: one\n",
		"gauges: has no keys: write its keys":                   "gauges: [a]\n",
		"web.open: yes please is not valid: give true or false": "web: {open: yes please}\n",
		"broker.user: has keys below it: give one value":        "broker: {user: {name: a}}\n",
		"mastering.max_age: is a list: give one value":          "mastering: {max_age: [1m]}\n",
		"mastering.readings: \"many\" is not valid: give a":     "mastering: {readings: many}\n",
		"too large": strings.Replace(example(t), "low: 1.25000 in", "low: 99999999999999999999 in", 1),
	} {
		if _, err := Parse("f.yaml", []byte(text)); !errors.Is(err, ErrInvalid) || !strings.Contains(err.Error(), want) {
			t.Errorf("%.40q: %v, want %q", text, err, want)
		}
	}
}

// aliases is a list that would be 9^9 long if it were written out.
func aliases() string {
	text := "a: &a [x,x,x,x,x,x,x,x,x]\n"
	for c := 'b'; c < 'j'; c++ {
		text += fmt.Sprintf("%c: &%[1]c [%s]\n", c, strings.TrimSuffix(strings.Repeat(fmt.Sprintf("*%c,", c-1), 9), ","))
	}
	return text
}

// Each driver has an example, whose gauge its driver takes.
func TestDriverExamples(t *testing.T) {
	for _, d := range drivers.Table() {
		path := "drivers/" + d.Name + ".yaml"
		b, err := configs.Drivers.ReadFile(path)
		if err != nil {
			t.Errorf("driver %s has no example: %v", d.Name, err)
			continue
		}
		var file struct {
			Gauge struct {
				Driver  string
				Options map[string]any
			}
		}
		if err := yaml.Unmarshal(b, &file); err != nil {
			t.Errorf("%s: %v", path, err)
			continue
		}
		g := Gauge{Driver: file.Gauge.Driver, Options: file.Gauge.Options}
		if _, err := g.Decoder(); err != nil || g.Driver != d.Name {
			t.Errorf("%s: driver %q: %v", path, g.Driver, err)
		}
	}
}

func FuzzParse(f *testing.F) {
	f.Add(configs.Demo)
	f.Add([]byte("version: 1\nstations: [{}]\nrings: {a: }\njobs: {b: }\ngauges: {c: }\n"))
	f.Fuzz(func(t *testing.T, b []byte) {
		if c, err := Parse("f.yaml", b); err == nil && len(c.Stations) > 0 && c.Site == "" {
			t.Error("a station without a site was taken")
		}
	})
}

// What is open to the network without being said to be meant is named with its line;
// what says so, or is not reached, is not.
func TestExposed(t *testing.T) {
	const hash = `"$2a$10$cTJjhsG6rCqk1zF3zVbRuOl9sethncbHTLOdk/fxs7lecAjU6OY0m"`
	const users = `users: [{name: wall, hash: ` + hash + `}]`
	key := filepath.Join(t.TempDir(), "key")
	if err := os.WriteFile(key, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ web, broker, want string }{
		{"", "", ""},
		{"listen: localhost:8080", "", ""},
		{"listen: '[::1]:8080'", "", ""},
		{"listen: ''", "", ""},
		{"listen: 0.0.0.0:8080", "", "web.listen"},
		{"listen: ':8080'", "", "web.listen"},
		{"listen: bay.local:8080", "", "web.listen"},
		{"listen: 192.168.1.7:8080", "", "web.listen"},
		{"listen: 0.0.0.0:8080, hash: " + hash, "", ""},
		{"listen: 0.0.0.0:8080, actions: false", "", ""},
		{"listen: 0.0.0.0:8080, open: true", "", ""},
		{"proxies: [127.0.0.1]", "", "web.proxies"},
		{"proxies: [127.0.0.1], hash: " + hash, "", ""},
		{"", "listen: 0.0.0.0:1883, anonymous: true", ""},
		{"", "listen: 127.0.0.1:1883, " + users, ""},
		{"", "listen: ':1883', " + users, "broker.embedded.listen"},
		{"", "listen: ':1883', unencrypted: true, " + users, ""},
		{"", "listen: ':8883', cert_file: config.go, key_file: '" + key + "', " + users, ""},
		{"listen: ':8080'", "listen: ':1883', " + users, "web.listen broker.embedded.listen"},
	} {
		text := string(configs.Demo) + "\nweb: {" + c.web + "}\nbroker: {embedded: {" + c.broker + "}}\n"
		cfg, err := Parse("f.yaml", []byte(text))
		if err != nil {
			t.Fatalf("%+v: %v", c, err)
		}
		var got []string
		for _, e := range cfg.Exposed() {
			f, ok := e.(*Fault)
			if !ok || f.Line == 0 || !errors.Is(e, ErrInvalid) || !strings.Contains(e.Error(), "if that is meant") {
				t.Errorf("%+v: %v", c, e)
				continue
			}
			got = append(got, f.Key)
		}
		if strings.Join(got, " ") != c.want {
			t.Errorf("%+v: %v is exposed", c, got)
		}
	}
}

// A file with a hash is not for every user of the machine.
func TestReadable(t *testing.T) {
	with := &Config{Web: Web{Hash: "x"}}
	user := &Config{Broker: Broker{Embedded: Embedded{Users: []BrokerUser{{Name: "wall", Hash: "x"}}}}}
	for _, c := range []struct {
		cfg  *Config
		mode os.FileMode
		want bool
	}{{with, 0o644, true}, {user, 0o604, true}, {with, 0o640, false}, {with, 0o600, false}, {&Config{}, 0o644, false}} {
		if err := c.cfg.Readable("f.yaml", c.mode); (err != nil) != c.want || err != nil && !strings.Contains(err.Error(), "chmod 0640 f.yaml") {
			t.Errorf("%+v: %v", c, err)
		}
	}
}

// Proxies are addresses and networks.
func TestProxies(t *testing.T) {
	cfg, err := Parse("f.yaml", []byte(string(configs.Demo)+"\nweb: {proxies: [192.168.1.4, 10.0.0.7/8, 'fd00::/8', '::1']}\n"))
	if err != nil || fmt.Sprint(cfg.Web.Trusted()) != "[192.168.1.4/32 10.0.0.0/8 fd00::/8 ::1/128]" {
		t.Errorf("%v, %v", cfg, err)
	}
	if _, err := Parse("f.yaml", []byte(string(configs.Demo)+"\nweb: {proxies: [proxy.shop.example]}\n")); !errors.Is(err, ErrInvalid) || !strings.Contains(err.Error(), "web.proxies[0]") {
		t.Errorf("a name: %v", err)
	}
}
