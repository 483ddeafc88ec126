package config

import (
	"fmt"
	"maps"

	"fairbore/drivers"
)

// use is an instrument at a port.
type use struct {
	key, gauge string
	line       drivers.Serial
	scanner    bool
}

// uses returns the instruments at each port, and the ports in the order of the file.
func (c *Config) uses() (ports []string, at map[string][]use) {
	at = map[string][]use{}
	add := func(port string, u use) {
		if port == "" {
			return
		}
		if at[port] == nil {
			ports = append(ports, port)
		}
		at[port] = append(at[port], u)
	}
	for i := range c.Stations {
		s, key := &c.Stations[i], fmt.Sprintf("stations[%d]", i)
		add(s.Port, use{key, s.Gauge, s.Line, false})
		for j := range s.Beside {
			b := &s.Beside[j]
			add(b.Port, use{fmt.Sprintf("%s.other_instruments[%d]", key, j), b.Gauge, b.Line, false})
		}
		add(s.Scanner.Port, use{key + ".scanner", "", s.Scanner.Line, true})
	}
	return ports, at
}

// sharing checks the ports with several instruments: gauges that are asked, each in another way, or
// gauges that all send by themselves, each with channels of its own. All must use the same settings
// of the line.
func (l *loader) sharing(c *Config) {
	ports, at := c.uses()
	for _, port := range ports {
		first := at[port][0]
		for i, u := range at[port][1:] {
			if u.scanner || first.scanner {
				l.fault(u.key+".port", "%s has the port %s too; a scanner needs one of its own", first.key, port)
				continue
			}
			if u.line != first.line {
				l.fault(u.key+".line", "%s has the port %s with other settings; one port, one setting", first.key, port)
			}
			for _, other := range at[port][:i+1] {
				if why := c.clash(&u, &other); why != "" {
					l.fault(u.key+".port", "%s has the port %s too; %s", other.key, port, why)
					break
				}
			}
		}
	}
}

// clash returns why two gauges can't share a port, "" if they can.
func (c *Config) clash(a, b *use) string {
	x, y := c.Gauges[a.gauge], c.Gauges[b.gauge]
	if x == nil || y == nil { // another fault says this
		return ""
	}
	if a.gauge == b.gauge {
		return "to share it, give each a gauge of its own with its address or channel"
	}
	askX, askY := asks(x), asks(y)
	switch {
	case askX != askY:
		return fmt.Sprintf("gauge %s must be asked and the other speaks by itself: they would talk at once", map[bool]string{true: a.gauge, false: b.gauge}[askX])
	case askX && x.Driver == y.Driver && sameOptions(x, y):
		return fmt.Sprintf("gauges %s and %s are asked in the same way: give each its address", a.gauge, b.gauge)
	case !askX && x.Driver == y.Driver && sameOptions(x, y) && maps.Equal(x.Channels, y.Channels):
		return fmt.Sprintf("gauges %s and %s would take the same values: give each its channel", a.gauge, b.gauge)
	}
	return ""
}

func asks(g *Gauge) bool {
	dec, err := g.Decoder()
	if err != nil {
		return false
	}
	_, ok := dec.(drivers.Requester)
	return ok
}

func sameOptions(x, y *Gauge) bool {
	return fmt.Sprint(x.Options) == fmt.Sprint(y.Options) // maps print with sorted keys
}
