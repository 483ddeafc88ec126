// Package setup converts the configuration into the settings of the parts of the program: the
// sessions, the ports, the keepers of visits and the embedded broker.
package setup

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"

	"github.com/rs/zerolog"

	"fairbore/analysis/capture"
	"fairbore/analysis/master"
	"fairbore/analysis/uncertainty"
	"fairbore/daemon/broker"
	"fairbore/daemon/config"
	"fairbore/daemon/event"
	"fairbore/daemon/head"
	"fairbore/daemon/limit"
	"fairbore/daemon/line"
	"fairbore/daemon/people"
	"fairbore/daemon/port"
	"fairbore/daemon/state"
	"fairbore/daemon/visit"
	"fairbore/drivers"
)

// Settings returns the settings of a station's session.
func Settings(c *config.Config, st *config.Station) state.Settings {
	set := state.Settings{
		Station: st.Name, Simulated: simulated(c, st), Jobs: c.AnalysisJobs(), Rings: c.AnalysisRings(), People: staff(c), Shift: c.Shift,
		Settings: event.Settings{
			Zone:       zone(c),
			Language:   c.Language,
			Letterhead: event.Letterhead{Lines: c.Letterhead.Lines, Logo: c.Letterhead.Image()},
			Gauge:      gaugeSettings(c, st.Gauge),
			Capture:    state.CaptureSettings{Mode: st.Capture, Bounce: st.Bounce, Settle: st.Settle, Twice: *st.Twice, Rest: st.Rest, MaxRate: st.MaxRate},
			Master:     state.MasterSettings{Readings: c.Master.Readings, Spread: c.Master.Spread, Lapse: lapse(&c.Master)},
			Doubt:      state.Doubt(c.Doubt),
			Bases:      bases(c, st.Gauge),
			Rule:       string(c.Rule()), DepthReach: st.DepthReach, Names: names(c),
		},
	}
	for _, b := range st.Beside {
		if set.Beside == nil {
			set.Beside = map[string]state.GaugeSettings{}
		}
		set.Beside[b.Gauge] = gaugeSettings(c, b.Gauge)
	}
	return set
}

// zone returns the IANA name of the shop's time zone, "" if neither the configuration nor the machine
// names it.
func zone(c *config.Config) string {
	name := c.Location().String()
	if name != "Local" {
		return name
	}
	link, err := os.Readlink("/etc/localtime")
	if err != nil {
		return ""
	}
	_, name, _ = strings.Cut(link, "/zoneinfo/")
	return name
}

// simulated reports whether a station measures nothing: the configuration says so, or one of its
// instruments is a recording.
func simulated(c *config.Config, st *config.Station) bool {
	played := port.Recorded(st.Port)
	for _, b := range st.Beside {
		played = played || port.Recorded(b.Port)
	}
	return c.Simulated || played
}

// staff returns who may work at the stations, nil if nobody is asked for.
func staff(c *config.Config) people.Staff {
	if len(c.People) == 0 {
		return nil
	}
	all := people.Staff{}
	for id, p := range c.People {
		person := people.Person{Badge: p.Badge, PIN: p.PIN}
		for _, role := range p.Roles {
			person.Rights = append(person.Rights, event.Right(role))
		}
		all[id] = person
	}
	return all
}

// names returns the names of the people by their ids, where they differ.
func names(c *config.Config) (all map[string]string) {
	for id, p := range c.People {
		if p.Name != id {
			if all == nil {
				all = map[string]string{}
			}
			all[id] = p.Name
		}
	}
	return all
}

// Everybody returns settings that have the people and nothing else.
func Everybody(c *config.Config) state.Settings {
	return state.Settings{People: staff(c), Shift: c.Shift, Settings: event.Settings{Names: names(c)}}
}

// Anew reports whether a program that runs by one configuration must begin anew for another one. It
// takes the rest, such as rings, jobs and limits, while it runs.
func Anew(was, is *config.Config) bool { return !reflect.DeepEqual(fixed(was), fixed(is)) }

