// Package config loads the configuration, fills in what is left out, and checks it. It is strict:
// an unknown key, a value without its unit or an impossible limit makes it refuse the whole file.
// It reports every fault at once, with key and line.
//
// The file is YAML. Lengths are text with a unit ("22.2275 mm", "0.15 um", "0.8751 in"), and so are
// durations ("300ms", "30m"). Angles are in degrees, temperatures in °C. configs/fairbore.yaml is a
// complete example.
package config

import (
	"fmt"
	"net/netip"
	"slices"
	"strings"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/verdict"
	"fairbore/drivers"
)

// Config is a checked configuration. It does not change after [Load].
type Config struct {
	Version int    `koanf:"version"`
	Site    string `koanf:"site"`
	Zone    string `koanf:"time_zone"` // IANA name of the shop's time zone; "" is the machine's
	// Language is the tag of the language of records, the wall and what is spoken, such as "de"; ""
	// is English.
	Language string `koanf:"language"`
	// Simulated says that no instrument of the configuration is a real one.
	Simulated bool    `koanf:"simulated"`
	Journal   Journal `koanf:"journal"`
	// Letterhead is at the top of each record.
	Letterhead Letterhead        `koanf:"letterhead"`
	Web        Web               `koanf:"web"`
	Broker     Broker            `koanf:"broker"`
	Record     Record            `koanf:"recordings"`
	Master     Mastering         `koanf:"mastering"`
	Gauges     map[string]*Gauge `koanf:"gauges"`
	Rings      map[string]*Ring  `koanf:"rings"`
	Jobs       map[string]*Job   `koanf:"jobs"`
	Stations   []Station         `koanf:"stations"`
	// People are those who may work here, by id; none: nobody is asked for. Shift is how long
	// somebody works at a station without being asked again.
	People map[string]*Person `koanf:"people"`
	Shift  time.Duration      `koanf:"shift"`
	Doubt  Doubt              `koanf:"uncertainty"`
	Guard  string             `koanf:"guard"` // simple, 1.645u or U: the guard band at the limits (ISO 14253-1)

	stated  map[string]bool // keys that are in the file, see States
	exposed []error         // see Exposed
	zone    *time.Location
}

// Location returns the shop's time zone.
func (c *Config) Location() *time.Location { return c.zone }

// States reports whether a key, such as "gauges", "G-11", "step", is in the file. A key that is
// left out has a default value, which nobody stated.
func (c *Config) States(key ...string) bool { return c.stated[statedKey(key...)] }

func statedKey(key ...string) string { return strings.ToLower(strings.Join(key, delim)) }

// Journal says where the record is kept.
type Journal struct {
	Path string `koanf:"path"`
	// Spill is the folder for events that a full disk or a disk that fails does not take until the
	// program ends. The next start records them. "" is the folder of the journal.
	Spill string `koanf:"spill"`
	Key   string `koanf:"key_file"` // PEM, the key of Ed25519 that signs the journal's heads; "" for none
}

// Web says where the page at the machine is served.
type Web struct {
	Listen string `koanf:"listen"` // host:port, "" for none
	// Actions says whether the page may act. A wall that only shows may forbid it.
	Actions bool `koanf:"actions"`
	// Hash is the hash of the passphrase that a browser needs before its first action, as fairbore
	// hash prints it; "" asks for none.
	Hash string `koanf:"hash"`
	// Names are the names of the server, besides addresses and local names.
	Names []string `koanf:"names"`
	// Proxies are the addresses and networks of proxies that are believed when they say whom they
	// speak for.
	Proxies []string `koanf:"proxies"`
	// Secure says that browsers come by TLS only, which a proxy ends.
	Secure bool `koanf:"secure"`
	// Open says that anybody who reaches the page is meant to act there without a passphrase.
	Open    bool `koanf:"open"`
	trusted []netip.Prefix
}

// Trusted returns the networks of the proxies.
func (w *Web) Trusted() []netip.Prefix { return w.trusted }

