package plan

import (
	"errors"
	"math"

	"fairbore/analysis"
	"fairbore/analysis/material"
)

// checkMaterial reports values that no material has.
func checkMaterial(m *material.Material, code string) error {
	if !(m.Young > 0 && m.Young < 1000) || !(m.Poisson >= 0 && m.Poisson < 0.5) || !(m.Strength >= 0 && m.Strength < 1e4) {
		return analysis.Say(code)
	}
	return nil
}

// Press is a bush and the housing into which it is pressed. Give the outside diameter and the
// housing bore as measured, if measured values are at hand, not as drawn.
type Press struct {
	Bore    analysis.Length   `json:"bush_bore_mm"` // before pressing
	Outside analysis.Length   `json:"bush_outside_mm"`
	Housing analysis.Length   `json:"housing_bore_mm"`
	Boss    analysis.Length   `json:"boss_outside_mm"`
	Bush    material.Material `json:"bush"`
	Hub     material.Material `json:"hub"`
	// Rz is the sum of the roughness depths Rz of both seats. Pressing smooths away some of
	// the roughness, and the interference becomes less by that amount.
	Rz analysis.Deviation `json:"rz_sum_um,omitempty"`
}

// The effective interference is smaller than the measured one by one of these shares of the
// summed roughness depth. Common practice differs widely (from memory). The small share is
// used for the forecast. The large share shows how uncertain the forecast is.
const (
	smoothingUsual = 0.12
	smoothingMost  = 0.8
)

// bandLow and bandHigh bound the closure to plan with, as shares of the interference.
// alarmLow and alarmHigh bound the measured closure, as shares of the forecast. A measured
// closure outside these is an alarm. All are common practice.
const (
	bandLow, bandHigh   = 0.6, 1.0
	alarmLow, alarmHigh = 0.5, 1.3
)

// Closure holds the effects of pressing in on the bush and the housing.
type Closure struct {
	Interference analysis.Deviation `json:"interference_um"`
	Smoothing    analysis.Deviation `json:"smoothing_um"` // loss of interference
	Pressure     float64            `json:"pressure_mpa"`
	Forecast     analysis.Deviation `json:"closure_um"`           // by how much the bore closes
	Rough        analysis.Deviation `json:"closure_if_rough_um"`  // with the most smoothing
	BandLow      analysis.Deviation `json:"closure_band_low_um"`  // to plan with
	BandHigh     analysis.Deviation `json:"closure_band_high_um"` // to plan with
	AlarmLow     analysis.Deviation `json:"alarm_below_um"`
	AlarmHigh    analysis.Deviation `json:"alarm_above_um"`
	Share        float64            `json:"closure_per_interference"`
	BossGrowth   analysis.Deviation `json:"boss_growth_um"`
	HoopBore     float64            `json:"hoop_bush_bore_mpa"` // below 0 in compression
	HoopOutside  float64            `json:"hoop_bush_outside_mpa"`
	HoopHub      float64            `json:"hoop_housing_mpa"`
}

// Check returns an error with everything that is wrong with the sizes and materials.
func (p Press) Check() error {
	var faults []error
	bad := func(code string, args ...any) { faults = append(faults, analysis.Say(code, args...)) }
	bore, outside, housing, boss := analysis.Size(p.Bore), analysis.Size(p.Outside), analysis.Size(p.Housing), analysis.Size(p.Boss)
	switch {
	case p.Bore <= 0:
		bad("plan.fault.bush_bore", bore)
	case p.Outside <= p.Bore:
		bad("plan.fault.no_wall", outside, bore)
	case p.Boss <= p.Outside || p.Boss <= p.Housing:
		bad("plan.fault.boss", boss, outside, housing)
	case p.Housing <= 0 || p.Outside <= p.Housing:
		bad("plan.fault.loose", outside, housing)
	case (p.Outside-p.Housing)*100 > p.Outside:
		bad("plan.fault.interference", analysis.Deviation(p.Outside-p.Housing))
	case p.Boss > 10*analysis.Length(1000)*analysis.Millimetre:
		bad("plan.fault.boss_huge", boss)
	}
	if p.Rz < 0 || analysis.Length(p.Rz) > 200*analysis.Micrometre {
		bad("plan.fault.roughness")
	}
	return errors.Join(append(faults, checkMaterial(&p.Bush, "plan.fault.bush_material"), checkMaterial(&p.Hub, "plan.fault.housing_material"))...)
}

// Closure forecasts how much the bore closes when the bush is pressed in, and the stresses.
// It uses Lamé's equations for two thick tubes of equal length in plane stress. The tubes are
// elastic and round, without end effects. Closure fails where [Press.Check] fails.
func (p Press) Closure() (Closure, error) {
	if err := p.Check(); err != nil {
		return Closure{}, err
	}
	interference := p.Outside - p.Housing
	smoothing := share(analysis.Deviation(p.Rz), smoothingUsual)
	effect := func(lost analysis.Deviation) lameResult {
		return lame(p.tubes(max(0, (interference-analysis.Length(lost)).Micrometres()/1000)))
	}
	r := effect(smoothing)
	c := Closure{
		Interference: analysis.Deviation(interference),
		Smoothing:    smoothing,
		Pressure:     r.pressure,
		Forecast:     fromMM(r.closure),
		Rough:        fromMM(effect(share(p.Rz, smoothingMost)).closure),
		BandLow:      share(analysis.Deviation(interference), bandLow),
		BandHigh:     share(analysis.Deviation(interference), bandHigh),
		Share:        r.closure * 1000 / interference.Micrometres(),
		BossGrowth:   fromMM(r.growth),
		HoopBore:     r.hoopBore,
		HoopOutside:  r.hoopOutside,
		HoopHub:      r.hoopHub,
	}
	c.AlarmLow, c.AlarmHigh = share(c.Forecast, alarmLow), share(c.Forecast, alarmHigh)
	return c, nil
}

