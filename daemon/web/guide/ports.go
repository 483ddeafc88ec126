package guide

import (
	"cmp"
	"path/filepath"
	"strings"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/daemon/port"
)

// Ports are the lines that a gauge may be connected to: an event "ports" of GET /setup/ports, again
// whenever something changes.
type Ports struct {
	Ports []Port `json:"ports"`
	Says  string `json:"says"` // what to do now, a sentence
}

// Port is a line that a gauge may be connected to.
type Port struct {
	Device string `json:"device"`         // what to configure, and to listen to: the stable name if there is one
	Node   string `json:"node,omitempty"` // the device file that it is now, such as /dev/ttyUSB0
	Name   string `json:"name"`           // what the adapter calls itself, or the last part of the device
	About  string `json:"about"`          // what it is, a sentence
	Keys   bool   `json:"keys,omitempty"` // it types, such as a scanner or a gauge that acts as a keyboard
	New    bool   `json:"new,omitempty"`  // it was plugged in while the page looked on
	// Station is the station that uses it, "" for none.
	Station string `json:"station,omitempty"`
	// Why says why it can't be listened to now, and what to do: it is in use by another program, which
	// is named, or this program may not open it. It is "" if nothing hinders.
	Why string `json:"why,omitempty"`
}

// plugged is what was seen of the ports the last time. All viewers share it, since looking into all
// processes takes a while.
type plugged struct {
	at, asked time.Time
	serial    []port.Device
	keys      []port.Device
	why       map[string]analysis.Phrase
}

// How often it is looked for new ports, and for programs that use them.
const (
	lookEvery = time.Second
	askEvery  = 3 * time.Second
)

// look returns the ports as they were seen within the last second.
func (d *Devices) look() plugged {
	d.mu.Lock()
	defer d.mu.Unlock()
	p, now := &d.plugged, time.Now()
	if now.Sub(p.at) < lookEvery/2 {
		return *p
	}
	var err error
	if p.serial, err = d.Host.List(); err != nil {
		d.Log.Debug().Err(err).Msg("no serial lines to show")
	}
	p.keys, p.at = d.Host.Inputs(), now
	again := now.Sub(p.asked) >= askEvery
	why := map[string]analysis.Phrase{}
	for _, dev := range append(p.serial[:len(p.serial):len(p.serial)], p.keys...) {
		w, known := p.why[dev.Path]
		if again || !known {
			w = d.Host.Hindrance(dev.Path)
		}
		why[dev.Path] = w
	}
	if p.why = why; again {
		p.asked = now
	}
	return *p
}

// FollowPorts sends the ports, and again whenever they change, until done is closed or the viewer
// has gone.
func (d *Devices) FollowPorts(done <-chan struct{}, f notation.Format, send func(v any) bool) {
	var first map[string]bool // the ports that were there at the beginning
	follow(done, lookEvery, func() Ports {
		p := d.look()
		out := Ports{Ports: []Port{}, Says: f.Text("hear.ports.says")}
		for _, dev := range p.serial {
			out.Ports = append(out.Ports, d.port(dev, false, p.why[dev.Path], f))
		}
		for _, dev := range p.keys {
			out.Ports = append(out.Ports, d.port(dev, true, p.why[dev.Path], f))
		}
		if first == nil {
			first = map[string]bool{}
			for _, one := range out.Ports {
				first[one.Device] = true
			}
		}
		if len(p.serial) == 0 {
			out.Says = f.Text("hear.ports.none")
		}
		for i := range out.Ports {
			out.Ports[i].New = !first[out.Ports[i].Device]
		}
		return out
	}, send)
}

// port describes a port.
func (d *Devices) port(dev port.Device, keys bool, why analysis.Phrase, f notation.Format) Port {
	p := Port{Device: dev.Path, Node: dev.Node, Name: cmp.Or(dev.Adapter.Name, filepath.Base(dev.Path)), Keys: keys, Station: d.uses(dev)}
	switch {
	case keys:
		p.About = f.Text("hear.port.keys")
	case dev.Adapter == port.Adapter{}:
		p.About = f.Text("hear.port.built_in", dev.Node)
	default:
		p.About = f.Text("hear.port.usb", strings.TrimSpace(dev.Adapter.Vendor+":"+dev.Adapter.Product+" "+dev.Adapter.Serial), dev.Node)
	}
	switch {
	case p.Station != "":
		p.Why = f.Text("hear.port.station", p.Station)
	case !why.IsZero() && !d.hears(dev):
		p.Why = f.Say(why)
	}
	return p
}

// uses returns the station that uses a port, by its stable name or by another.
func (d *Devices) uses(dev port.Device) string {
	if d.Uses == nil {
		return ""
	}
	return cmp.Or(d.Uses(dev.Path), d.Uses(dev.Node))
}

// hears reports whether a port is listened to now.
func (d *Devices) hears(dev port.Device) bool {
	e := d.newest()
	return e != nil && !e.ended() && (e.wanted.Port == dev.Path || e.wanted.Port == dev.Node)
}
