package capture

// pace follows the rate of a stream, and tells when the times of its samples
// are no times of measurement: after a stall, samples come in a bunch.
type pace struct {
	last, period float64 // s
	before       float64 // the interval before the last one, s
	n            int
}

func (p *pace) begin() { p.last, p.before, p.n = 0, 0, 0 }

// tick notes a sample and reports whether the times are broken here.
func (p *pace) tick(t float64) bool {
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
	case p.n < 10 && p.period > 0.05 && dt < p.period/8: // none so slow comes in bunches else
		return true
	case p.n < 10: // learn fast
		p.period = max(p.period, dt/2)
		p.period += (dt - p.period) / float64(p.n)
		return false
	}
	// One value that was late, and the next close behind it: a busy computer or
	// adapter, not a stall. The fit takes one wrong time as it takes a wild value.
	late := before+dt > 1.2*p.period && before+dt < 2.8*p.period
	broken := dt > 4*p.period || dt < p.period/8 && !late
	if !broken {
		p.period += (dt - p.period) / 16
	}
	return broken
}
