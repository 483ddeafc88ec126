package drivertest

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"fairbore/drivers"
)

// catcher is a test that notes how it fails.
type catcher struct {
	testing.TB
	failed string
}

func (c *catcher) Helper() {}

func (c *catcher) Errorf(format string, args ...any) { c.failed += fmt.Sprintf(format, args...) + "\n" }

func (c *catcher) Fatalf(format string, args ...any) {
	c.Errorf(format, args...)
	runtime.Goexit()
}

// failure runs a check and returns how it failed, empty if it passed.
func failure(t *testing.T, check func(testing.TB)) string {
	c := &catcher{TB: t}
	done := make(chan struct{})
	go func() {
		defer close(done)
		check(c)
	}()
	<-done
	return c.failed
}

const about = "# fairbore recording 1\ndriver: bad\ninterface: serial\nsettings: 9600 8N1\n" +
	"made: by the project, no device\ndisplay: 12 34\ndate: 2026-11-25\n\n! 0.0 \"opened\"\n"

// folder writes the files of a driver called bad and returns where they are.
func folder(t *testing.T, files map[string]string) string {
	dir := filepath.Join(t.TempDir(), "bad")
	if err := os.Mkdir(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	for name, text := range files {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

// simple is a decoder of whole numbers between # and ; that does what a driver
// must, and that each fault spoils in one way.
type simple struct {
	fault string
	kept  []byte
	lost  bool
}

func (d *simple) Split(data []byte, idle bool) (int, []byte) {
	switch {
	case d.fault == "advances too far" && len(data) > 3:
		return len(data) + 1, nil
	case d.fault == "writes into its data" && len(data) > 0:
		data[0] = '#'
	case d.fault == "never comes back" && bytes.IndexByte(data, 0xff) >= 0:
		d.lost = true
	case d.fault == "keeps what it saw":
		d.kept = append(d.kept, data...)
	}
	if d.lost {
		return len(data), nil
	}
	start := bytes.IndexByte(data, '#')
	if d.fault == "believes what is cut" {
		start = min(0, len(data)-1)
	}
	if start < 0 {
		return len(data), nil
	}
	end := bytes.IndexByte(data[start:], ';')
	again := bytes.IndexByte(data[start+1:], '#')
	switch {
	case start > 0:
		return start, nil
	case again >= 0 && (end < 0 || again < end):
		return again + 1, data[:again+1]
	case end < 0 && d.fault == "takes what has come" && len(data) > 2:
		return len(data), data
	case end < 0 && len(data) > 100:
		return len(data), nil
	case end < 0:
		if d.fault == "goes on after a loss" {
			d.kept = append(d.kept[:0], data...)
		}
		return 0, nil
	}
	return end + 1, data[:end+1]
}

func (d *simple) Decode(frame []byte, out []drivers.Sample) ([]drivers.Sample, error) {
	if d.fault == "fails without a reason" {
		return out, fmt.Errorf("no idea")
	}
	text := strings.Trim(string(frame), "#;")
	if d.fault == "goes on after a loss" {
		text, d.kept = string(d.kept)+text, nil
	}
	s := drivers.Sample{Raw: frame}
	if n, err := fmt.Sscanf(text+";", "%d;", &s.Digits); n != 1 || err != nil || strings.Trim(text, "0123456789") != "" {
		return out, drivers.Noise
	}
	return append(out, s), nil
}

// Checked claims what is not so.
func (d *simple) Checked() bool { return d.fault == "claims a check" }

func badDriver(fault string) drivers.Driver {
	return drivers.Driver{Name: "bad", New: func(drivers.Options) (drivers.Decoder, error) { return &simple{fault: fault}, nil }}
}

// Each check finds the fault that it is there for, and passes without it.
func TestChecks(t *testing.T) {
	const good = about + "< 0.1 \"#12;#34;\"\n< 0.2 \"#56;\"\n"
	checks := map[string]func(*recorded, testing.TB){
		"pieces": (*recorded).pieces, "opened within": (*recorded).openedWithin, "lost": (*recorded).lost,
		"noise": (*recorded).noise, "endless": (*recorded).endless,
	}
	run := func(t *testing.T, fault, check string) string {
		dir := folder(t, map[string]string{"case.rec": good})
		return failure(t, func(t testing.TB) {
			c := load(t, badDriver(fault), dir)[0]
			checks[check](c, t)
		})
	}
	for name := range checks {
		if got := run(t, "", name); got != "" {
			t.Errorf("%s fails a good driver: %s", name, got)
		}
	}
	for _, tc := range []struct{ fault, check, want string }{
		{"takes what has come", "pieces", "byte by byte: got"},
		{"believes what is cut", "opened within", "are no end of"},
		{"goes on after a loss", "lost", "and then all"},
		{"advances too far", "pieces", "advances by"},
		{"writes into its data", "noise", "changes its data"},
		{"fails without a reason", "pieces", "is no Reason"},
		{"never comes back", "noise", "frames lost"},
		{"keeps what it saw", "endless", "memory grew"},
	} {
		if got := run(t, tc.fault, tc.check); !strings.Contains(got, tc.want) {
			t.Errorf("a driver that %s: %s says %q, want %q in it", tc.fault, tc.check, got, tc.want)
		}
	}
	if got := failure(t, func(tb testing.TB) {
		load(tb, badDriver("claims a check"), folder(t, map[string]string{"case.rec": good}))[0].damaged(tb)
	}); !strings.Contains(got, "not all were sent") {
		t.Errorf("a driver that claims a check: %q", got)
	}
}

// A recording that does not say what it is, or has nothing beside it, fails.
func TestLoad_Faults(t *testing.T) {
	const good = about + "< 0.1 \"#12;\"\n"
	for name, tc := range map[string]struct {
		files map[string]string
		want  string
	}{
		"none":              {nil, "driver bad has no recording"},
		"other driver":      {map[string]string{"a.rec": strings.Replace(good, "driver: bad", "driver: good", 1)}, "in the folder of bad"},
		"no display":        {map[string]string{"a.rec": strings.Replace(good, "display: 12 34\n", "", 1)}, `no header "display"`},
		"not a recording":   {map[string]string{"a.rec": "12;"}, "line 1"},
		"want without rec":  {map[string]string{"a.rec": good, "b.want": "12\n"}, "no recording beside it"},
		"asks nothing":      {map[string]string{"a.rec": good + "> 0.2 \"?\"\n"}, "the driver makes none"},
		"no want":           {map[string]string{"a.rec": good}, "want"},
		"want of something": {map[string]string{"a.rec": good, "a.want": "13\n"}, "want"},
	} {
		dir := folder(t, tc.files)
		got := failure(t, func(t testing.TB) {
			for _, c := range load(t, badDriver(""), dir) {
				c.golden(t, false)
			}
		})
		if !strings.Contains(got, tc.want) {
			t.Errorf("%s: %q, want %q in it", name, got, tc.want)
		}
	}
}

// With update the .want is written, and is right from then on.
func TestGolden_Update(t *testing.T) {
	dir := folder(t, map[string]string{"a.rec": about + "< 0.1 \"#12;#x;\"\n"})
	c := load(t, badDriver(""), dir)[0]
	c.golden(t, true)
	c.golden(t, false)
	if got, err := os.ReadFile(filepath.Join(dir, "a.want")); err != nil || string(got) != "12\nreject not this format\n" {
		t.Errorf("%q, %v", got, err)
	}
}