// Broker says where events are published: at a broker of the shop or, with Embedded, at one in the
// daemon.
type Broker struct {
	URL      string   `koanf:"url"` // tcp://host:1883, ssl://host:8883, "" for none
	User     string   `koanf:"user"`
	Password string   `koanf:"password_file"`
	CA       string   `koanf:"ca_file"`
	Cert     string   `koanf:"cert_file"`
	Key      string   `koanf:"key_file"`
	ClientID string   `koanf:"client_id"`
	Commands bool     `koanf:"commands"` // accept actions from the broker
	Embedded Embedded `koanf:"embedded"`
}

// Embedded is the broker inside the daemon.
type Embedded struct {
	Listen    string       `koanf:"listen"`    // host:port, "" for none
	Cert      string       `koanf:"cert_file"` // PEM, for TLS
	Key       string       `koanf:"key_file"`
	Anonymous bool         `koanf:"anonymous"` // clients without a user may read
	Users     []BrokerUser `koanf:"users"`
	// Unencrypted says that passwords are meant to cross the network without TLS.
	Unencrypted bool `koanf:"unencrypted"`
}

// BrokerUser is somebody who may log in to the embedded broker.
type BrokerUser struct {
	Name     string `koanf:"name"`
	Hash     string `koanf:"hash"` // of the password, as fairbore hash prints it
	Commands bool   `koanf:"commands"`
	// Publish says that it is another fairbore, which publishes for stations of its own.
	Publish bool `koanf:"publish"`
}

// Record says where the recordings of ports are kept.
type Record struct {
	Dir string `koanf:"dir"`
	Max int    `koanf:"max_mb"` // for each port; the oldest recordings are removed first
}

// Mastering says what a good mastering is and how long it holds. A limit of 0 is not checked.
type Mastering struct {
	Readings    int                  `koanf:"readings"`
	Spread      analysis.Deviation   `koanf:"spread"`
	MaxAge      time.Duration        `koanf:"max_age"`
	MaxReadings int                  `koanf:"max_readings"`
	Temperature analysis.Temperature `koanf:"max_temperature_change"`
	// BeforeAccept and ReadingsBeforeAccept say how old the last check of a ring may be when a part
	// is accepted.
	BeforeAccept         time.Duration `koanf:"before_accept"`
	ReadingsBeforeAccept int           `koanf:"readings_before_accept"`
}

// Doubt is what is known of the uncertainty of a size besides ring, repeatability and resolution. A
// value of 0 leaves its line out of the budget.
type Doubt struct {
	Drift      analysis.Deviation   `koanf:"drift"`        // ± of the zero since the last check of the ring
	Contact    analysis.Deviation   `koanf:"contact"`      // contact, form of the ring, centring; standard uncertainty
	PartWithin analysis.Temperature `koanf:"part_within"`  // ± of part minus ring, when they are not measured
	RingFrom20 analysis.Temperature `koanf:"ring_from_20"` // how far the ring usually is from 20 °C
	RingWithin analysis.Temperature `koanf:"ring_within"`  // ± of ring_from_20
}

// Rule returns the decision rule that Guard names.
func (c *Config) Rule() verdict.Rule {
	r, err := verdict.ParseRule(c.Guard)
	if err != nil { // check has refused everything that can't be read
		return verdict.Expanded
	}
	return r
}

