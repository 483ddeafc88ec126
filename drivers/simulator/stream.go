package simulator

import (
	"math"
	"math/rand/v2"
	"time"

	"fairbore/analysis"
)

// Point is one value as the gauge sends it.
type Point struct {
	T     time.Duration   // time of arrival
	Value analysis.Length // the value as shown, 0.1 nm
	Text  string          // text that is sent instead of the number, if any
}

// Fault is something that goes wrong with the stream once in a visit.
type Fault uint8

// The faults. Spikes, drops and repeats are separate, see [Stream].
const (
	NoFault    Fault = iota
	StuckValue       // one value repeats from some time on
	Burst            // no values for a while, then all of them at once
	UnitSwitch       // the display is switched between mm and inch without saying so
	Sign             // the counting direction is reversed
	ErrorText        // text instead of the number for a while
	Frozen           // one value repeats for a while
)

var faults = [...]string{"none", "stuck", "burst after stall", "unit switch", "sign reversal", "error text", "frozen"}

// String names the fault.
func (f Fault) String() string { return faults[f] }

// Faults lists the faults.
func Faults() []Fault { return []Fault{StuckValue, Burst, UnitSwitch, Sign, ErrorText, Frozen} }

// Stream describes how values get from the gauge to the reader. Each chance is that of one value.
type Stream struct {
	Jitter  float64 // relative half width of the time between values
	Delay   float64 // mean transmission time of a value, s (exponential)
	Spikes  float64 // chance of a wild value
	Spike   float64 // size of a wild value, µm
	Drops   float64 // chance that a value is lost
	Repeats float64 // chance that the last value is sent again instead
	Holds   float64 // chance that the line holds values back for 50 to 200 ms and then delivers them together
	Tick    float64 // s, step of the times of arrival, as an adapter that is polled makes it; 0: none
	Fault   Fault
	// FaultAt is when the fault starts, as a share of the time in the bore. Lasts is its duration, s.
	FaultAt, Lasts float64
}

// shown is what a perfect display would show in a visit.
type shown struct {
	gauge   *GaugeModel
	size    analysis.Length         // true size at the place
	at      func(t float64) float64 // µm above size
	noisy   func(t float64) bool    // whether the gauge's noise is visible
	in, out float64                 // times of entering and leaving the bore, s
	end     func() float64          // when the visit is over, s
}

// values samples the motion at the rate of the gauge, and sends the samples.
func (s *Stream) values(m *motion, rng *rand.Rand) []Point {
	var out []Point
	s.send(&shown{
		gauge: &m.p.Gauge, size: m.p.Size, at: m.at, in: m.in, out: m.out,
		noisy: func(t float64) bool { return t >= m.insert && t < m.free }, // in free air the plunger rests at its stop, without noise
		end:   func() float64 { return m.free + 1.5 },
	}, rng, func(p Point) { out = append(out, p) })
	return out
}

// send passes on what the display shows, value by value. The receiver may end the visit.
func (s *Stream) send(m *shown, rng *rand.Rand, to func(Point)) {
	g := m.gauge
	var last analysis.Length
	var before time.Duration
	begin := m.in + s.FaultAt*(m.out-m.in)
	end := begin + s.Lasts
	phase, held := 0.0, 0.0
	if s.Tick > 0 {
		phase = between(rng, 0, s.Tick)
	}
	for t := between(rng, 0, 1/g.Rate); t < m.end(); t += (1 + s.Jitter*between(rng, -1, 1)) / g.Rate {
		um := m.at(t)
		if m.noisy(t) {
			um += g.Noise * rng.NormFloat64()
		}
		if rng.Float64() < s.Spikes {
			um += s.Spike * float64(pick(rng, -1, 1))
		}
		v := g.Show(m.size + length(um))
		if rng.Float64() < s.Repeats && last != 0 {
			v = last
		}
		lost := rng.Float64() < s.Drops
		arrives := t
		if s.Delay > 0 {
			arrives += s.Delay * rng.ExpFloat64()
		}
		if s.Holds > 0 && rng.Float64() < s.Holds {
			held = arrives + between(rng, 0.05, 0.2)
		}
		arrives = max(arrives, held)
		if s.Tick > 0 {
			arrives = phase + s.Tick*math.Ceil((arrives-phase)/s.Tick)
		}
		p := Point{T: seconds(arrives), Value: v}
		if t >= begin {
			p = s.fail(p, last, t < end, end)
		}
		if stands := s.Fault == StuckValue || s.Fault == Frozen && t < end; !stands || t < begin {
			last = v
		}
		p.T = max(p.T, before) // a line delivers the values in order
		if !lost {
			before = p.T
			to(p)
		}
	}
}

// fail returns the value as the fault changes it.
func (s *Stream) fail(p Point, last analysis.Length, during bool, end float64) Point {
	switch s.Fault {
	case StuckValue:
		p.Value = last
	case Burst:
		if during {
			p.T = seconds(end)
		}
	case UnitSwitch:
		p.Value = analysis.Length(math.Round(float64(p.Value) / 25.4))
	case Sign:
		p.Value = -p.Value
	case Frozen:
		if during {
			p.Value = last
		}
	case ErrorText:
		if during {
			p.Text = "Error"
		}
	}
	return p
}

// Format appends a value to out as a signed decimal line with its unit, such as "+22.2275 mm\r\n".
// The value is rounded to the decimal places of the gauge.
func (g *GaugeModel) Format(out []byte, p Point) []byte {
	text := p.Text
	if text == "" {
		sign := "+"
		if p.Value < 0 {
			sign = "-"
		}
		text = sign + p.Value.Abs().Format(g.Unit, g.Places) + " " + g.Unit.String()
	}
	return append(append(out, text...), "\r\n"...)
}
