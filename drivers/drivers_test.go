package drivers_test

import (
	"bytes"
	"flag"
	"os"
	"slices"
	"strings"
	"testing"

	"go.yaml.in/yaml/v3"

	"fairbore/drivers"
	"fairbore/drivers/drivertest"
)

var update = flag.Bool("update", false, "write the .want files of the recordings")

const recordings = "../testdata/drivers"

// Every driver in the table does what a driver must, on its recordings.
func TestDrivers(t *testing.T) {
	for _, d := range drivers.Table() {
		t.Run(d.Name, func(t *testing.T) {
			drivertest.Run(t, d, recordings, *update)
		})
	}
}

// Every folder of recordings belongs to a driver.
func TestRecordings_HaveADriver(t *testing.T) {
	folders, err := os.ReadDir(recordings)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range folders {
		if _, err := drivers.Find(f.Name()); err != nil {
			t.Error(err)
		}
	}
}

// The table is what the configuration and its documentation are made from.
func TestTable(t *testing.T) {
	var names []string
	for _, d := range drivers.Table() {
		names = append(names, d.Name)
		if d.Help == "" || strings.HasSuffix(d.Help, ".") {
			t.Errorf("%s: help %q", d.Name, d.Help)
		}
		var options []string
		for _, o := range d.Options {
			options = append(options, o.Name)
			if o.Help == "" || strings.Contains(o.Help, "\n") {
				t.Errorf("%s: option %s: help %q", d.Name, o.Name, o.Help)
			}
			if o.Values != nil && !slices.Contains(o.Values, o.Default) {
				t.Errorf("%s: option %s: the default %q is not allowed", d.Name, o.Name, o.Default)
			}
		}
		slices.Sort(options)
		if len(slices.Compact(options)) != len(d.Options) {
			t.Errorf("%s: an option is there twice", d.Name)
		}
	}
	slices.Sort(names)
	if len(slices.Compact(names)) != len(drivers.Table()) {
		t.Errorf("a driver is there twice")
	}
}

func TestLine_String(t *testing.T) {
	for want, l := range map[string]drivers.Serial{
		"9600 8N1":   {Baud: 9600, Data: 8, Parity: "none", Stop: 1},
		"4800 7E2":   {Baud: 4800, Data: 7, Parity: "even", Stop: 2},
		"19200 8?1":  {Baud: 19200, Data: 8, Stop: 1},
		"115200 8M1": {Baud: 115200, Data: 8, Parity: "mark", Stop: 1},
	} {
		if got := l.String(); got != want {
			t.Errorf("got %q, want %q", got, want)
		}
	}
}

func TestFind_NamesAll(t *testing.T) {
	_, err := drivers.Find("lines")
	for _, d := range drivers.Table() {
		if err == nil || !strings.Contains(err.Error(), d.Name) {
			t.Errorf("%v does not name %s", err, d.Name)
		}
	}
}

func find(t testing.TB, name string) drivers.Driver {
	d, err := drivers.Find(name)
	if err != nil {
		t.Fatal(err)
	}
	return *d
}

func FuzzLine(f *testing.F)      { drivertest.Fuzz(f, find(f, "line"), recordings) }
func FuzzTyped(f *testing.F)     { drivertest.Fuzz(f, find(f, "typed"), recordings) }
func FuzzModbusRTU(f *testing.F) { drivertest.Fuzz(f, find(f, "modbus-rtu"), recordings) }
func FuzzModbusTCP(f *testing.F) { drivertest.Fuzz(f, find(f, "modbus-tcp"), recordings) }
func FuzzSCPI(f *testing.F)      { drivertest.Fuzz(f, find(f, "scpi"), recordings) }
func FuzzAsk(f *testing.F)       { drivertest.Fuzz(f, find(f, "ask"), recordings) }
func FuzzBCD13(f *testing.F)     { drivertest.Fuzz(f, find(f, "bcd13"), recordings) }
func FuzzPattern(f *testing.F)   { drivertest.Fuzz(f, find(f, "pattern"), recordings) }
func FuzzFixed(f *testing.F)     { drivertest.Fuzz(f, find(f, "fixed"), recordings) }

// Every driver has an example that is accepted and speaks of every option.
func TestConfigs(t *testing.T) {
	for _, d := range drivers.Table() {
		text, err := os.ReadFile("../configs/drivers/" + d.Name + ".yaml")
		if err != nil {
			t.Error(err)
			continue
		}
		var example struct {
			Gauge struct {
				Driver  string
				Options drivers.Options
			}
		}
		dec := yaml.NewDecoder(bytes.NewReader(text))
		dec.KnownFields(true)
		if err := dec.Decode(&example); err != nil || example.Gauge.Driver != d.Name {
			t.Errorf("%s: driver %q, %v", d.Name, example.Gauge.Driver, err)
		}
		if _, err := d.Decoder(example.Gauge.Options); err != nil {
			t.Errorf("%s: %v", d.Name, err)
		}
		for _, o := range d.Options {
			if !bytes.Contains(text, []byte(" "+o.Name+":")) {
				t.Errorf("%s: the example says nothing of option %s", d.Name, o.Name)
			}
		}
	}
}
