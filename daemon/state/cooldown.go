package state

import (
	"cmp"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/master"
	"fairbore/analysis/material"
	"fairbore/daemon/event"
)

// CoolingNow is what the readings in a row at one place say of the part's temperature.
func (f *Fold) CoolingNow(set *Settings) (*event.CoolDown, error) {
	row := f.row()
	c, err := master.PartExcess(f.points(row), f.coolingRules(set))
	if err != nil {
		return nil, err
	}
	first, last := row[0], row[len(row)-1]
	m, err := material.Find(cmp.Or(f.Job.Material, "steel"))
	if err != nil {
		return nil, err
	}
	return &event.CoolDown{
		Place: last.Place, Readings: len(row), First: first.No, Last: last.No, At: last.At,
		Final:  c.Final + analysis.Length(c.Remaining) - analysis.Length(c.Excess.Size),
		Excess: *c.Excess, Warmer: c.Excess.Warmer(c.Final, m.Alpha), Surroundings: f.surroundings(),
	}, nil
}

// surroundings is the temperature that a part cools to: that of the ring now, which lies
// in the same place (common practice). It is of use only if the ring's was known when the
// zero was set.
func (f *Fold) surroundings() *analysis.Temperature {
	if f.RingThen == nil {
		return nil
	}
	return f.Warm.Ring
}

// row is the newest readings in a row at one place of the round in hand, with one zero
// and one clock. Those that only the part's warmth keeps from counting are among them.
func (f *Fold) row() (row []*event.Reading) {
	for _, r := range f.Readings[max(f.begin, f.steady):] {
		if !f.sound(r) {
			continue
		}
		if len(row) > 0 && (r.Place != row[0].Place || r.Mastered != row[0].Mastered) {
			row = row[:0]
		}
		row = append(row, r)
	}
	return row
}

// points are the sizes of a row as they were gauged, at whatever temperature the part
// had; where that was measured, at 20 °C.
func (f *Fold) points(row []*event.Reading) []master.WarmReading {
	out := make([]master.WarmReading, len(row))
	for i, r := range row {
		out[i] = master.WarmReading{At: r.At.Sub(f.RoundAt), Size: r.AsGauged()}
	}
	return out
}

func (f *Fold) coolingRules(set *Settings) master.CoolingRules {
	tau, basis := master.ExpectCooling(f.Job.Material, f.Job.Outside, f.Job.Nominal)
	rules := master.UsualCooling(f.Repeat(&set.Gauge), tau)
	rules.Basis = basis
	return rules
}

// cooling looks at the readings at one place, one after the other, for a part that
// is still warm; nil if there are too few in a row.
func (f *Fold) cooling(set *Settings) *master.Cooling {
	row := f.row()
	if len(row) < master.MinWarm {
		return nil
	}
	c := master.FitCooling(f.points(row), f.coolingRules(set))
	return &c
}

// ThermalAt is what brings a size, as gauged against the ring, to 20 °C: by the measured
// temperature of the part or, failing that, by how it cools. What the cooling says is
// how much larger the part is than in its surroundings; without their temperature the
// size is brought there and no further. Where nothing is known, nothing is corrected, and
// the doubt is in the budget.
func (f *Fold) ThermalAt(size analysis.Length, at time.Time) (thermal, u analysis.Deviation, from event.Source) {
	if f.Warm.Part != nil {
		if d, ok := f.to20(size, *f.Warm.Part); ok {
			return d, 0, f.WarmFrom
		}
		return 0, 0, ""
	}
	if f.Cool == nil {
		return 0, 0, ""
	}
	excess, u := f.Cool.Excess.Later(at.Sub(f.Cool.At))
	thermal = -excess
	if t := f.surroundings(); t != nil {
		if d, ok := f.to20(size-analysis.Length(excess), *t); ok {
			thermal += d
		}
	}
	return thermal, u, event.ByCooling
}

// to20 is what the temperatures of ring and part add to a size gauged against the ring.
// Without that of the ring when the zero was set, or the materials, nothing can be said.
func (f *Fold) to20(size analysis.Length, part analysis.Temperature) (analysis.Deviation, bool) {
	if f.Master == nil || f.RingThen == nil {
		return 0, false
	}
	m, err1 := material.Find(f.Job.Material)
	ring, err2 := material.Find(cmp.Or(f.Master.Ring.Material, "steel"))
	if err1 != nil || err2 != nil {
		return 0, false
	}
	t := master.Thermal{Ring: f.Master.Ring.Size, RingAlpha: ring.Alpha, PartAlpha: m.Alpha, RingAt: *f.RingThen, PartAt: part}
	d, err := t.Correction(size)
	return d, err == nil
}

// cool takes in that the cooling is used from here on, or no longer.
func (f *Fold) cool(c *event.CoolDown) {
	if f.Warmer == nil {
		f.Warmer = map[int]bool{}
	}
	for _, r := range f.Readings[f.begin:] {
		if byCooling := r.PartFrom == event.ByCooling; byCooling && c.Wrong || !byCooling && !c.Ended {
			f.Warmer[r.No] = true
		}
	}
	f.Cool = nil
	if !c.Ended {
		f.Cool = c
		f.Chosen, f.Staying = nil, false // the plan goes on
	}
	f.stands()
}

// Unclosed says what is to be gauged before a part whose sizes rest on its cooling can be
// accepted, zero if nothing: the place where that was watched, after all others.
func (f *Fold) Unclosed() analysis.Phrase {
	if f.Cool == nil {
		return analysis.Phrase{}
	}
	now := f.Current(f.Round())
	last := now[f.Cool.Place]
	for _, r := range now {
		if r.PartFrom == event.ByCooling && (last == nil || r.No > last.No) {
			return analysis.Say("bore.close_cooling", f.Cool.Place)
		}
	}
	return analysis.Phrase{}
}

// CoolNow is the cooling in use and what it comes to at a moment.
type CoolNow struct {
	event.CoolDown
	Left     analysis.Deviation `json:"left_um"` // that a reading would have taken off now
	LeftU    analysis.Deviation `json:"left_u_um"`
	Sentence analysis.Phrase    `json:"sentence"`
}

func (f *Fold) coolNow(now time.Time) *CoolNow {
	if f.Cool == nil {
		return nil
	}
	after := now.Sub(f.Cool.At)
	n := &CoolNow{CoolDown: *f.Cool, Sentence: f.Cool.Excess.Still(after, f.Cool.Warmer)}
	n.Left, n.LeftU = f.Cool.Excess.Later(after)
	return n
}
