package listen

import (
	"fmt"
	"strings"

	"fairbore/analysis"
	"fairbore/analysis/notation"
)

// Need says in a few words what is missing when no driver reads anything.
func Need(evidence []Heard) string {
	bytes, damaged := 0, 0
	replies, asked := 0, false
	for _, v := range views(evidence) {
		if v.line.Data == 7 {
			continue
		}
		bytes, damaged = bytes+v.bytes, damaged+v.damaged
		if v.driver != "" {
			asked = true
			if strings.HasPrefix(v.driver, "modbus") {
				replies += len(repliesOf(v))
			}
		}
	}
	switch {
	case replies > 0:
		return fmt.Sprintf("registers were read %d times, but every type and order of them gives numbers: can't tell, need what the display shows", replies)
	case bytes == 0 && damaged == 0 && asked:
		return "nothing came, asked or not: can't tell, need the gauge switched on, the right cable, or its manual"
	case bytes == 0 && damaged == 0:
		return "nothing came: can't tell, need the gauge switched on and its button pressed; or a gauge that must be asked (see --ask)"
	}
	return fmt.Sprintf("%d bytes and %d damaged ones came, but no frames that a driver reads: can't tell, need the right speed and parity, or a line without noise", bytes, damaged)
}

// said is a phrase at the terminal.
func said(p analysis.Phrase) string { return notation.Format{}.Say(p) }

// Report describes a proposal for a person, with what it is based on.
func (p *Proposal) Report() string {
	var b strings.Builder
	head := "Proposed"
	if !p.Sure() {
		head = "Perhaps"
	}
	fmt.Fprintf(&b, "%s: driver %s", head, p.Driver)
	if p.Line.Baud > 0 {
		fmt.Fprintf(&b, ", line %s", p.Line)
	}
	fmt.Fprintf(&b, "; %d of %d frames agreed", p.Agreed, p.Of)
	if p.Told > 0 {
		fmt.Fprintf(&b, ", and %d of %d displays", p.Matched, p.Told)
	}
	fmt.Fprintf(&b, "\n  reads: %s\n", p.Last)
	for _, k := range sortedKeys(p.Options) {
		fmt.Fprintf(&b, "  option %s: %s\n", k, p.Options[k])
	}
	for _, o := range p.Open {
		fmt.Fprintf(&b, "  needed: %s\n", said(o))
	}
	for _, t := range p.timing() {
		fmt.Fprintf(&b, "  %s\n", t)
	}
	for _, u := range p.Unseen {
		fmt.Fprintf(&b, "  not seen: %s\n", said(u))
	}
	return b.String()
}
