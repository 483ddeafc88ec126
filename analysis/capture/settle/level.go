package settle

import "math"

// class is what a run is.
type class uint8

const (
	unknown class = iota // the run is too short to tell
	moving               // it may move faster than Options.Slope, or may have too far to go
	likely               // level, but it may have some way to go, which the uncertainty covers
	certain
)

// The most that may be left of the way of a level (root mean square), and the highest chance that it moves faster
// than Options.Slope. A long run, and one that began when the gauge ought to have been home, has had its time
// to show that it rests, so that less is allowed. (Chosen on the simulator's visits, seed 9300, and on creeping
// ones, seed 1.)
const (
	mostLeft        = 0.8  // µm
	mostChance      = 0.4  // that it moves
	mostLeftLate    = 0.7  // µm, of a long or a late run
	mostChanceLate  = 0.2  // that such a run moves
	mostLeftCoarse  = 4.0  // times the rest of the uncertainty, if that is more, as with a coarse display
	certainLeft     = 0.6  // of the rest of the uncertainty, of a certain level: it adds a sixth to it
	certainLeftLong = 0.2  // µm, of a certain level of a long run
	certainChance   = 0.05 // that a certain level moves
)

const (
	shortestMean  = 0.5  // s, that a size is the mean over
	sway          = 0.06 // µm, standard deviation of the slow sway of a hand that holds a gauge still (common practice: 0.2 to 0.5 µm from end to end, slower than a second or two can average)
	homeTimes     = 4.5  // the gauge's time constants from the edge of the bore to a level
	homeTimesHalf = 3.8  // the same: a run as long is at home in its later half
	coarseGrain   = 0.2  // µm
)

// level is what the latest samples tell.
type level struct {
	class            class
	mean, u, scatter float64 // mean, its standard uncertainty, standard deviation of the samples, µm
	over             float64 // time of the mean, s
}

// assess tells what the latest samples are.
func (f *Finder) assess() (l level) {
	if f.run.n < fewestSamples || f.run.span() < f.o.Settle {
		return l
	}
	k := f.run.enough(f.o.Settle, f.seen, f.o.Slope)
	f.trend = f.run.slope(k)
	l.mean, l.u, l.scatter, l.over = f.run.mean(f.meanTime(k), f.seen, f.grain)
	u := math.Hypot(math.Hypot(l.u, sway), f.grain)
	long := f.long()
	late := !long && f.run.at(0).t-f.arrived > homeTimes*f.home()
	left, moves := f.prospect(l.over, late)
	l.u = math.Hypot(u, left)
	most, chance := mostLeft, mostChance
	if long || late {
		most, chance = mostLeftLate, mostChanceLate
	}
	switch {
	case moves > chance || left > max(most, mostLeftCoarse*u):
		l.class = moving
	case moves < certainChance && (left < certainLeft*u || long && left < certainLeftLong):
		l.class = certain
	default:
		l.class = likely
	}
	return l
}

// long reports whether the run is as long as it need ever be.
func (f *Finder) long() bool { return f.run.span() >= 0.9*Longest }

// width is the most between the largest and the smallest sample of a run, µm.
func (f *Finder) width() float64 { return f.o.Range + 5*(f.seen-f.noise) }

// meanTime is the time of which the mean is taken, s: the later half of that of the latest k samples, or of
// all on a coarse display if that half was at home.
func (f *Finder) meanTime(k int) float64 {
	if f.coarse() && f.run.span() > homeTimesHalf*f.home() {
		k = f.run.n
	}
	return max(shortestMean, (f.run.latest().t-f.run.at(f.run.n-k).t)/2)
}

// home is the longest time constant that the gauge may have, s. Options.Settle ought to be half as long again, but
// it is 0.6 s where nobody stated it, and contacts of 0.5 s are common practice.
func (f *Finder) home() float64 { return f.o.Settle / 1.2 }

// coarse reports whether the display's step is so much larger than the noise that a short mean tells
// little of where the size lies in it. The value changes first when it is near the edge of a step, and a short mean
// would put it in the middle.
func (f *Finder) coarse() bool { return f.grain > coarseGrain }