// Gauge is an instrument and how to read it.
type Gauge struct {
	Driver        string             `koanf:"driver"`
	Options       map[string]any     `koanf:"options"`
	Unit          analysis.Unit      `koanf:"unit"`         // of a frame that does not state one
	Kind          string             `koanf:"kind"`         // two-point, three-point or air
	Shows         string             `koanf:"reading_type"` // size or deviation
	Tip           analysis.Length    `koanf:"tip"`
	Due           string             `koanf:"due"` // day when its calibration is due: 2027-01-25
	Certificate   string             `koanf:"certificate"`
	File          string             `koanf:"certificate_file"` // SHA-256 of the certificate's file, in hex
	Retired       string             `koanf:"retired"`          // day from which it is not used any more
	Force         Force              `koanf:"force"`            // of one tip; 0: not known
	Step          analysis.Deviation `koanf:"step"`
	Repeatability analysis.Deviation `koanf:"repeatability"`
	// Averages is the time over which the gauge takes the mean of its samples, and Lag the time
	// constant of its filter. They are not known if the file states neither.
	Averages time.Duration `koanf:"averages"`
	Lag      time.Duration `koanf:"lag"`
	// FreeAir is how much more the gauge shows in free air than in the ring that it is set to; 0:
	// it is learned.
	FreeAir analysis.Length `koanf:"free_air"`
	// CorrectIndentation corrects sizes for the tips sinking deeper into the part than into the
	// ring.
	CorrectIndentation bool `koanf:"correct_indentation"`
	due                time.Time
	Channels           map[string]string `koanf:"channels"` // name to size, depth, angle, part temperature, ring temperature
}

// Calibrated returns the day when the calibration of the gauge is due, zero if not stated.
func (g *Gauge) Calibrated() time.Time { return g.due }

// Force is a force in newton.
type Force float64

// DriverOptions returns the options of the driver as text, nil if there are none.
func (g *Gauge) DriverOptions() map[string]string {
	var o map[string]string
	for k, v := range g.Options {
		if o == nil {
			o = map[string]string{}
		}
		o[k] = fmt.Sprint(v)
	}
	return o
}

// Decoder returns a new decoder for the gauge's frames.
func (g *Gauge) Decoder() (drivers.Decoder, error) {
	d, err := drivers.Find(g.Driver)
	if err != nil {
		return nil, err
	}
	return d.Decoder(g.DriverOptions())
}

// Ring is a setting ring.
type Ring struct {
	Size        analysis.Length    `koanf:"size"`
	U           analysis.Deviation `koanf:"u"`
	Nominal     analysis.Length    `koanf:"nominal"` // as engraved; shows which ring is wrong when two disagree
	Material    string             `koanf:"material"`
	Due         string             `koanf:"due"` // 2027-01-25
	Certificate string             `koanf:"certificate"`
	File        string             `koanf:"certificate_file"`
	Retired     string             `koanf:"retired"`
	ring        analysis.Ring
}

// Job is what a drawing asks of a bore.
type Job struct {
	Title        string             `koanf:"title"`
	Revision     string             `koanf:"revision"`
	Unit         analysis.Unit      `koanf:"unit"`
	Material     string             `koanf:"material"`
	Face         string             `koanf:"face"`
	Blind        bool               `koanf:"blind"`
	Nominal      analysis.Length    `koanf:"nominal"`
	Low          analysis.Length    `koanf:"low"`
	High         analysis.Length    `koanf:"high"`
	Target       analysis.Length    `koanf:"target"`
	Band         analysis.Deviation `koanf:"plausible_range"`
	Variation    analysis.Deviation `koanf:"variation"`
	Ovality      analysis.Deviation `koanf:"ovality"`
	Taper        analysis.Deviation `koanf:"taper"`
	Length       analysis.Length    `koanf:"length"`
	Outside      analysis.Length    `koanf:"outside"` // diameter of the part, 0 if not stated
	Sections     []analysis.Length  `koanf:"sections"`
	Orientations []float64          `koanf:"orientations"`
	Interrupts   []Interrupt        `koanf:"interrupts"`
	Ring         string             `koanf:"ring"`
	SignOff      bool               `koanf:"sign_off"` // whoever accepts is another than those who measured
	// What stands on the papers, see [analysis.Papers].
	Drawing    string            `koanf:"drawing"`
	PartNumber string            `koanf:"part_number"`
	Order      string            `koanf:"order"`
	Customer   string            `koanf:"customer"`
	Operation  string            `koanf:"operation"`
	Balloons   analysis.Balloons `koanf:"balloons"`
	Fields     []analysis.Field  `koanf:"fields"`
	job        analysis.Job
}

