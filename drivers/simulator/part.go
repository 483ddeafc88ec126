package simulator

import (
	"math"
	"math/rand/v2"
	"time"
)

// Part draws a part of the job and the hand that hones it: where it starts, how
// freely its stone cuts, how far out of form it is and how evenly the hand works
// differ from the story's part as parts do (invented, as the jobs are).
func (j *Job) Part(rng *rand.Rand) (*Bore, Hand) {
	b := j.Bore()
	b.Start += units(3 * rng.NormFloat64())
	rate := math.Exp(0.15 * rng.NormFloat64())
	b.Fast, b.Slow = b.Fast*rate, b.Slow*rate
	form := math.Exp(0.25 * rng.NormFloat64())
	for i := range b.Profile {
		b.Profile[i].Off *= form
	}
	b.Oval *= form
	return b, Hand{Scatter: between(rng, 0.10, 0.20), Rest: between(rng, 0.35, 0.65), Dwell: between(rng, 1, 1.2)}
}

// Visit plays one visit of a careful operator to a size, at a moment of a
// session; Measure if it is of a bore, Master of a ring. What a press sends has
// the gauge's noise, as what it streams has.
func (j *Job) Visit(p Play, act Act, size int64, at time.Duration, rng *rand.Rand) Step {
	s, seen := j.player(p, size, at, rng)
	step := s.visit(Step{Act: act, Size: seen})
	step.Size = size
	return step
}

// Gauging plays a visit as [Job.Visit] does, beginning at 0, and hands over what
// the gauge sends as it comes; each reports whether there was a tone meanwhile. Hands of
// [Play] rock until then.
func (j *Job) Gauging(p Play, act Act, size int64, rng *rand.Rand, each func(Chunk) (tone bool)) {
	s, seen := j.player(p, size, 0, rng)
	if st := (Step{Act: act, Size: seen}); s.rocks() {
		const most = 12 // passes, of a hand that hears no tone
		s.rock(st, seen+p.Zero, most, each)
	} else {
		for _, c := range s.visit(st).Chunks {
			each(c)
		}
	}
}

// player returns who plays a visit, and the size as a press of the button shows it.
func (j *Job) player(p Play, size int64, at time.Duration, rng *rand.Rand) (s player, seen int64) {
	s = player{job: j, play: p, rng: rng, gauge: j.Gauge, now: at}
	if p.Gauge != nil {
		s.gauge = *p.Gauge
	}
	seen = size
	if p.Button || s.gauge.Rate == 0 {
		seen += units(s.gauge.Noise * rng.NormFloat64())
	}
	return s, seen
}
