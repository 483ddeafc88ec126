package capture

// pace follows the rate of a stream, and tells when the times of its samples
// are no times of measurement: after a stall, samples come in a bunch.
type pace struct {
	last, period float64 // s
	n            int
}

func (p *pace) begin() { p.last, p.n = 0, 0 }

// tick notes a sample and reports whether the times are broken here.
func (p *pace) tick(t float64) bool {
	dt := t - p.last
	p.last = t
	p.n++
	switch {
	case p.n == 1:
		return false
	case p.n == 2 || p.period <= 0:
		p.period = dt
		return false
	case p.n < 10: // learn fast
		p.period = max(p.period, dt/2)
		p.period += (dt - p.period) / float64(p.n)
		return false
	}
	broken := dt > 4*p.period || dt < p.period/8
	if !broken {
		p.period += (dt - p.period) / 16
	}
	return broken
}