func share(d analysis.Deviation, f float64) analysis.Deviation {
	return analysis.Deviation(math.Round(float64(d) * f))
}

// fromMM rounds a small length in mm to a deviation. The lengths in this package are far
// within range.
func fromMM(v float64) analysis.Deviation {
	return analysis.Deviation(math.Round(v * float64(analysis.Millimetre)))
}

// Judge compares a closure that was measured after pressing with the forecast. why says what
// to look at if the closure is not ok.
func (c Closure) Judge(measured analysis.Deviation) (ok bool, why analysis.Phrase) {
	switch {
	case measured < c.AlarmLow:
		return false, analysis.Say("plan.closed.less", measured, c.Forecast)
	case measured > c.AlarmHigh:
		return false, analysis.Say("plan.closed.more", measured, c.Forecast)
	}
	return true, analysis.Say("plan.closed.well", measured, c.Forecast)
}

// tube is one part of the pair: diameters in mm, modulus in MPa.
type tube struct{ inner, outer, e, nu float64 }

func (p Press) tubes(interference float64) (bush, hub tube, _ float64) {
	mm := func(l analysis.Length) float64 { return float64(l) / float64(analysis.Millimetre) }
	seat := mm(p.Outside)
	return tube{mm(p.Bore), seat, p.Bush.Young * 1000, p.Bush.Poisson}, tube{seat, mm(p.Boss), p.Hub.Young * 1000, p.Hub.Poisson}, interference
}

// lameResult holds stresses in MPa and changes of diameter in mm.
type lameResult struct {
	pressure, closure, growth      float64
	hoopBore, hoopOutside, hoopHub float64
}

// lame solves the press fit of two tubes with a diametral interference in mm. The seat has
// the diameter bush.outer. A solid shaft is a bush with the bore 0.
//
// By Lamé (any text on thick cylinders) the radial deflection of the seat per unit pressure
// is (d/2E)((d²+di²)/(d²−di²) − ν) for the bush and (d/2E)((do²+d²)/(do²−d²) + ν) for the
// hub. Their sum, times the pressure, is half of the interference.
func lame(bush, hub tube, interference float64) lameResult {
	di2, d2, do2 := bush.inner*bush.inner, bush.outer*bush.outer, hub.outer*hub.outer
	inner := (d2 + di2) / (d2 - di2)
	outer := (do2 + d2) / (do2 - d2)
	p := interference / (bush.outer * ((inner-bush.nu)/bush.e + (outer+hub.nu)/hub.e))
	return lameResult{
		pressure:    p,
		closure:     2 * p * d2 * bush.inner / (bush.e * (d2 - di2)),
		growth:      2 * p * d2 * hub.outer / (hub.e * (do2 - d2)),
		hoopBore:    -2 * p * d2 / (d2 - di2),
		hoopOutside: -p * inner,
		hoopHub:     p * outer,
	}
}

// notes returns the cautions for a press fit.
func (p Press) notes(c Closure) (n notes) {
	if y := p.Bush.Strength; y > 0 && -c.HoopBore >= y {
		n.add(Warning, "bush_stress", mpa(-c.HoopBore, 0), analysis.Say("material."+p.Bush.Name), mpa(y, 0))
	}
	if y := p.Hub.Strength; y > 0 && c.HoopHub+c.Pressure >= y {
		n.add(Warning, "housing_stress", mpa(c.HoopHub+c.Pressure, 0), analysis.Say("material."+p.Hub.Name), mpa(y, 0))
	}
	perMM := analysis.Length(c.Interference).Micrometres() / (float64(p.Outside) / float64(analysis.Millimetre))
	if perMM > 1 && p.Bush.Name == "bronze" {
		n.add(Remark, "bronze", analysis.Number{Value: perMM, Places: 2})
	}
	if c.Forecast > c.BandHigh || c.Forecast < c.BandLow {
		n.add(Remark, "unusual_walls")
	}
	n.add(Warning, "measure", c.AlarmLow, c.AlarmHigh)
	n.add(Remark, "press_safety")
	return n
}

// mpa returns a stress in MPa, to be written with a number of decimal places.
func mpa(stress float64, places int) analysis.Number {
	return analysis.Number{Value: stress, Places: places}
}

// Text returns the forecast as phrases.
func (c Closure) Text() []analysis.Phrase {
	lines := []analysis.Phrase{
		analysis.Say("plan.press.closure", c.Interference, c.Forecast, analysis.Number{Value: c.Share, Places: 2}),
		analysis.Say("plan.press.band", c.BandLow, c.BandHigh),
		analysis.Say("plan.press.stress", mpa(c.Pressure, 1), mpa(c.HoopBore, 0), mpa(c.HoopHub, 0), c.BossGrowth),
	}
	if c.Smoothing > 0 {
		lines = append(lines, analysis.Say("plan.press.smoothing", c.Smoothing, c.Rough))
	}
	return lines
}
