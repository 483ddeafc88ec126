package master

import (
	"errors"
	"math"
	"time"

	"gonum.org/v1/gonum/stat/distuv"

	"fairbore/analysis"
	"fairbore/analysis/material"
)

// WarmReading is one of the repeated sizes of a part at one place.
type WarmReading struct {
	At   time.Duration   `json:"at_ns"` // since any fixed moment
	Size analysis.Length `json:"size_mm"`
}

// CoolingRules says what a cooling part must meet.
type CoolingRules struct {
	// Repeat is the gauge's repeatability. A fit that scatters by more than it can explain is refused.
	Repeat analysis.Deviation `json:"repeat_sd_um"`
	// Basis says what the bounds of the time constant are based on. It is passed on.
	Basis analysis.Phrase `json:"basis,omitzero"`
	// Shortest and Longest bound the time constant.
	Shortest time.Duration `json:"shortest_ns"`
	Longest  time.Duration `json:"longest_ns"`
	// The part is ready when at most Remaining is expected still to come, at most Widest is possible, and
	// two readings at least Apart in time agree within Agree.
	Remaining analysis.Deviation `json:"remaining_um"`
	Apart     time.Duration      `json:"apart_ns"`
	Agree     analysis.Deviation `json:"agree_um"`
	// Widest is also the largest useful U of a final size.
	Widest analysis.Deviation `json:"widest_um"`
}

// UsualCooling returns the usual rules for a gauge of repeatability s and a part with a time constant
// of about tau (see [TimeConstant]), which may be wrong by a factor of three either way. The part is
// ready when two readings 2 min apart agree within 0.15 µm (or 3 s, if that is more) and less than 0.1
// µm (or half of s) is expected to come (common practice). Where nothing is known of the part, set the
// bounds to 5 s and 45 min; the answer then takes longer.
func UsualCooling(s analysis.Deviation, tau time.Duration) CoolingRules {
	const µm = analysis.Deviation(analysis.Micrometre)
	return CoolingRules{Repeat: s, Shortest: tau / 3, Longest: 3 * tau,
		Remaining: max(µm/10, s/2), Apart: 2 * time.Minute, Agree: max(15*µm/100, 3*s), Widest: max(4*µm/10, 2*s)}
}

// Heat transfer to the media that a part cools in, W/(m² K). The values for still air and for moving
// oil are assumed, from memory.
const (
	StillAir  = 12.0
	MovingOil = 400.0
)

// TimeConstant estimates how fast a plain tube of a material takes on the temperature of the medium
// around it: τ = ρ c V / (h S). V/S is a quarter of the difference of its diameters, because both
// walls count and the ends are left out. A part in a heavy housing follows the housing, more slowly.
// Source: the heat balance of a body of even temperature, and geometry.
func TimeConstant(of string, outer, bore analysis.Length, h float64) (time.Duration, error) {
	m, err := material.Find(of)
	if err != nil {
		return 0, err
	}
	if bore <= 0 || outer <= bore || outer > 10*largest || !(h > 0.1 && h < 1e5) {
		return 0, errors.New("time constant: give the diameters of a tube and the heat transfer of the medium, 12 W/(m² K) in still air")
	}
	metres := (outer - bore).Micrometres() * 1e-6 / 4
	return seconds(m.Heat * 1e6 * metres / h), nil
}

// usualTau is a typical time constant of steel parts in still air, between a thin tube and a thick
// sleeve (common practice).
const usualTau = 8 * time.Minute

// ExpectCooling returns the time constant with which a part is expected to cool, and the basis of
// this estimate. If the outside diameter is known, the estimate is the time constant of a plain
// tube in still air ([TimeConstant]). If it is not (outer is 0), the estimate is the usual time
// constant, scaled by the heat capacity of the material against steel for the same wall. Both may
// be wrong by the factor of three that [UsualCooling] allows for: a part on a plate or a wet part
// cools faster, and a part in a heavy housing cools slower. An unknown material counts as steel.
func ExpectCooling(of string, outer, bore analysis.Length) (tau time.Duration, basis analysis.Phrase) {
	m, err := material.Find(of)
	if err != nil {
		m, _ = material.Find("steel") // steel is in the table
	}
	if tau, err = TimeConstant(m.Name, outer, bore, StillAir); err == nil {
		return tau, analysis.Say("master.cooling.by_size", tau, analysis.Say("material."+m.Name), outer)
	}
	steel, _ := material.Find("steel")
	tau = time.Duration(float64(usualTau) * m.Heat / steel.Heat)
	return tau, analysis.Say("master.cooling.usual", tau, analysis.Say("material."+m.Name))
}

