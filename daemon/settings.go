package daemon

import (
	"time"

	"fairbore/analysis/master"
	"fairbore/daemon/broker"
	"fairbore/daemon/config"
	"fairbore/daemon/port"
	"fairbore/daemon/session"
	"fairbore/drivers"
)

// settings takes from the configuration what the session of a station needs.
func settings(c *config.Config, st *config.Station) session.Settings {
	g := c.Gauges[st.Gauge]
	set := session.Settings{
		Station: st.Name,
		Gauge: session.GaugeSettings{
			Name: st.Gauge, Unit: g.Unit, Deviation: g.Shows == "deviation",
			Repeatability: g.Repeatability, Step: g.Step, Tip: g.Tip, ThreePoint: g.Kind != config.TwoPoint,
		},
		Capture: session.CaptureSettings{Mode: st.Capture, Bounce: st.Bounce},
		Master:  session.MasterSettings{Readings: c.Master.Readings, Spread: c.Master.Spread, Lapse: lapse(&c.Master)},
		Doubt:   session.Doubt(c.Doubt),
		Rule:    c.Rule(),
		Jobs:    c.AnalysisJobs(), Rings: c.AnalysisRings(), DepthReach: st.DepthReach,
	}
	for name, role := range g.Channels {
		if set.Gauge.Roles == nil {
			set.Gauge.Roles = map[string]session.Role{}
		}
		set.Gauge.Roles[name] = session.Role(role)
	}
	return set
}

func lapse(m *config.Mastering) master.Lapse {
	l := master.UsualLapse()
	l.Age, l.Readings, l.Temperature = m.MaxAge, m.MaxReadings, m.Temperature
	l.Fresh, l.FreshReadings = m.BeforeAccept, m.ReadingsBeforeAccept
	return l
}

// portConfig takes from the configuration what the port of a station needs.
func portConfig(c *config.Config, st *config.Station, dec drivers.Decoder, start time.Time) port.Config {
	line := drivers.Line(st.Line)
	pc := port.Config{Name: st.Name, Device: st.Port, Line: line, Start: start}
	if p, ok := dec.(drivers.Pauser); ok {
		pc.Silence = p.Pause()
	}
	if st.Record {
		pc.RecordDir, pc.RecordMax = c.Record.Dir, int64(c.Record.Max)<<20
		pc.About = drivers.Recording{}
	}
	return pc
}

// brokerConfig takes from the configuration what the embedded broker needs.
func brokerConfig(c *config.Config) broker.Config {
	e := &c.Broker.Embedded
	bc := broker.Config{Listen: e.Listen, CertFile: e.Cert, KeyFile: e.Key, Site: c.Site, Anonymous: e.Anonymous}
	for _, u := range e.Users {
		bc.Users = append(bc.Users, broker.User{Name: u.Name, Hash: u.Hash, Command: u.Commands && c.Broker.Commands})
	}
	return bc
}
