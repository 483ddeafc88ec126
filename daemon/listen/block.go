package listen

import (
	"fmt"
	"maps"
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
	fmt.Fprintf(&b, "gauges:\n  %s:\n    driver: %s\n", quoted(name), p.Driver)
	if len(p.Options) > 0 {
		b.WriteString("    options:\n")
		for _, k := range sortedKeys(p.Options) {
			fmt.Fprintf(&b, "      %s: %s\n", k, quoted(p.Options[k]))
		}
	}
	role := "size"
	switch p.Unit {
	case drivers.Celsius, drivers.Degree:
		role = map[drivers.Unit]string{drivers.Celsius: "part temperature", drivers.Degree: "angle"}[p.Unit]
		b.WriteString("    unit: mm # of lengths; this instrument sends none\n")
	default:
		fmt.Fprintf(&b, "    unit: %s\n    step: %s %s\n", wordOf(p.Unit), p.Step, wordOf(p.Unit))
	}
	if p.Size != "" || role != "size" {
		fmt.Fprintf(&b, "    channels:\n      %s: %s\n", quoted(p.Size), role)
		for _, o := range p.Others {
			fmt.Fprintf(&b, "      %s: ignored\n", quoted(o))
		}
	}
	if role == "size" {
		b.WriteString("    # averages: 100 ms # over what time it averages, of a gauge that is rocked; \"rock slowly, then fast\" under Check zero on the page measures it\n")
	}
	fmt.Fprintf(&b, "stations:\n  - name: %s\n    gauge: %s\n    port: %s\n", quoted(name), quoted(name), quoted(device))
	if p.Line.Baud > 0 {
		fmt.Fprintf(&b, "    line: {baud: %d, data: %d, parity: %s, stop: %d}\n", p.Line.Baud, p.Line.Data, p.Line.Parity, p.Line.Stop)
	}
	return b.String()
}

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
