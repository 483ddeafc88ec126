package config

import (
	"errors"
	"slices"
	"strings"
	"testing"
)

// TestChanged changes a file that was written by hand, and looks at every line of it.
func TestChanged(t *testing.T) {
	const file = `# ours
version: 1 # the form
site: quarry-lane

gauges:
  G-11: {driver: line, unit: mm, options: {}} # the old one
  # kept for spares
  G-12:
    driver: line
    unit: in   # as it shows
rings:
  R-1: {size: 31.7497 mm, u: 0.25 um}
people: {}   # nobody yet
#  ab: like this
stations:
  - name: bay-1
    gauge: G-11 # on the arm
    port: /dev/ttyS0
  - {name: bay-2, gauge: G-12, port: "tcp://box:4001"}
# the end
`
	for _, tt := range []struct {
		name     string
		changes  []Change
		old, new []string // the lines that differ
	}{
		{"a value, its comment stays", []Change{{Key: []string{"site"}, Value: "Pit"}}, []string{"site: quarry-lane"}, []string{"site: Pit"}},
		{"in brackets", []Change{{Key: []string{"rings", "R-1", "size"}, Value: "31.75 mm"}}, []string{"  R-1: {size: 31.7497 mm, u: 0.25 um}"}, []string{"  R-1: {size: 31.75 mm, u: 0.25 um}"}},
		{"one more in brackets, in the order of the program", []Change{{Key: []string{"rings", "R-1", "nominal"}, Value: "31.75 mm"}}, []string{"  R-1: {size: 31.7497 mm, u: 0.25 um}"}, []string{"  R-1: {size: 31.7497 mm, u: 0.25 um, nominal: 31.75 mm}"}},
		{"a new ring", []Change{{Key: []string{"rings", "R-2"}, Value: map[string]any{"due": "2027-01-25", "u": "0.25 um", "size": "9 mm"}}}, nil,
			[]string{"  R-2:", "    size: 9 mm", "    u: 0.25 um", `    due: "2027-01-25"`}},
		{"the same by its keys", []Change{{Key: []string{"rings", "R-2", "size"}, Value: "9 mm"}, {Key: []string{"rings", "R-2", "u"}, Value: "0.25 um"}}, nil,
			[]string{"  R-2:", "    size: 9 mm", "    u: 0.25 um"}},
		{"a ring is gone", []Change{{Key: []string{"rings", "R-1"}}}, []string{"rings:", "  R-1: {size: 31.7497 mm, u: 0.25 um}"}, nil},
		{"a station, by its name", []Change{{Key: []string{"stations", "bay-1", "port"}, Value: "tcp://x:1"}}, []string{"    port: /dev/ttyS0"}, []string{`    port: "tcp://x:1"`}},
		{"a key of a station", []Change{{Key: []string{"stations", "bay-1", "line"}, Value: map[string]any{"baud": 4800, "parity": "even"}}}, nil, []string{"    line: {baud: 4800, parity: even}"}},
		{"a new station", []Change{{Key: []string{"stations", "bay-3", "gauge"}, Value: "G-11"}, {Key: []string{"stations", "bay-3", "port"}, Value: "/dev/ttyS1"}}, nil,
			[]string{"  - name: bay-3", "    gauge: G-11", "    port: /dev/ttyS1"}},
		{"a station is gone", []Change{{Key: []string{"stations", "bay-1"}}}, []string{"  - name: bay-1", "    gauge: G-11 # on the arm", "    port: /dev/ttyS0"}, nil},
		{"what was empty", []Change{{Key: []string{"people", "ab"}, Value: map[string]any{"roles": []any{"gauge", "accept"}, "name": "first: shift"}}}, []string{"people: {}   # nobody yet"},
			[]string{"people:   # nobody yet", "  ab:", `    name: "first: shift"`, "    roles: [gauge, accept]"}},
		{"a part that is not there", []Change{{Key: []string{"web", "listen"}, Value: "127.0.0.1:80"}}, nil, []string{"web:", `  listen: "127.0.0.1:80"`, ""}},
		{"a list", []Change{{Key: []string{"letterhead", "lines"}, Value: []any{"Quarry Lane", "12, the lane"}}}, nil, []string{"letterhead:", `  lines: [Quarry Lane, "12, the lane"]`, ""}},
		{"true and 12 stay text", []Change{{Key: []string{"gauges", "G-12", "certificate"}, Value: "12"}, {Key: []string{"gauges", "G-12", "options"}, Value: map[string]any{"places": 4, "length": 9, "fields": "yes", "prefix": "7"}}}, nil,
			[]string{`    options: {fields: "yes", length: 9, places: 4, prefix: "7"}`, `    certificate: "12"`}},
		{"a whole gauge, by what differs", []Change{{Key: []string{"gauges", "G-12"}, Value: map[string]any{"driver": "line", "unit": "mm", "tip": "2 mm"}}}, []string{"    unit: in   # as it shows"},
			[]string{"    unit: mm   # as it shows", "    tip: 2 mm"}},
		{"a whole gauge in brackets", []Change{{Key: []string{"gauges", "G-11"}, Value: map[string]any{"driver": "line", "unit": "in"}}}, []string{"  G-11: {driver: line, unit: mm, options: {}} # the old one"},
			[]string{"  G-11: {driver: line, unit: in} # the old one"}},
	} {
		for _, eol := range []string{"\n", "\r\n"} {
			got, _, err := Changed("f.yaml", []byte(strings.ReplaceAll(file, "\n", eol)), tt.changes...)
			if err != nil {
				t.Errorf("%s: %v", tt.name, err)
				continue
			}
			was, is := strings.Split(file, "\n"), strings.Split(string(got), eol)
			if gone, new := differ(was, is), differ(is, was); !slices.Equal(gone, tt.old) || !slices.Equal(new, tt.new) {
				t.Errorf("%s: took out\n%q, want\n%q; put in\n%q, want\n%q; all\n%s", tt.name, gone, tt.old, new, tt.new, got)
			}
		}
	}
}

