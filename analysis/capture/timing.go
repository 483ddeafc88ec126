package capture

// timing follows the rate of a stream, and tells when the times of its samples
// are no times of measurement: after a stall, samples come in a bunch.
type timing struct {
	last, period float64 // s
	before       float64 // the interval before the last one, s
	n            int     // samples
}

const (
	learned    = 10   // samples until the period is known
	slowStream = 0.05 // s, period of a stream that never comes in bunches but after a stall
)

// broken notes a sample at t (s) and reports whether its time and those before are not of one stream.
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
	case p.n < learned && p.period > slowStream && dt < p.period/8:
		return true
	case p.n < learned:
		p.period = max(p.period, dt/2)
		p.period += (dt - p.period) / float64(p.n)
		return false
	}
	// One value that was late, and the next close behind it: a busy computer or
	// adapter, not a stall. The fit treats one wrong time as it treats a wild value.
	oneLate := before+dt > 1.2*p.period && before+dt < 2.8*p.period
	stalled := dt > 4*p.period || dt < p.period/8 && !oneLate
	if !stalled {
		p.period += (dt - p.period) / 16
	}
	return stalled
}
