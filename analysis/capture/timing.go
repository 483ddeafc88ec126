package capture

// timing follows the rate of a stream. It notices where the times of arrival say nothing about the
// times of measurement: after a stall, samples arrive in a bunch.
type timing struct {
	last, period float64 // s
	before       float64 // the interval that ended at the last sample, s
	n            int     // number of samples
}

const (
	learnSamples = 10   // samples after which the period is known
	slowPeriod   = 0.05 // s; a stream with a longer period sends bunches only after a stall
)

// broken notes a sample at the time t (s). It reports whether the stream stalled or bunched at t.
// Then the times before t and the times after t do not belong together.
func (p *timing) broken(t float64) bool {
	dt := t - p.last
	before := p.before
	p.last, p.before = t, dt
	p.n++
	switch {
	case p.n == 1:
		return false
	case p.n == 2 || p.period <= 0:
		p.period = dt
		return false
	case p.n < learnSamples && p.period > slowPeriod && dt < p.period/8:
		return true
	case p.n < learnSamples:
		p.period = max(p.period, dt/2)
		p.period += (dt - p.period) / float64(p.n)
		return false
	}
	// One value arrived late and the next one soon after it: that is a busy computer or adapter, not a
	// stall. The fit treats one wrong time like a wild value.
	oneLate := before+dt > 1.2*p.period && before+dt < 2.8*p.period
	stalled := dt > 4*p.period || dt < p.period/8 && !oneLate
	if !stalled {
		p.period += (dt - p.period) / 16
	}
	return stalled
}