// Cooling is what repeated sizes of a warm part show.
type Cooling struct {
	N int `json:"readings"`
	// Usable says that Final may be used. If not, Sentence says why.
	Usable bool            `json:"usable"`
	Final  analysis.Length `json:"final_mm"` // the size at which the part settles
	// U is half the width of the 95 % interval of Final, from Low to High.
	U    analysis.Deviation `json:"u_um"`
	Low  analysis.Length    `json:"low_mm"`
	High analysis.Length    `json:"high_mm"`
	Tau  time.Duration      `json:"time_constant_ns"`
	// Remaining is how much cooling is still to take off after the last reading. Most is the largest value
	// that the data allow.
	Remaining analysis.Deviation `json:"remaining_um"`
	Most      analysis.Deviation `json:"most_remaining_um"`
	Rate      analysis.Deviation `json:"rate_um_per_minute"` // rate of change at the last reading; negative: shrinking
	// Wait is the time until Remaining is small enough. Ready says that it is, and that the last readings
	// agree.
	Wait     time.Duration   `json:"wait_ns"`
	Ready    bool            `json:"ready"`
	Sentence analysis.Phrase `json:"sentence"`
	// Excess is by how much the part is still too large at the last reading; nil unless Usable. It is a
	// mean over the time constants that the data allow, while Remaining uses only the likeliest.
	Excess *analysis.Excess `json:"excess,omitempty"`
	// Basis says what the bounds of the time constant are based on (see [ExpectCooling]).
	Basis analysis.Phrase `json:"basis,omitzero"`
}

// Shrinking reports whether the part will still shrink by more than may be left, so that what it reads
// now is not its size.
func (c *Cooling) Shrinking() bool { return c != nil && !c.Ready && c.Wait > 0 }

// MinWarm is the fewest readings for a fit of three unknowns.
const MinWarm = 5

// FitCooling fits size = final + A exp(−t/τ) to repeated sizes of a cooling part.
//
// For each τ within the bounds the other two unknowns follow by least squares. τ is the one with the
// least sum of squares. The interval of the final size is its profile: all final sizes that, with some
// τ, fit the data not significantly worse (the likelihood ratio, as an F with one degree of freedom).
// The fit is refused when the data can't support it: too few readings, too short a time, a part that
// grows, a poor fit, or an interval too wide to be useful. Source: Newton's law of cooling, and least
// squares.
func FitCooling(points []WarmReading, rules CoolingRules) Cooling {
	c := Cooling{N: len(points)}
	if why := refuseWarm(points, &rules); !why.IsZero() {
		c.Sentence = why
		return c
	}
	p := newProfile(points, &rules)
	c.fill(p, points, &rules)
	c.judge(p, points, &rules)
	if c.Usable {
		c.Excess = p.cooled()
	}
	c.Basis = rules.Basis
	return c
}

func refuseWarm(points []WarmReading, rules *CoolingRules) analysis.Phrase {
	if rules.Repeat <= 0 || rules.Shortest <= 0 || rules.Longest <= rules.Shortest {
		return analysis.Say("master.cooling.no_rules")
	}
	if len(points) < MinWarm {
		return analysis.Say("master.cooling.few", len(points), MinWarm)
	}
	for i, w := range points {
		if w.Size <= 0 || w.Size > largest {
			return analysis.Say("master.cooling.no_size")
		}
		if i > 0 && w.At <= points[i-1].At {
			return analysis.Say("master.cooling.order")
		}
	}
	return analysis.Phrase{}
}

// profile is the least-squares fit as a function of the time constant.
type profile struct {
	t, y   []float64 // seconds since the first reading, µm from the first size
	fits   []linearFit
	grid   int // number of points at even distances of ln τ
	best   linearFit
	sigma2 float64 // variance for the interval, µm²
	cut    float64 // sums of squares up to best.rss + cut fit as well
	dof    float64
}

