package plan

import (
	"errors"
	"fmt"
	"math"

	"fairbore/analysis"
	"fairbore/analysis/material"
)

// checkMaterial reports values that no material has.
func checkMaterial(m *material.Material, part string) error {
	if !(m.Young > 0 && m.Young < 1000) || !(m.Poisson >= 0 && m.Poisson < 0.5) || !(m.Strength >= 0 && m.Strength < 1e4) {
		return fmt.Errorf("%s material: want a modulus in GPa above 0, Poisson's ratio from 0 to below 0.5 and a strength in MPa", part)
	}
	return nil
}

// Press is a bush and the housing it is pressed into; the outside diameter and
// the housing bore as measured, not as drawn, where they are at hand.
type Press struct {
	Bore    analysis.Length   `json:"bush_bore_mm"` // before pressing
	Outside analysis.Length   `json:"bush_outside_mm"`
	Housing analysis.Length   `json:"housing_bore_mm"`
	Boss    analysis.Length   `json:"boss_outside_mm"`
	Bush    material.Material `json:"bush"`
	Hub     material.Material `json:"hub"`
	// Rz is the sum of the roughness depths Rz of both seats. Pressing smooths
	// some of it away and that much interference is lost.
	Rz analysis.Deviation `json:"rz_sum_um,omitempty"`
}

// Shares of the summed roughness depth by which the interference is less in
// effect. Common practice differs widely (from memory): the small share is the
// forecast, the large one shows what it is worth.
const (
	smoothingUsual = 0.12
	smoothingMost  = 0.8
)

// The band of closure to plan with, as shares of the interference, and the
// band about the forecast outside which a measured closure is an alarm:
// common practice.
const (
	bandLow, bandHigh   = 0.6, 1.0
	alarmLow, alarmHigh = 0.5, 1.3
)