// fixed returns what is fixed while the program runs.
func fixed(c *config.Config) any {
	type gauge struct {
		driver  string
		options map[string]string
	}
	all := struct {
		simulated bool
		site      string
		zone      string
		language  string
		journal   config.Journal
		web       config.Web
		broker    config.Broker
		record    config.Record
		stations  []config.Station
		gauges    map[string]gauge
	}{c.Simulated, c.Site, c.Zone, c.Language, c.Journal, c.Web, c.Broker, c.Record, slices.Clone(c.Stations), map[string]gauge{}}
	for i := range all.stations {
		st := &all.stations[i]
		if st.Capture != capture.Button.String() {
			st.Capture = "" // only whether visits are kept
		}
		st.Job, st.Bounce, st.Settle, st.Twice, st.Rest, st.DepthReach, st.MaxRate = "", 0, 0, nil, 0, 0, 0
		use := []string{st.Gauge}
		for _, b := range st.Beside {
			use = append(use, b.Gauge)
		}
		for _, name := range use {
			all.gauges[name] = gauge{c.Gauges[name].Driver, c.Gauges[name].DriverOptions()}
		}
	}
	return all
}

// bases returns the lines of the uncertainty budget whose input the configuration leaves out. The
// usual values are assumed for these inputs.
func bases(c *config.Config, gauge string) map[string]uncertainty.Basis {
	known := map[string]uncertainty.Basis{}
	for of, key := range map[string][]string{
		uncertainty.ComponentDrift: {"uncertainty", "drift"}, uncertainty.ComponentContact: {"uncertainty", "contact"},
		uncertainty.ComponentApart: {"uncertainty", "part_within"}, uncertainty.ComponentFrom20: {"uncertainty", "ring_within"},
		uncertainty.ComponentResolution: {"gauges", gauge, "step"}, uncertainty.ComponentIndentation: {"gauges", gauge, "force"},
	} {
		if !c.States(key...) {
			known[of] = uncertainty.ByAssumption
		}
	}
	if c.Gauges[gauge].Force == 0 {
		known[uncertainty.ComponentIndentation] = uncertainty.ByAssumption
	}
	return known
}

func gaugeSettings(c *config.Config, name string) state.GaugeSettings {
	g := c.Gauges[name]
	set := state.GaugeSettings{
		Name: name, Unit: g.Unit, Deviation: g.Shows == "deviation",
		Driver: g.Driver, Options: g.DriverOptions(), Due: g.Calibrated(), Certified: g.Certificate, CertificateFile: g.File, Repeatability: g.Repeatability, Step: g.Step, Tip: g.Tip, Force: float64(g.Force), CorrectIndentation: g.CorrectIndentation, ThreePoint: g.Kind != config.TwoPoint,
		Assumed: !c.States("gauges", name, "repeatability"), FreeAir: g.FreeAir,
		Smoothing: event.Smoothing{Averages: g.Averages, Lag: g.Lag, Stated: c.States("gauges", name, "averages") || c.States("gauges", name, "lag")},
	}
	for channel, role := range g.Channels {
		if set.Roles == nil {
			set.Roles = map[string]event.Role{}
		}
		set.Roles[channel] = event.Role(role)
	}
	return set
}

// Check returns the faults of the ports, of the key and of the size of the settings of a configuration. Loading a configuration
// does not check them. The daemon refuses a configuration with such faults too.
func Check(c *config.Config) error {
	var faults []error
	for i := range c.Stations {
		_, err := Instruments(c, &c.Stations[i])
		faults = append(faults, err)
	}
	for i := range c.Stations {
		set := Settings(c, &c.Stations[i])
		if err := set.Check(); err != nil {
			faults = append(faults, fmt.Errorf("%w: station %s: %w", config.ErrInvalid, c.Stations[i].Name, err))
		}
	}
	_, err := Signer(c)
	return errors.Join(append(faults, err)...)
}

// Signer returns what signs the heads of the journal, nil if the configuration names no key.
func Signer(c *config.Config) (*head.Signer, error) {
	if c.Journal.Key == "" {
		return nil, nil
	}
	s, err := head.ReadSigner(c.Journal.Key)
	if err != nil {
		return nil, fmt.Errorf("%w: journal.key_file: %w", config.ErrInvalid, err)
	}
	return s, nil
}

