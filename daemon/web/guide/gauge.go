package guide

import (
	"encoding/json"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/capture"
	"fairbore/analysis/notation"
	"fairbore/daemon/config"
)

// proved is what listening has found out of a gauge, as the draft keeps it.
type proved struct {
	Port    string         `json:"port"`
	Way     string         `json:"way"` // Button, Streaming or Asked
	Gauge   map[string]any `json:"gauge"`
	Station map[string]any `json:"station"`
}

// prove returns what the draft keeps of a gauge that is known for sure, "" as long as it is not.
func prove(h *Hearing) string {
	if !h.Sure || len(h.Changes) == 0 {
		return ""
	}
	p := proved{Port: h.Port, Way: h.Kind, Gauge: map[string]any{}, Station: map[string]any{}}
	for _, c := range h.Changes {
		into := map[string]map[string]any{"gauges": p.Gauge, "stations": p.Station}[c.Key[0]]
		if all, whole := c.Value.(map[string]any); whole && len(c.Key) == 2 {
			maps.Copy(into, all)
		} else if len(c.Key) == 3 {
			into[c.Key[2]] = c.Value
		}
	}
	for _, key := range []string{"name", "title", "gauge"} {
		delete(p.Station, key)
	}
	b, err := json.Marshal(p)
	if err != nil {
		return ""
	}
	return string(b)
}

// Proved returns what is known of the gauge that was listened to last, nil if none was. The names in
// its changes mean nothing.
func (d *Devices) Proved() *Hearing {
	e := d.newest()
	if e == nil {
		return nil
	}
	h := e.hearing("new", "new", notation.Format{})
	return &h
}

// proved returns what the draft knows of the gauge, and whether it knows anything.
func (p *Place) proved() (h proved, ok bool) {
	if json.Unmarshal([]byte(p.Draft[StepGauge][fieldHeard]), &h) != nil {
		return proved{}, false
	}
	counts(h.Gauge)
	counts(h.Station)
	return h, true
}

// counts makes whole numbers of those that JSON has read.
func counts(m map[string]any) {
	for k, v := range m {
		switch v := v.(type) {
		case float64:
			if v == math.Trunc(v) {
				m[k] = int(v)
			}
		case map[string]any:
			counts(v)
		}
	}
}

// gauge reads what is known of the station's gauge: what listening proved, and what only a person
// can say.
func (a *Answers) gauge() {
	p := a.place
	heard, known := p.proved()
	known = known && heard.Port == a.word(fieldPort)
	switch {
	case p.Station == nil && p.Config.Site == "" || p.Station == nil && p.Draft[StepShop][fieldStation] == "":
		a.bad(fieldPort, analysis.Say("guide.gauge.shop_first"))
	case p.Station == nil && a.word(fieldPort) == "":
		a.bad(fieldPort, analysis.Say("guide.gauge.no_port"))
	case p.Station == nil && !known:
		a.bad(fieldPort, analysis.Say("guide.gauge.not_heard"))
	}
	gauge, station := map[string]any{}, map[string]any{}
	if known {
		maps.Copy(gauge, heard.Gauge)
		maps.Copy(station, heard.Station)
		station["port"] = heard.Port
		for _, s := range p.Config.Stations {
			if s.Port == heard.Port && (p.Station == nil || s.Name != p.Station.Name) {
				a.bad(fieldPort, analysis.Say("guide.gauge.port_taken", s.Title))
			}
		}
	}
	kind := a.word(fieldKind)
	if !slices.Contains([]string{config.TwoPoint, config.ThreePoint, config.Air}, kind) {
		a.bad(fieldKind, analysis.Say("guide.gauge.kind"))
	}
	gauge["kind"] = kind
	if tip := a.tip(); tip > 0 && kind == config.TwoPoint {
		gauge["tip"] = exact(tip, analysis.MM)
	}
	way := heard.Way
	if said := a.word(fieldWay); way != Asked && slices.Contains(Ways(), said) { // regular presses look like a stream
		way = said
	}
	if way == "" && p.Station != nil && p.Station.Capture != capture.Button.String() {
		way = Streaming
	}
	mode := Mode(way, kind)
	station["capture"] = mode.String()
	if mode == capture.Turning {
		a.averages(gauge)
	}
	if r := analysis.Deviation(a.length(fieldRepeatability, analysis.UM)); r != 0 {
		if r < 0 || r > analysis.Deviation(mostRepeatability) {
			a.bad(fieldRepeatability, analysis.Say("guide.gauge.repeatability"))
		}
		gauge["repeatability"] = exact(analysis.Length(r), analysis.UM)
	}
	id := a.gaugeID()
	if p.Station != nil {
		for _, key := range slices.Sorted(maps.Keys(gauge)) {
			a.set(gauge[key], "gauges", p.Station.Gauge, key)
		}
		for _, key := range slices.Sorted(maps.Keys(station)) {
			a.set(station[key], "stations", p.Station.Name, key)
		}
		return
	}
	title := strings.TrimSpace(p.Draft[StepShop][fieldStation])
	a.Station = stationName(title, p.Config)
	station["name"], station["title"], station["gauge"] = a.Station, title, id
	a.set(gauge, "gauges", id)
	a.set(station, "stations", a.Station)
}

// mostRepeatability is far more than any gauge that is worth reading scatters.
const mostRepeatability = 100 * analysis.Micrometre

// Mode returns how readings are captured, by the way in which a gauge sends and its kind.
func Mode(way, kind string) capture.Mode {
	switch {
	case way == Button || way == "":
		return capture.Button
	case kind == config.TwoPoint:
		return capture.Turning
	}
	return capture.Settled
}

// gaugeID returns the name of the gauge: as typed, or the first that is free.
func (a *Answers) gaugeID() string {
	taken := func(id string) bool { return takenKey(id, a.place.Config.Gauges) }
	if a.word(fieldGauge) == "" {
		for n := 1; ; n++ {
			if id := "G-" + strconv.Itoa(n); !taken(id) {
				return id
			}
		}
	}
	id := a.title(fieldGauge, analysis.Phrase{})
	if a.place.Station == nil && taken(id) {
		a.bad(fieldGauge, analysis.Say("guide.gauge.taken", id))
	}
	return id
}

// takenKey reports whether a name is one of a map of the configuration, where capitals do not tell
// names apart.
func takenKey[V any](id string, m map[string]V) bool {
	for k := range m {
		if strings.EqualFold(k, id) {
			return true
		}
	}
	return false
}

// mostTip is the largest radius of a contact.
const mostTip = 50 * analysis.Millimetre

// tip reads the radius of the contacts: from the list, or in words; 0 if it is not known.
func (a *Answers) tip() analysis.Length {
	field := fieldTip
	if a.word(field) == other {
		field = fieldTipOther
	}
	tip := a.length(field, analysis.MM)
	if tip < 0 || tip > mostTip {
		a.bad(field, analysis.Say("guide.gauge.tip"))
	}
	return tip
}

// other is the choice of a list that is none of it.
const other = "other"

// averages notes over what time the gauge averages: as stated, or as it was heard, or not at all.
func (a *Answers) averages(gauge map[string]any) {
	text := a.word(fieldAverages)
	if text == "" {
		return
	}
	d, err := time.ParseDuration(strings.ReplaceAll(text, " ", ""))
	if err != nil || d < 0 || d > time.Second {
		a.bad(fieldAverages, analysis.Say("guide.gauge.averages"))
		return
	}
	gauge["averages"] = strings.ReplaceAll(text, " ", "")
	if d == 0 {
		gauge["averages"], gauge["lag"] = "0 ms", "0 ms"
	}
}
