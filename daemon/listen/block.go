package listen

import (
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"

	"fairbore/drivers"
)

func sortedKeys[V any](m map[string]V) []string { return slices.Sorted(maps.Keys(m)) }

// Block returns a gauge and a station for it, to be merged into a configuration. name is the name
// of both; date is when the gauge was heard.
func (p *Proposal) Block(name, device, date string) string {
	var b strings.Builder
	fmt.Fprintf(&b, "# Heard by fairbore listen, %s: %d of %d frames agreed", date, p.Agreed, p.Of)
	if p.Told > 0 {
		fmt.Fprintf(&b, ", and %d of %d displays", p.Matched, p.Told)
	}
	b.WriteString(".\n")
	for _, t := range p.timing() {
		fmt.Fprintf(&b, "# Seen: %s.\n", t)
	}
	for _, u := range p.Unseen {
		fmt.Fprintf(&b, "# Not seen: %s\n", said(u))
	}
	fmt.Fprintf(&b, "gauges:\n  %s:\n", quoted(name))
	gauge, station := p.Settings(name, device)
	appendYAML(&b, "    ", gauge)
	if p.length() {
		b.WriteString("    # averages: 100 ms # over what time it averages, of a gauge that is rocked; \"rock slowly, then fast\" under Check zero on the page measures it\n")
	}
	fmt.Fprintf(&b, "stations:\n  - name: %s\n", quoted(name))
	appendYAML(&b, "    ", station)
	return b.String()
}

// Setting is a key below a gauge or a station of the configuration, and what stands there: text, a
// number, or settings below it.
type Setting struct {
	Key   string
	Value any
	note  string
}

// length reports whether the gauge sends lengths.
func (p *Proposal) length() bool { return p.Unit != drivers.Celsius && p.Unit != drivers.Degree }

// Settings returns what the configuration has of the gauge, and of a station with it on a device.
func (p *Proposal) Settings(gauge, device string) (ofGauge, ofStation []Setting) {
	of := func(o map[string]string) (out []Setting) {
		for _, k := range sortedKeys(o) {
			out = append(out, Setting{Key: k, Value: o[k]})
		}
		return out
	}
	ofGauge = []Setting{{Key: "driver", Value: p.Driver}}
	if len(p.Options) > 0 {
		ofGauge = append(ofGauge, Setting{Key: "options", Value: of(p.Options)})
	}
	role := "size"
	if p.length() {
		ofGauge = append(ofGauge, Setting{Key: "unit", Value: wordOf(p.Unit)}, Setting{Key: "step", Value: p.Step + " " + wordOf(p.Unit)})
	} else {
		role = map[drivers.Unit]string{drivers.Celsius: "part temperature", drivers.Degree: "angle"}[p.Unit]
		ofGauge = append(ofGauge, Setting{Key: "unit", Value: "mm", note: "of lengths; this instrument sends none"})
	}
	if p.Size != "" || role != "size" {
		roles := map[string]string{p.Size: role}
		for _, o := range p.Others {
			roles[o] = "ignored"
		}
		ofGauge = append(ofGauge, Setting{Key: "channels", Value: of(roles)})
	}
	ofStation = []Setting{{Key: "gauge", Value: gauge}, {Key: "port", Value: device}}
	if l := p.Line; l.Baud > 0 {
		ofStation = append(ofStation, Setting{Key: "line", Value: []Setting{{Key: "baud", Value: l.Baud}, {Key: "data", Value: l.Data}, {Key: "parity", Value: l.Parity}, {Key: "stop", Value: l.Stop}}})
	}
	return ofGauge, ofStation
}

// appendYAML writes settings as YAML.
func appendYAML(b *strings.Builder, indent string, all []Setting) {
	for _, s := range all {
		if !plainKey.MatchString(s.Key) {
			s.Key = quoted(s.Key)
		}
		switch v := s.Value.(type) {
		case []Setting:
			fmt.Fprintf(b, "%s%s:\n", indent, s.Key)
			appendYAML(b, indent+"  ", v)
			continue
		case string:
			if s.Key != "driver" && s.Key != "unit" && s.Key != "step" { // these can't be taken for something else
				s.Value = quoted(v)
			}
		}
		if s.note != "" {
			s.note = " # " + s.note
		}
		fmt.Fprintf(b, "%s%s: %v%s\n", indent, s.Key, s.Value, s.note)
	}
}

var plainKey = regexp.MustCompile(`^[a-z]{3}[a-z-]*$`)

// quoted writes a YAML scalar that is always text (YAML 1.2, 7.3.2).
func quoted(s string) string { return "'" + strings.ReplaceAll(s, "'", "''") + "'" }

// Recording returns what was heard, with the head filled in.
func (p *Proposal) Recording(device, date string) *drivers.Recording {
	r := &drivers.Recording{Driver: p.Driver, Options: p.Options, Interface: kind(device), Made: "fairbore listen, from a gauge", Date: date, Entries: p.view.entries}
	if p.Line.Baud > 0 {
		r.Settings = p.Line.String()
	}
	var shown []string
	for _, d := range p.view.shown {
		shown = append(shown, d.Sample.String())
	}
	r.Display = strings.Join(shown, ", ")
	r.Note = fmt.Sprintf("%d of %d frames agreed", p.Agreed, p.Of)
	return r
}

// Recording returns what was heard when no driver reads it, as evidence for somebody who knows the
// gauge: the part with the most bytes, heard with one setting. It returns nil if nothing was heard.
func Recording(evidence []Heard, device, date string) *drivers.Recording {
	var most *view
	for _, v := range views(evidence) {
		if v.bytes+v.damaged > 0 && (most == nil || v.bytes > most.bytes) {
			most = v
		}
	}
	if most == nil {
		return nil
	}
	p := Proposal{Line: most.line, view: most}
	r := p.Recording(device, date)
	r.Note = "no driver reads it"
	return r
}

// text writes a recording.
func text(r *drivers.Recording) []byte {
	b := drivers.AppendHeader(nil, r)
	for _, c := range r.Entries {
		b = drivers.AppendEntry(b, c)
	}
	return b
}

// kind returns the name of a device's interface as recordings have it.
func kind(device string) string {
	switch {
	case strings.HasPrefix(device, "tcp://"):
		return "tcp"
	case strings.HasPrefix(device, "rfc2217://"):
		return "rfc2217"
	case isKeys(device):
		return "keyboard"
	}
	return "serial"
}

func isKeys(device string) bool {
	return strings.HasPrefix(device, "/dev/input/") || strings.HasPrefix(device, "input:")
}