// linearFit is the least-squares fit at one time constant.
type linearFit struct {
	tau        float64
	final, amp float64 // µm
	rss        float64
	vFinal     float64 // variance of final for a reading of unit variance
	vAmp       float64
	ok         bool
}

// newProfile fits on a grid of time constants. It uses the variance of the gauge or that of the fit,
// whichever is larger.
func newProfile(points []WarmReading, rules *CoolingRules) *profile {
	p := &profile{dof: float64(len(points) - 3)}
	for _, w := range points {
		p.t = append(p.t, (w.At - points[0].At).Seconds())
		p.y = append(p.y, (w.Size - points[0].Size).Micrometres())
	}
	const steps = 120 // a factor of nine in steps of 2 %
	lo, hi := math.Log(rules.Shortest.Seconds()), math.Log(rules.Longest.Seconds())
	p.best.rss = math.Inf(1)
	for i := range steps + 1 {
		f := p.fit(math.Exp(lo + (hi-lo)*float64(i)/steps))
		if !f.ok {
			continue
		}
		p.fits = append(p.fits, f)
		if f.rss < p.best.rss {
			p.best = f
		}
	}
	p.grid = len(p.fits)
	p.refine((hi - lo) / steps)
	s2 := math.Pow(analysis.Length(rules.Repeat).Micrometres(), 2)
	p.sigma2 = s2
	t := distuv.UnitNormal.Quantile(0.975)
	if own := p.best.rss / p.dof; own > s2 {
		p.sigma2 = own
		t = distuv.StudentsT{Mu: 0, Sigma: 1, Nu: p.dof}.Quantile(0.975)
	}
	p.cut = t * t * p.sigma2
	return p
}

// refine narrows down the best time constant within one step of the grid, by thirds, within the
// bounds.
func (p *profile) refine(step float64) {
	if len(p.fits) == 0 {
		return
	}
	first, last := p.fits[0].tau, p.fits[len(p.fits)-1].tau
	lo, hi := math.Log(max(first, p.best.tau*math.Exp(-step))), math.Log(min(last, p.best.tau*math.Exp(step)))
	for range 12 {
		a, b := p.fit(math.Exp(lo+(hi-lo)/3)), p.fit(math.Exp(hi-(hi-lo)/3))
		if a.rss < b.rss {
			hi -= (hi - lo) / 3
		} else {
			lo += (hi - lo) / 3
		}
	}
	if f := p.fit(math.Exp((lo + hi) / 2)); f.ok && f.rss < p.best.rss {
		p.best = f
		p.fits = append(p.fits, f)
	}
}

func (p *profile) fit(tau float64) linearFit {
	n := float64(len(p.t))
	var sx, sxx, sy, sxy float64
	for i, t := range p.t {
		x := math.Exp(-t / tau)
		sx, sxx, sy, sxy = sx+x, sxx+x*x, sy+p.y[i], sxy+x*p.y[i]
	}
	d := sxx - sx*sx/n
	if !(d > 1e-9) { // the exponential is constant: τ is too long, or there is only one point
		return linearFit{}
	}
	f := linearFit{tau: tau, ok: true, amp: (sxy - sx*sy/n) / d, vAmp: 1 / d, vFinal: 1/n + sx*sx/(n*n*d)}
	f.final = (sy - f.amp*sx) / n
	for i, t := range p.t {
		r := p.y[i] - f.final - f.amp*math.Exp(-t/tau)
		f.rss += r * r
	}
	return f
}

// interval returns the ends of the profile interval of the final size and the most that may remain at
// time t, in µm.
func (p *profile) interval(t float64) (lo, hi, remaining float64) {
	lo, hi = math.Inf(1), math.Inf(-1)
	for _, f := range p.fits {
		room := p.cut - (f.rss - p.best.rss)
		if room < 0 {
			continue
		}
		w := math.Sqrt(f.vFinal * room)
		lo, hi = min(lo, f.final-w), max(hi, f.final+w)
		remaining = max(remaining, (f.amp+math.Sqrt(f.vAmp*room))*math.Exp(-t/f.tau))
	}
	return lo, hi, remaining
}

