package master

import (
	"math"
	"time"

	"fairbore/analysis"
)

// RockedReading is a reading of a rocked gauge, with the speed at which it was rocked.
type RockedReading struct {
	Size   analysis.Length    // as captured
	U      analysis.Deviation // standard uncertainty from its samples
	Motion float64            // mean square speed at square of √(excess over the size), µm/s²
	analysis.Averaging
}

const (
	// minSpeedRatio is the smallest ratio of the mean square speeds of the fast and the slow
	// readings. A ratio of 2 is 1.4 times the speed.
	minSpeedRatio = 2
	// minDetectable is the shortest averaging time that the test must be able to detect: at
	// 1600 µm/s² it makes the size 0.2 µm too large.
	minDetectable = 40 * time.Millisecond
)

// CompareSpeeds compares the first slow readings with the others, all of one place. now is the stated
// smoothing, which the sizes are already corrected for. repeat is the standard deviation of one
// reading. The estimate is that of [Averaging], extended by the weighted slope of the sizes over the
// mean square speeds.
func CompareSpeeds(readings []RockedReading, slow int, now Smoothing, repeat analysis.Deviation) analysis.Speeds {
	s := analysis.Speeds{Slow: slow, Fast: len(readings) - slow}
	if s.Slow < 1 || s.Fast < 1 {
		s.Sentence = analysis.Say("master.speeds.both")
		return s
	}
	var sum analysis.Averaging
	var w, wm, ws float64
	mean := func(part []RockedReading) (motion, size float64) {
		for _, r := range part {
			motion += r.Motion / float64(len(part))
			size += (r.Size - readings[0].Size).Micrometres() / float64(len(part))
		}
		return motion, size
	}
	weight := func(r *RockedReading) float64 {
		a, b := analysis.Length(r.U).Micrometres(), analysis.Length(max(repeat, 1)).Micrometres()
		return 1 / (a*a + b*b)
	}
	size := func(r *RockedReading) float64 { // the size without any correction
		return (r.Size - readings[0].Size).Micrometres() + r.Motion*now.Square()
	}
	for i := range readings {
		r := &readings[i]
		sum.Add(r.Spread, r.Slope)
		w, wm, ws = w+weight(r), wm+weight(r)*r.Motion, ws+weight(r)*size(r)
	}
	var between analysis.Averaging
	for i := range readings {
		r := &readings[i]
		d := r.Motion - wm/w
		between.Spread += weight(r) * d * d
		between.Slope += weight(r) * d * (size(r) - ws/w)
	}
	s.Between.Add(between.Spread, between.Slope)
	sum.Add(between.Spread, between.Slope)
	slowMotion, slowSize := mean(readings[:slow])
	fastMotion, fastSize := mean(readings[slow:])
	s.SlowMotion, s.FastMotion = analysis.SixDigits(slowMotion), analysis.SixDigits(fastMotion)
	s.Larger = analysis.Deviation(math.Round((fastSize - slowSize) * float64(analysis.Micrometre)))
	judgeSpeeds(&s, sum, now)
	return s
}

func judgeSpeeds(s *analysis.Speeds, sum analysis.Averaging, now Smoothing) {
	q, u, ok := sum.Square()
	off := q - now.Square()
	limit := averagingTime(q + 2*u)
	switch {
	case !ok || s.FastMotion < minSpeedRatio*s.SlowMotion:
		s.Sentence = analysis.Say("master.speeds.alike")
		return
	case math.Abs(off) <= reportSigmas*u && averagingTime(max(off, 0)+2*u) > minDetectable:
		s.Sentence = analysis.Say("master.speeds.open", limit.Round(time.Millisecond))
		return
	}
	s.Told = true
	if q > reportSigmas*u {
		s.Averages = analysis.SixDigits(math.Sqrt(12 * q))
		s.AveragesU = analysis.SixDigits(6 * u / s.Averages) // d√(12 q) = 6/√(12 q) dq
	}
	larger := max(s.Larger, -s.Larger)
	s.Good = math.Abs(off) <= max(reportSigmas*u, Smoothing{Averages: minReported}.Square())
	switch {
	case s.Good && now.Square() > 0:
		s.Sentence = analysis.Say("master.speeds.good_with", now.String())
	case s.Good:
		s.Sentence = analysis.Say("master.speeds.good", limit.Round(time.Millisecond))
	case q <= reportSigmas*u && now.Square() == 0:
		s.Sentence = analysis.Say("master.speeds.unexplained", larger)
	case off < 0:
		s.Sentence = analysis.Say("master.speeds.too_much", larger, propose(q, now))
	default:
		s.Sentence = analysis.Say("master.speeds.large", larger, propose(q, now))
	}
}