// differ returns the lines of a that are not among those of b, each as often as it stands there.
func differ(a, b []string) (more []string) {
	b = slices.Clone(b)
	for _, line := range a {
		if i := slices.Index(b, line); i >= 0 {
			b = slices.Delete(b, i, i+1)
		} else {
			more = append(more, line)
		}
	}
	return more
}

// TestChangedRefuses: nothing comes back that check would refuse, nor a place that is written in a
// way that can't be changed.
func TestChangedRefuses(t *testing.T) {
	const file = "version: 1\nsite: a\nbase: &b {driver: line, unit: mm}\ngauges: {G: *b}\nstations: []\n"
	for _, tt := range []struct {
		text string
		c    Change
		want string
	}{
		{"version: 1\n", Change{[]string{"rings", "R", "size"}, "12"}, "no unit"},
		{"version: 1\n", Change{[]string{"rngs"}, "12"}, "unknown key"},
		{"version: 1\nsite: a\n", Change{[]string{"site", "x"}, "12"}, "only an editor"},
		{"version: 1\nsite: a\n", Change{nil, "12"}, "no key"},
		{"version: [\n", Change{[]string{"site"}, "a"}, "a value is missing"},
		{file, Change{[]string{"gauges", "G", "unit"}, "in"}, "only an editor"},
		{"version: 1\nsite: several\n  lines\n", Change{[]string{"site"}, "a"}, "only an editor"},
	} {
		got, cfg, err := Changed("f.yaml", []byte(tt.text), tt.c)
		if err == nil || !errors.Is(err, ErrInvalid) || !strings.Contains(err.Error(), tt.want) || got != nil || cfg != nil {
			t.Errorf("%q with %v: %q, %v, want an error with %q", tt.text, tt.c, got, err, tt.want)
		}
	}
}

// TestChangedFromNothing makes a whole configuration out of no file.
func TestChangedFromNothing(t *testing.T) {
	text, cfg, err := Changed("f.yaml", nil,
		Change{[]string{"stations", "bay-1"}, map[string]any{"gauge": "G", "port": "/dev/ttyS0"}}, Change{[]string{"site"}, "shop"},
		Change{[]string{"gauges", "G"}, map[string]any{"driver": "line", "unit": "mm", "options": map[string]any{}}})
	if err != nil {
		t.Fatal(err)
	}
	want := newFile + `site: shop

gauges:
  G:
    driver: line
    options: {}
    unit: mm

stations:
  - name: bay-1
    gauge: G
    port: /dev/ttyS0
`
	if string(text) != want || cfg.Stations[0].Name != "bay-1" {
		t.Errorf("wrote\n%s, want\n%s", text, want)
	}
	if text, _, err = Changed("f.yaml", nil); string(text) != newFile || err != nil {
		t.Errorf("nothing makes %q, %v", text, err)
	}
}

// TestRetired: what is retired stays in the file, can't be chosen, and is missed by nobody who uses it.
func TestRetired(t *testing.T) {
	const file = `version: 1
site: a
gauges: {G: {driver: line, unit: mm}, G-2: {driver: line, unit: mm, retired: "2026-01-01"}}
rings: {R: {size: 9 mm, u: 0.2 um}, R-2: {size: 9 mm, u: 0.2 um, retired: "2026-01-01", certificate_file: "` + "0123456789abcdef0123456789abcdef0123456789abcdef0123456789abcdef" + `"}}
stations: [{name: s, gauge: G, port: "tcp://a:1"}]
`
	cfg, err := Parse("f.yaml", []byte(file))
	if err != nil {
		t.Fatal(err)
	}
	if rings := cfg.AnalysisRings(); rings["R"] == nil || rings["R-2"] != nil || cfg.Rings["R-2"].File == "" {
		t.Errorf("rings %v", rings)
	}
	for want, c := range map[string]Change{
		`gauge "G" is retired`: {[]string{"gauges", "G", "retired"}, "2026-01-01"},
		"give a date":          {[]string{"rings", "R", "retired"}, "soon"},
		"give the SHA-256":     {[]string{"rings", "R", "certificate_file"}, "../x"},
	} {
		if _, _, err := Changed("f.yaml", []byte(file), c); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v: %v, want %q", c, err, want)
		}
	}
}