// Instruments returns the instruments of a station, the gauge first.
func Instruments(c *config.Config, st *config.Station) ([]line.Instrument, error) {
	all, err := stationInstruments(c, st)
	if err != nil {
		return nil, err
	}
	var faults []error
	for _, in := range all {
		for _, fault := range in.Port.Check() {
			faults = append(faults, fmt.Errorf("%w: station %s: port of %s: %w", config.ErrInvalid, st.Name, in.Name, fault))
		}
	}
	return all, errors.Join(faults...)
}

// stationInstruments returns the instruments of a station without checking their ports.
func stationInstruments(c *config.Config, st *config.Station) ([]line.Instrument, error) {
	dec, err := c.Gauges[st.Gauge].Decoder()
	if err != nil {
		return nil, fmt.Errorf("gauge %s: %w", st.Gauge, err)
	}
	gauge := line.Instrument{Name: st.Gauge, Decoder: dec, Port: portConfig(c, st.Name, st.Port, st.Line, dec, st.Record)}
	gauge.Pedal, gauge.Does, gauge.Spindle = st.Pedal.Line, st.Pedal.Do, st.Spindle
	gauge.Port.Modem = gauge.Pedal != "" || gauge.Spindle != ""
	gauge.Port.About.Driver = c.Gauges[st.Gauge].Driver
	all := []line.Instrument{gauge}
	for i, b := range st.Beside {
		dec, err := c.Gauges[b.Gauge].Decoder()
		if err != nil {
			return nil, fmt.Errorf("gauge %s: %w", b.Gauge, err)
		}
		name := fmt.Sprintf("%s-beside-%d", st.Name, i+1)
		all = append(all, line.Instrument{Name: b.Gauge, Decoder: dec, Port: portConfig(c, name, b.Port, b.Line, dec, b.Record)})
	}
	if st.Scanner.Port != "" {
		dec, err := (&config.Gauge{Driver: st.Scanner.Driver}).Decoder()
		if err != nil {
			return nil, fmt.Errorf("scanner: %w", err)
		}
		all = append(all, line.Instrument{Name: "scanner", Decoder: dec, Scanner: true, Port: portConfig(c, st.Name+"-scanner", st.Scanner.Port, st.Scanner.Line, dec, false)})
	}
	return all, nil
}

func lapse(m *config.Mastering) event.Lapse {
	l := master.UsualLapse()
	l.Age, l.Readings, l.Temperature = m.MaxAge, m.MaxReadings, m.Temperature
	l.Fresh, l.FreshReadings = m.BeforeAccept, m.ReadingsBeforeAccept
	return event.Lapse(l)
}

// visitShare returns the number of bytes that the visits of a station may take of the space for its
// recordings.
func visitShare(c *config.Config) int64 { return int64(c.Record.Max) << 20 / 4 }

// Visits returns the keeper of a station's visits. It returns nil if visits are not kept. It also
// returns nil if the station has no visits, because with a button each value is a reading.
func Visits(c *config.Config, st *config.Station, log zerolog.Logger) *visit.Keeper {
	if !st.Record || st.Capture == capture.Button.String() {
		return nil
	}
	return visit.NewKeeper(filepath.Join(c.Record.Dir, visit.Folder), st.Name, visitShare(c), log)
}

// portConfig returns the configuration of a port.
func portConfig(c *config.Config, name, device string, serial drivers.Serial, dec drivers.Decoder, record bool) port.Config {
	pc := port.Config{Name: name, Device: device, Line: serial}
	if p, ok := dec.(drivers.Pauser); ok {
		pc.Silence = p.Pause()
	}
	if record {
		pc.RecordDir, pc.RecordMax = c.Record.Dir, int64(c.Record.Max)<<20-visitShare(c)
	}
	return pc
}

// Broker returns the configuration of the embedded broker, which shares a budget of guesses.
func Broker(c *config.Config, guesses *limit.Guesses) broker.Config {
	e := &c.Broker.Embedded
	bc := broker.Config{Listen: e.Listen, Guesses: guesses, CertFile: e.Cert, KeyFile: e.Key, Site: c.Site, Anonymous: e.Anonymous}
	for _, u := range e.Users {
		bc.Users = append(bc.Users, broker.User{Name: u.Name, Hash: u.Hash, Publish: u.Publish, Command: u.Commands && c.Broker.Commands})
	}
	return bc
}
