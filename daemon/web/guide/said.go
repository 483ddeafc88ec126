package guide

import (
	"cmp"
	"maps"
	"slices"
	"strconv"
	"strings"

	"fairbore/analysis"
	"fairbore/analysis/capture"
	"fairbore/analysis/notation"
	"fairbore/daemon/config"
	"fairbore/drivers"
)

// Kinds returns the kinds of gauge to choose from.
func Kinds() []string { return []string{config.TwoPoint, config.ThreePoint, config.Air} }

// Ways returns the ways in which a gauge that need not be asked sends.
func Ways() []string { return []string{Button, Streaming} }

// Units returns the units that a display may show.
func Units() []string { return []string{"mm", "in", "µm"} }

// Tips returns the usual radii of contacts (common practice), first that it is not known.
func Tips() []string { return []string{"", "1 mm", "1.5 mm", "2 mm", "3 mm"} }

// Averages returns over what time a gauge may average, first that it is not known.
func Averages() []string { return []string{"", "0ms", "50ms", "100ms", "200ms", "500ms"} }

// ContactLines returns the lines of a port that a contact may be on.
func ContactLines() []string { return contactLines() }

// RingIDs returns the rings of the configuration, in order.
func (p *Place) RingIDs() []string { return slices.Sorted(maps.Keys(p.Config.Rings)) }

// Known says what is known of the station's gauge, and how it sends. It is proved if the draft has
// it for sure, or the station works with it.
func (p *Place) Known(f notation.Format) (says, way string, is bool) {
	if h, ok := p.proved(); ok {
		line, _ := h.Station["line"].(map[string]any)
		step, _ := h.Gauge["step"].(string)
		if said := p.Draft[StepGauge][fieldWay]; said != "" && h.Way != Asked {
			h.Way = said
		}
		return f.Text("guide.gauge.known", lineText(line), f.Marked(step)), h.Way, true
	}
	if p.Station == nil {
		return "", "", false
	}
	way = Streaming
	if dec, err := p.Gauge.Decoder(); p.Station.Capture == capture.Button.String() {
		way = Button
	} else if _, asks := dec.(drivers.Requester); err == nil && asks {
		way = Asked
	}
	return f.Text("guide.gauge.known", p.Station.Line.String(), f.Marked(exact(analysis.Length(p.Gauge.Step), p.Gauge.Unit))), way, true
}

// lineText writes the settings of a line in the usual way: "9600 8N1".
func lineText(line map[string]any) string {
	var out []string
	for _, key := range []string{"baud", "data", "parity", "stop"} {
		v := ""
		switch x := line[key].(type) {
		case int:
			v = strconv.Itoa(x)
		case string:
			v = strings.ToUpper(x[:min(1, len(x))])
		}
		out = append(out, v)
	}
	return strings.TrimSpace(out[0] + " " + strings.Join(out[1:], ""))
}

// Fact is something that was set up.
type Fact struct {
	Step, Name, Text string
	Basis            string // measured, stated or assumed; "" where that says nothing
}

// Sum returns what is set up, and what of it is assumed.
func (p *Place) Sum(f notation.Format, jobs []*analysis.Job) []Fact {
	c := p.Config
	fact := func(step, text, basis string) Fact {
		return Fact{Step: step, Name: f.Text("guide.step." + step), Text: cmp.Or(text, f.Text("guide.sum.open")), Basis: basis}
	}
	if p.Station == nil {
		return []Fact{fact(StepShop, p.Draft[StepShop][fieldStation], ""), fact(StepGauge, "", "")}
	}
	repeats := f.Text("guide.sum.assumed", analysis.Deviation(p.Gauge.Repeatability))
	if c.States("gauges", p.Station.Gauge, "repeatability") {
		repeats = f.Text("guide.sum.stated", analysis.Deviation(p.Gauge.Repeatability))
	}
	var rings, titles []string
	for _, id := range p.RingIDs() {
		rings = append(rings, id+" "+f.Certified(c.Rings[id].Size)+" "+f.Large().String())
	}
	for _, j := range jobs {
		titles = append(titles, strings.TrimSpace(j.ID+" "+strings.TrimPrefix(j.Title, j.ID)))
	}
	contacts := f.Text("guide.sum.no_contacts")
	if p.Station.Spindle != "" || p.Station.Pedal.Line != "" {
		contacts = f.Text("guide.sum.contacts", cmp.Or(p.Station.Spindle, "–"), cmp.Or(p.Station.Pedal.Line, "–"))
	}
	access := f.Text("guide.sum.access_here")
	if listenAt(c.Web.Listen, reachHere) != c.Web.Listen {
		access = f.Text("guide.sum.access_shop")
	}
	return []Fact{
		fact(StepShop, c.Site+" · "+p.Station.Title, ""), fact(StepGauge, f.Text("guide.sum.gauge", p.Station.Gauge, f.Text("guide.kind."+p.Gauge.Kind), f.Marked(exact(analysis.Length(p.Gauge.Step), p.Gauge.Unit))), repeats),
		fact(StepRing, strings.Join(rings, ", "), ""), fact(StepJob, strings.Join(titles, ", "), ""), fact(StepContacts, contacts, ""), fact(StepAccess, access, ""),
	}
}
