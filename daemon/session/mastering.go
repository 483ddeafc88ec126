package session

import (
	"fmt"
	"math"
	"slices"

	"fairbore/analysis"
	"fairbore/drivers"
)

// ringReach is how far a ring may lie from the job's target without the tool
// asking whether it is the right one (common practice: a master near the size
// keeps the gauge's own scale error out).
const ringReach = analysis.Length(100 * analysis.Micrometre)

// gaugeTravel is how far a gauge that shows sizes can be from a ring's size
// before any mastering; beyond it the ring is another one, or the unit wrong.
const gaugeTravel = analysis.Length(500 * analysis.Micrometre)

func (s *Session) beginMastering(a Action) error {
	f := &s.fold
	id := a.Ring
	if id == "" && f.Job != nil {
		id = f.Job.Ring
	}
	ring, ok := s.set.Rings[id]
	switch {
	case id == "":
		return fmt.Errorf("name the ring to master on; there are %s", sortedKeys(s.set.Rings))
	case !ok:
		return fmt.Errorf("ring %q is not in the configuration; there are %s", id, sortedKeys(s.set.Rings))
	case !ring.Due.IsZero() && s.now.Wall.After(ring.Due) && !a.Confirm:
		return ask("ring %s was due for calibration on %s; master on it all the same?", id, ring.Due.Format("2006-01-02"))
	case f.Job != nil && f.Job.Ring != id && !a.Confirm:
		return ask("job %s is mastered on ring %s; master on %s all the same?", f.Job.ID, f.Job.Ring, id)
	case f.Job != nil && (ring.Size-f.Job.Target).Abs() > ringReach && !a.Confirm:
		return ask("ring %s is %s from the target; master on it all the same?", id, (ring.Size - f.Job.Target).Abs())
	case a.Of < 0 || a.Of > 50:
		return fmt.Errorf("%d ring readings: want 1 to 50, or 0 for the usual %d", a.Of, s.set.Master.Readings)
	}
	of := a.Of
	if of == 0 {
		of = max(1, s.set.Master.Readings)
	}
	s.capture.reset()
	s.emit(Event{Kind: Mastering, Master: &Master{Ring: *ring, Gauge: s.set.Gauge.Name, Of: of}})
	return nil
}

// ringReading takes a captured value as one of the ring's; the last one sets
// the zero if they agree.
func (s *Session) ringReading(smp *drivers.Sample, sent Sent, raw analysis.Length) {
	f := &s.fold
	run := f.Running
	if !s.set.Gauge.Deviation && (raw-run.Ring.Size).Abs() > gaugeTravel {
		s.refuse(smp, sent, 0, fmt.Sprintf("%s is far from ring %s, %s: wrong ring, wrong unit, or the gauge is not set", number(sent), run.Ring.ID, run.Ring.Size))
		return
	}
	s.emit(Event{Kind: RingRead, Ring: &RingReading{
		Ring: run.Ring.ID, No: len(run.Raw) + 1, Of: run.Of, Raw: raw, Sent: sent, Gauge: s.set.Gauge.Name,
	}})
	if len(f.Running.Raw) < f.Running.Of {
		return
	}
	m := settle(f.Running)
	if m.Spread > s.set.Master.Spread && s.set.Master.Spread > 0 {
		again := *f.Running
		again.Raw = nil
		again.Why = fmt.Sprintf("the %d ring readings differ by %s µm, more than %s: wipe ring and tips, and read it again",
			m.Of, analysis.Length(m.Spread).Format(analysis.UM, 2), analysis.Length(s.set.Master.Spread).Format(analysis.UM, 2))
		s.emit(Event{Kind: Mastering, Master: &again})
		return
	}
	m.Number = 1
	if f.Master != nil {
		m.Number = f.Master.Number + 1
		m.Moved = m.Zero - f.Master.Zero
	}
	s.emit(Event{Kind: Mastered, Master: &m})
}

// settle works a mastering out of its ring readings: the zero is the certified
// size less the mean of what the gauge showed, to the nearest 0.1 nm.
func settle(run *Master) Master {
	m := *run
	m.Why = ""
	n := analysis.Length(len(m.Raw))
	var sum analysis.Length
	for _, r := range m.Raw {
		sum += r - m.Raw[0] // small numbers, so the sum can't overflow
	}
	mean := m.Raw[0] + roundDiv(sum, n)
	m.Zero = analysis.Deviation(m.Ring.Size - mean)
	m.Spread = analysis.Deviation(slices.Max(m.Raw) - slices.Min(m.Raw))
	if n > 1 {
		var ss float64
		for _, r := range m.Raw {
			d := (r - m.Raw[0]).Micrometres() - sum.Micrometres()/float64(n)
			ss += d * d
		}
		if sd, err := analysis.FromMicrometres(math.Sqrt(ss / float64(n-1))); err == nil {
			m.SD = analysis.Deviation(sd)
		}
	}
	return m
}

// roundDiv divides, rounding half away from zero.
func roundDiv(a, n analysis.Length) analysis.Length {
	if a < 0 {
		return -roundDiv(-a, n)
	}
	return (a + n/2) / n
}
