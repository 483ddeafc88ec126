package state

import (
	"cmp"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/master"
	"fairbore/analysis/material"
	"fairbore/daemon/event"
)

// CoolingNow returns the cooling of the part as the last readings in a row at one place show it.
func (f *Fold) CoolingNow(set *Settings) (*event.CoolDown, error) {
	row := f.readingsInRow()
	c, err := master.PartExcess(f.coolingPoints(row), f.coolingRules(set))
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

// surroundings returns the temperature that a part cools to: the present temperature of the ring,
// which lies in the same place (common practice). It is used only if the ring's temperature was
// known when the zero was set.
func (f *Fold) surroundings() *analysis.Temperature {
	if f.RingAtZero == nil {
		return nil
	}
	return f.Warm.Ring
}

// readingsInRow returns the newest consecutive readings at one place of the round in hand, made
// with one zero and without a change of the clock. Readings that do not count only because the part
// was warm are included.
func (f *Fold) readingsInRow() (row []*event.Reading) {
	for _, r := range f.Readings[max(f.roundStart, f.clockSteadyFrom):] {
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

// coolingPoints returns the sizes of a row of readings as they were gauged, at whatever temperature
// the part had. A size with a measured temperature is at 20 °C.
func (f *Fold) coolingPoints(row []*event.Reading) []master.WarmReading {
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

// cooling finds out from consecutive readings at one place whether the part is still warm. It
// returns nil if there are too few.
func (f *Fold) cooling(set *Settings) *master.Cooling {
	row := f.readingsInRow()
	if len(row) < master.MinWarm {
		return nil
	}
	c := master.FitCooling(f.coolingPoints(row), f.coolingRules(set))
	return &c
}

// ThermalAt returns the correction that brings a size, as gauged against the ring, to 20 °C. It
// uses the measured temperature of the part or, without one, its cooling. The cooling tells how
// much larger the part is than at the temperature of its surroundings; if that temperature is not
// known the size is corrected to it and no further. If nothing is known nothing is corrected, and
// the budget has the uncertainty.
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

// to20 returns what the temperatures of ring and part add to a size gauged against the ring. It
// needs the temperature of the ring when the zero was set, and both materials.
func (f *Fold) to20(size analysis.Length, part analysis.Temperature) (analysis.Deviation, bool) {
	if f.Master == nil || f.RingAtZero == nil {
		return 0, false
	}
	m, err1 := material.Find(f.Job.Material)
	ring, err2 := material.Find(cmp.Or(f.Master.Ring.Material, "steel"))
	if err1 != nil || err2 != nil {
		return 0, false
	}
	t := master.Thermal{Ring: f.Master.Ring.Size, RingAlpha: ring.Alpha, PartAlpha: m.Alpha, RingAt: *f.RingAtZero, PartAt: part}
	d, err := t.Correction(size)
	return d, err == nil
}

// applyCooling takes in that the correction for the cooling begins or ends.
func (f *Fold) applyCooling(c *event.CoolDown) {
	if f.TakenWarm == nil {
		f.TakenWarm = map[int]bool{}
	}
	for _, r := range f.Readings[f.roundStart:] {
		if byCooling := r.PartFrom == event.ByCooling; byCooling && c.Wrong || !byCooling && !c.Ended {
			f.TakenWarm[r.No] = true
		}
	}
	f.Cool = nil
	if !c.Ended {
		f.Cool = c
		f.Chosen, f.Staying = nil, false // the plan continues
	}
	f.markAllDone()
}

// Unclosed says what must be gauged before a part can be accepted whose sizes depend on its
// cooling: the place where the cooling was watched, after all others. It is zero if nothing is
// missing.
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

// CoolNow is the cooling in use, and the correction at a moment.
type CoolNow struct {
	event.CoolDown
	Left     analysis.Deviation `json:"left_um"` // the correction of a reading taken now
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