// Closure is what pressing in does to the bush and the housing.
type Closure struct {
	Interference analysis.Deviation `json:"interference_um"`
	Smoothing    analysis.Deviation `json:"smoothing_um"` // lost of it
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

// Check reports everything that is wrong with the sizes and materials.
func (p Press) Check() error {
	var faults []error
	bad := func(format string, args ...any) { faults = append(faults, fmt.Errorf(format, args...)) }
	switch {
	case p.Bore <= 0:
		bad("bush bore %s: want a diameter above 0", p.Bore)
	case p.Outside <= p.Bore:
		bad("bush: its outside %s must be larger than its bore %s, or it has no wall", p.Outside, p.Bore)
	case p.Boss <= p.Outside || p.Boss <= p.Housing:
		bad("housing: its outside %s must be larger than the bush, %s, and its own bore, %s", p.Boss, p.Outside, p.Housing)
	case p.Housing <= 0 || p.Outside <= p.Housing:
		bad("fit: the bush, %s, must be larger than the housing bore, %s, or nothing holds it", p.Outside, p.Housing)
	case (p.Outside-p.Housing)*100 > p.Outside:
		bad("fit: an interference of %s is more than 1 %% of the size; check the unit", p.Outside-p.Housing)
	case p.Boss > 10*analysis.Length(1000)*analysis.Millimetre:
		bad("housing: an outside of %s is beyond 10 m; check the unit", p.Boss)
	}
	if p.Rz < 0 || analysis.Length(p.Rz) > 200*analysis.Micrometre {
		bad("roughness: want the sum of both Rz from 0 to 200 µm")
	}
	return errors.Join(append(faults, checkMaterial(&p.Bush, "bush"), checkMaterial(&p.Hub, "housing"))...)
}

// Closure forecasts how much the bore closes when the bush is pressed in, and
// the stresses, by Lamé's equations for two thick tubes of equal length in
// plane stress: elastic, round, no end effects. It fails as [Press.Check] does.
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

// fromMM rounds a small length in mm; those met here are far within range.
func fromMM(v float64) analysis.Deviation {
	return analysis.Deviation(math.Round(v * float64(analysis.Millimetre)))
}

// Judge compares a closure measured after pressing with the forecast: ok, or
// what to look at.
func (c Closure) Judge(measured analysis.Deviation) (ok bool, why string) {
	switch {
	case measured < c.AlarmLow:
		return false, fmt.Sprintf("the bore closed by %s, less than half of the forecast %s: check both seats' sizes, a seat that picked up, and the readings", small(measured), small(c.Forecast))
	case measured > c.AlarmHigh:
		return false, fmt.Sprintf("the bore closed by %s, more than 1.3 times the forecast %s: check both seats' sizes, a cocked bush, and the readings", small(measured), small(c.Forecast))
	}
	return true, fmt.Sprintf("the bore closed by %s; the forecast was %s", small(measured), small(c.Forecast))
}

// tube is one part of the pair: diameters in mm, modulus in MPa.
type tube struct{ inner, outer, e, nu float64 }

func (p Press) tubes(interference float64) (bush, hub tube, _ float64) {
	mm := func(l analysis.Length) float64 { return float64(l) / float64(analysis.Millimetre) }
	seat := mm(p.Outside)
	return tube{mm(p.Bore), seat, p.Bush.Young * 1000, p.Bush.Poisson}, tube{seat, mm(p.Boss), p.Hub.Young * 1000, p.Hub.Poisson}, interference
}

// lameResult: stresses in MPa, changes of diameter in mm.
type lameResult struct {
	pressure, closure, growth      float64
	hoopBore, hoopOutside, hoopHub float64
}

// lame solves the fit of two tubes with a diametral interference in mm, at the
// seat's diameter bush.outer. A solid shaft is a bush with the bore 0.
//
// Lamé (any text on thick cylinders): the seat's radial give per unit pressure
// is (d/2E)((d²+di²)/(d²−di²) − ν) for the bush and (d/2E)((do²+d²)/(do²−d²) + ν)
// for the hub; together they take up half of the interference.
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

// notes are the cautions that come with a press fit.
func (p Press) notes(c Closure) (n notes) {
	if y := p.Bush.Strength; y > 0 && -c.HoopBore >= y {
		n.add(Warning, "the bush is stressed to %.0f MPa at its bore; %s may yield from about %.0f MPa on (typical), and past yield the closure is less predictable: don't reuse its fraction", -c.HoopBore, p.Bush.Name, y)
	}
	if y := p.Hub.Strength; y > 0 && c.HoopHub+c.Pressure >= y {
		n.add(Warning, "the housing is stressed to %.0f MPa at the seat; %s may fail from about %.0f MPa on (typical)", c.HoopHub+c.Pressure, p.Hub.Name, y)
	}
	perMM := analysis.Length(c.Interference).Micrometres() / (float64(p.Outside) / float64(analysis.Millimetre))
	if perMM > 1 && p.Bush.Name == "bronze" {
		n.add(Remark, "the interference is %.2f thou per inch of outside; 0.5 to 1.0 is usual for bronze (common practice)", perMM)
	}
	if c.Forecast > c.BandHigh || c.Forecast < c.BandLow {
		n.add(Remark, "the forecast lies outside the usual 0.6 to 1.0 of the interference: the walls are unusual, so measure")
	}
	n.add(Warning, "measure the bore after pressing, before honing; look for the fault if it closed by less than %s, half of the forecast, or more than %s, 1.3 times the forecast", small(c.AlarmLow), small(c.AlarmHigh))
	n.add(Remark, "wear eye protection at the press, stand clear of the line of force, and follow the press maker's manual and the shop's rules")
	return n
}

// Text says the forecast in plain words.
func (c Closure) Text() []string {
	lines := []string{
		fmt.Sprintf("Interference %s; the bore will close by about %s, %.2f of it (elastic, by Lamé).", small(c.Interference), small(c.Forecast), c.Share),
		fmt.Sprintf("Plan for a closure from %s to %s: 0.6 to 1.0 of the interference (common practice).", small(c.BandLow), small(c.BandHigh)),
		fmt.Sprintf("Pressure %.1f MPa; hoop stress %.0f MPa at the bush's bore, %.0f MPa in the housing; the boss grows by %s.", c.Pressure, c.HoopBore, c.HoopHub, small(c.BossGrowth)),
	}
	if c.Smoothing > 0 {
		lines = append(lines, fmt.Sprintf("Smoothing of the seats is taken to cost %s of interference; rougher rules would leave a closure of %s.", small(c.Smoothing), small(c.Rough)))
	}
	return lines
}
