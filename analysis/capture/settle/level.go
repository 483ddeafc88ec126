package settle

import "math"

// class says what a run is.
type class uint8

const (
	tooShort      class = iota // the run is too short to tell
	mayMove                    // the run may move faster than Options.Slope, or may have too far to go
	probablyLevel              // the run is level; it may have some way to go, which the uncertainty covers
	certainlyLevel
)

// The limits of a level: how much it may still have to go (root mean square), and its chance to
// move faster than Options.Slope. A long run had time to show that it rests, and so had a run that
// began after the gauge ought to have come to rest. So the limits of such runs are tighter. The
// limits were chosen on the simulator's visits, seed 9300, and on creeping ones, seed 1.
const (
	maxLeft         = 0.8  // µm
	maxChance       = 0.4  // chance that it moves
	maxLeftLate     = 0.7  // µm, of a long or a late run
	maxChanceLate   = 0.2  // chance that such a run moves
	maxLeftCoarse   = 4.0  // times the rest of the uncertainty; the limit if this is more, as with a coarse display
	certainLeft     = 0.6  // of the rest of the uncertainty, of a certain level: it adds a sixth to the uncertainty
	certainLeftLong = 0.2  // µm, of a certain level in a long run
	certainChance   = 0.05 // that a certain level moves
)

const (
	shortestMean  = 0.5  // s, shortest time over which a size is averaged
	sway          = 0.06 // µm, standard deviation of the slow sway of a hand that holds a gauge still (common practice: 0.2 to 0.5 µm peak to peak, too slow to average out in a second or two)
	restTimes     = 4.5  // time constants of the gauge from the edge of the bore to a level
	restTimesHalf = 3.8  // time constants in a run that is at rest in its later half
	coarseGrain   = 0.2  // µm
)

// level is what the latest samples show.
type level struct {
	class            class
	mean, u, scatter float64 // mean, its standard uncertainty, standard deviation of the samples, µm
	over             float64 // time over which the mean is taken, s
}

// assess classifies the latest samples.
func (f *Finder) assess() (l level) {
	if f.run.n < minSamples || f.run.span() < f.o.Settle {
		return l
	}
	k := f.run.enough(f.o.Settle, f.seen, f.o.Slope)
	f.trend = f.run.slope(k)
	l.mean, l.u, l.scatter, l.over = f.run.mean(f.meanTime(k), f.seen, f.grain)
	u := math.Hypot(math.Hypot(l.u, sway), f.grain)
	long := f.longEnough()
	late := !long && f.run.at(0).t-f.arrived > restTimes*f.longestTimeConstant()
	left, moves := f.weighModels(l.over, late)
	l.u = math.Hypot(u, left)
	most, chance := maxLeft, maxChance
	if long || late {
		most, chance = maxLeftLate, maxChanceLate
	}
	switch {
	case moves > chance || left > max(most, maxLeftCoarse*u):
		l.class = mayMove
	case moves < certainChance && (left < certainLeft*u || long && left < certainLeftLong):
		l.class = certainlyLevel
	default:
		l.class = probablyLevel
	}
	return l
}

// longEnough reports whether the run is as long as it need ever be.
func (f *Finder) longEnough() bool { return f.run.span() >= 0.9*Longest }

// width returns the largest difference of two samples of a run, µm.
func (f *Finder) width() float64 { return f.o.Range + 5*(f.seen-f.noise) }

// meanTime returns the time over which the mean is taken, s. This is the later half of the latest k
// samples. On a coarse display it is the later half of all samples, if the gauge was at rest in
// that half.
func (f *Finder) meanTime(k int) float64 {
	if f.coarse() && f.run.span() > restTimesHalf*f.longestTimeConstant() {
		k = f.run.n
	}
	return max(shortestMean, (f.run.latest().t-f.run.at(f.run.n-k).t)/2)
}

// longestTimeConstant returns the longest time constant that the gauge may have, s. Options.Settle
// ought to be 1.5 times as long. But if nobody stated it, it is 0.6 s, and contacts with a time
// constant of 0.5 s are common practice.
func (f *Finder) longestTimeConstant() float64 { return f.o.Settle / 1.2 }

// coarse reports whether the display's step is much larger than the noise. Then a short mean tells
// little of where in the step the size lies. The value first changes when it is near the edge of a
// step, and a short mean would put it in the middle.
func (f *Finder) coarse() bool { return f.grain > coarseGrain }
