package listen

import (
	"cmp"
	"maps"
	"slices"
	"strings"
	"time"

	"fairbore/analysis"
	"fairbore/drivers"
)

// Proposal is a driver and settings that read what was heard.
type Proposal struct {
	Driver  string
	Options drivers.Options
	Line    drivers.Serial // zero: there is no line setting
	Score   float64        // share of the frames that agreed, 0 to 1
	Agreed  int            // frames that gave values
	Of      int            // frames that should have
	Matched int            // displays that a frame agreed with
	Told    int            // displays that were typed
	Size    string         // channel that the display showed; "" if the gauge sends one value
	Others  []string       // its other channels
	Unit    drivers.Unit   // unit by the frames or the display; NoUnit if neither has one
	Places  int            // decimal places of the size
	Last    drivers.Sample
	Step    string            // one count of the last place, "0.0001"
	Open    []analysis.Phrase // what can't be told yet and would change a value, and what is needed
	Unseen  []analysis.Phrase // what was not seen; it is refused, or read in the usual way, when it comes
	Stamps  time.Duration     // time step in which values are handed over; 0: none is seen
	// Averages is the longest time over which the gauge seems to average, from the steps that it
	// followed, and Interval the time between its values. Both are 0 if there were too few steps.
	Averages, Interval time.Duration

	view   *view
	frames []framed
	agrees []bool // of each display, whether a frame agreed with it
	strong bool   // a display with three digits or more agreed
}

// Sure reports whether no other reading of the bytes would give other values.
func (p *Proposal) Sure() bool { return len(p.Open) == 0 }

// propose describes what a candidate found.
func (o *outcome) propose() Proposal {
	p := Proposal{Driver: o.driver, Options: o.options, Line: o.view.line, Score: o.score(), Agreed: o.good, Of: o.good + o.bad, Told: len(o.view.shown), view: o.view, frames: o.frames}
	channels := map[string]bool{}
	for _, f := range o.frames {
		for _, s := range f.samples {
			channels[s.Channel] = true
		}
	}
	names := slices.Sorted(maps.Keys(channels))
	var sized []string // channels that agree with every display
	for _, n := range names {
		if p.Told > 0 && !slices.ContainsFunc(o.view.shown, func(d display) bool { return o.matchOn(&d, n) == nil }) {
			sized = append(sized, n)
		}
	}
	for i := range o.view.shown {
		s := o.match(&o.view.shown[i])
		p.agrees = append(p.agrees, s != nil)
		if s != nil {
			p.Matched++
			p.Unit = cmp.Or(p.Unit, s.Unit, o.view.shown[i].Unit)
			p.strong = p.strong || o.view.shown[i].strong()
		}
	}
	p.Size = names[0]
	switch {
	case len(sized) == 1:
		p.Size = sized[0]
	case len(names) > 1:
		p.Open = append(p.Open, analysis.Say("listen.needs.channel", strings.Join(names, ", ")))
	}
	for _, n := range names {
		if n != p.Size {
			p.Others = append(p.Others, n)
		}
	}
	p.look(o)
	for i := range o.view.shown { // places beyond those of the display are not resolution
		if p.Matched > 0 {
			p.Places = min(p.Places, o.view.shown[i].Places)
		}
	}
	p.Step = stepText(1, p.Places)
	p.noteTiming(o.frames)
	if o.tightens() {
		p.Options = o.tightened()
	}
	p.Options = plain(p.Driver, p.Options)
	return p
}

// look takes unit, places and newest value from the samples of the size.
func (p *Proposal) look(o *outcome) {
	negative, inch, metric := false, false, false
	for _, f := range o.frames {
		for _, s := range f.samples {
			if s.Channel != p.Size {
				continue
			}
			p.Last, p.Places = s, max(p.Places, s.Places)
			negative = negative || s.Digits < 0
			inch = inch || s.Unit == drivers.Inch || s.Unit == drivers.MicroInch
			metric = metric || s.Unit == drivers.MM || s.Unit == drivers.UM
			p.Unit = cmp.Or(p.Unit, s.Unit)
		}
	}
	if !negative {
		p.Unseen = append(p.Unseen, analysis.Say("listen.unseen.negative"))
	}
	if c, ok := o.view.decoder(o.driver, o.options).(drivers.Checker); !ok || !c.Checked() {
		p.Unseen = append(p.Unseen, analysis.Say("listen.unseen.check"))
	}
	if len(o.words) > 0 {
		p.Unseen = append(p.Unseen, analysis.Say("listen.unseen.word", o.words[len(o.words)-1]))
	}
	if p.Line.Baud > 0 {
		p.Unseen = append(p.Unseen, analysis.Say("listen.unseen.stop"))
	}
	switch {
	case inch && !metric:
		p.Unseen = append(p.Unseen, analysis.Say("listen.unseen.mm"))
	case metric && !inch:
		p.Unseen = append(p.Unseen, analysis.Say("listen.unseen.inch"))
	case !metric && p.Unit != drivers.NoUnit && p.Unit != drivers.Celsius && p.Unit != drivers.Degree:
		p.Unseen = append(p.Unseen, analysis.Say("listen.unseen.unit", wordOf(p.Unit)))
	}
	if len(p.Others) > 0 {
		p.Unseen = append(p.Unseen, analysis.Say("listen.unseen.others", strings.Join(p.Others, ", ")))
	}
}

// tightens reports whether the options are those of a line.
func (o *outcome) tightens() bool {
	return o.driver == "line" || o.driver == "typed" || (o.driver == "ask" && o.options["form"] == "line")
}

// tightened returns narrower options that read as many frames.
func (o *outcome) tightened() drivers.Options {
	c := *o.candidate
	c.options = o.tighten()
	if again := c.play(); again.good >= o.good && again.bad <= o.bad {
		return c.options
	}
	return o.options
}

// plain leaves out options with their default value.
func plain(driver string, o drivers.Options) drivers.Options {
	d, err := drivers.Find(driver)
	if err != nil {
		return o
	}
	out := drivers.Options{}
	for _, opt := range d.Options {
		if v, ok := o[opt.Name]; ok && v != opt.Default && !(driver == "scpi" && opt.Name == "errors") {
			out[opt.Name] = v
		}
	}
	return out
}