func (c *Cooling) fill(p *profile, points []WarmReading, rules *CoolingRules) {
	if !p.best.ok {
		return
	}
	last := p.t[len(p.t)-1]
	left := analysis.Length(rules.Remaining).Micrometres()
	lo, hi, most := p.interval(last)
	b := p.best
	remaining := max(b.amp*math.Exp(-last/b.tau), 0)
	at := func(v float64) analysis.Length { return points[0].Size + length(v) }
	c.Final, c.Low, c.High = at(b.final), at(lo), at(hi)
	c.U = analysis.Deviation(length((hi - lo) / 2))
	c.Tau = seconds(b.tau)
	c.Remaining, c.Most = analysis.Deviation(length(remaining)), analysis.Deviation(length(most))
	c.Rate = analysis.Deviation(length(-60 * remaining / b.tau))
	if remaining > left && left > 0 {
		c.Wait = seconds(min(b.tau*math.Log(remaining/left), 100*rules.Longest.Seconds()))
	}
}

// length rounds µm to 0.1 nm, and limits it to 1 m.
func length(v float64) analysis.Length {
	l, err := analysis.FromMicrometres(max(-1e6, min(1e6, v)))
	if err != nil {
		return 0
	}
	return l
}

func seconds(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }

// judge decides whether the fit may be used and whether the part is ready, and sets the sentence.
func (c *Cooling) judge(p *profile, points []WarmReading, rules *CoolingRules) {
	span := points[len(points)-1].At - points[0].At
	agree := settled(points, rules)
	c.Ready = agree && c.Remaining <= rules.Remaining && c.Most <= rules.Widest
	switch {
	case !p.best.ok || span < 2*rules.Shortest:
		c.Sentence = analysis.Say("master.cooling.short", span)
		*c = Cooling{N: c.N, Sentence: c.Sentence}
	case p.poor(rules):
		c.Sentence = analysis.Say("master.cooling.poor")
		*c = Cooling{N: c.N, Sentence: c.Sentence}
	case p.growing():
		c.Sentence = analysis.Say("master.cooling.growing")
		*c = Cooling{N: c.N, Sentence: c.Sentence}
	case c.U > rules.Widest && c.Remaining <= rules.Remaining:
		c.Ready = false
		c.Sentence = analysis.Say("master.cooling.unsure")
	case c.U > rules.Widest:
		c.Ready = false
		c.Sentence = analysis.Say("master.cooling.shrinking", analysis.Fine(-c.Rate), c.Wait)
	case c.Ready:
		c.Usable = true
		c.Sentence = analysis.Say("master.cooling.settled", analysis.Fine(c.Remaining), analysis.Fine(c.Most))
	case c.Remaining <= rules.Remaining:
		c.Usable = true // only the time between the readings, or their agreement, is missing
		c.Sentence = analysis.Say("master.cooling.nearly", rules.Apart)
	default:
		c.Usable = true
		c.Sentence = analysis.Say("master.cooling.wait", c.Wait, analysis.Fine(c.Remaining))
	}
}

// poor reports a scatter that the gauge would show once in a thousand times. It must also be half as
// large again as the gauge's repeatability, which itself is known from few readings only.
func (p *profile) poor(rules *CoolingRules) bool {
	s := analysis.Length(rules.Repeat).Micrometres()
	return p.best.rss/(s*s) > max(distuv.ChiSquared{K: p.dof}.Quantile(0.999), 1.5*1.5*p.dof)
}

// growing reports whether the amplitude is certainly negative (by three standard deviations) at the
// best time constant.
func (p *profile) growing() bool {
	return p.best.amp < -3*math.Sqrt(p.best.vAmp*p.sigma2)
}

// settled reports whether the last reading agrees with the latest reading at least Apart before it.
func settled(points []WarmReading, rules *CoolingRules) bool {
	last := points[len(points)-1]
	for i := len(points) - 2; i >= 0; i-- {
		if last.At-points[i].At >= rules.Apart {
			return (last.Size - points[i].Size).Abs() <= analysis.Length(rules.Agree)
		}
	}
	return false
}