// Interrupt is a part of the bore without a wall.
type Interrupt struct {
	From analysis.Length `koanf:"from"`
	To   analysis.Length `koanf:"to"`
	What string          `koanf:"what"`
}

// Station is a place with a gauge.
type Station struct {
	Name    string         `koanf:"name"`
	Title   string         `koanf:"title"` // for people
	Gauge   string         `koanf:"gauge"`
	Port    string         `koanf:"port"`
	Line    drivers.Serial `koanf:"line"`
	Capture string         `koanf:"capture"`
	Bounce  time.Duration  `koanf:"bounce"`
	Settle  time.Duration  `koanf:"settle"` // how long the value must be level in settled mode; if left out 600 ms, for an air gauge 1.5 s
	Job     string         `koanf:"job"`    // chosen if the station has none
	Record  bool           `koanf:"record"`
	// Beside are the other instruments, such as a depth scale or a temperature sensor.
	Beside []Beside `koanf:"other_instruments"`
	// Pedal and Spindle are contacts on the modem lines of the gauge's port.
	Pedal   Pedal  `koanf:"pedal"`
	Spindle string `koanf:"spindle"` // the line that is on while the spindle turns: cts, dsr, dcd, ri; "" for none
	// Scanner is a port on which jobs, rings and serial numbers are typed.
	Scanner Scanner `koanf:"scanner"`
	// Twice and Rest are gestures; see [state.CaptureSettings]. 0 is off. Left out, Twice is 2 s.
	Twice *time.Duration `koanf:"void_gesture"`
	Rest  time.Duration  `koanf:"next_round_gesture"`
	// DepthReach is how far from a planned section a depth may be to count as that section.
	DepthReach analysis.Length `koanf:"depth_reach"`
	// MaxRate is how many readings a second are recorded; see [state.CaptureSettings].
	MaxRate int `koanf:"max_rate"`
}

// Beside is an instrument beside the gauge, on a port of its own.
type Beside struct {
	Gauge  string         `koanf:"gauge"`
	Port   string         `koanf:"port"`
	Line   drivers.Serial `koanf:"line"`
	Record bool           `koanf:"record"`
}

// Pedal is a foot switch.
type Pedal struct {
	Line string `koanf:"line"` // cts, dsr, dcd, ri; "" for none
	Do   string `koanf:"do"`   // the action: take, round, void, ...
}

// Scanner is a device that types jobs, rings and serial numbers.
type Scanner struct {
	Port   string         `koanf:"port"` // an input device that types, or a serial line; "" for none
	Driver string         `koanf:"driver"`
	Line   drivers.Serial `koanf:"line"`
}

// Uses returns the name of the station that uses a device, for its gauge, another instrument or its
// scanner; "" for none.
func (c *Config) Uses(device string) string {
	for i := range c.Stations {
		s := &c.Stations[i]
		if s.Port == device || s.Scanner.Port == device || slices.ContainsFunc(s.Beside, func(b Beside) bool { return b.Port == device }) {
			return s.Name
		}
	}
	return ""
}

// AnalysisJob returns the job with an id, nil if there is none.
func (c *Config) AnalysisJob(id string) *analysis.Job {
	if j := c.Jobs[id]; j != nil {
		job := j.job
		return &job
	}
	return nil
}

// AnalysisJobs returns all jobs by id.
func (c *Config) AnalysisJobs() map[string]*analysis.Job {
	m := make(map[string]*analysis.Job, len(c.Jobs))
	for id := range c.Jobs {
		m[id] = c.AnalysisJob(id)
	}
	return m
}

// AnalysisRings returns the rings by id, without those that are retired.
func (c *Config) AnalysisRings() map[string]*analysis.Ring {
	m := make(map[string]*analysis.Ring, len(c.Rings))
	for id, r := range c.Rings {
		if r.Retired != "" {
			continue
		}
		ring := r.ring
		m[id] = &ring
	}
	return m
}
