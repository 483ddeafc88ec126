package capture

import (
	"math"
	"time"

	"fairbore/analysis"
)

// MostSettle is the most that Settle may be: what has been level for as long is looked at for long enough.
const MostSettle = 3 * time.Second

const (
	windowCap   = 512 // samples kept, which bounds the memory: MostSettle at 170 values/s
	levelFewest = 4   // samples of a level, however slow the stream
	looked      = 5.0 // s that are looked at, at most
	tells       = 32  // samples that tell the noise
	noisiest    = 5   // times the noise that is known, at most: what scatters more is no gauge at rest
	meanOver    = 500 * time.Millisecond
	// wobble is how long what else moves the value stays alike, so that samples
	// closer than this say little new about the level (an assumption).
	wobble = 150 * time.Millisecond
)

// settled takes the mean of a plateau. It keeps the longest run of latest
// samples that stays within Range. When that has lasted for Settle, it is asked what
// it may be ([window.prospect]): at rest, coming home, creeping or swinging. What goes one way by more than
// Slope, or may have too far to go, is not level. What is left of the way is a part of U.
//
// The longer a run, the less is left in doubt: a slope is known to noise·√(12/n)/T. What is known to
// be level is taken at once. A hand that sways, a noisy gauge or a slow stream may leave a doubt for long, though
// the gauge has come home. Such a level is kept, and taken with the U that it has when the gauge is drawn
// out (see [Still]), unless it crept or settled elsewhere meanwhile.
//
// A stream that has stuck is level too, wherever it stuck. So a level is taken
// only at a value that differs from the one before it: a sign that the gauge
// lives. A display that is coarser than the gauge's noise may show none for as
// long as the gauge rests, and then nothing tells a good level from a stuck one
// while it lasts: it is kept too, and taken if the value is seen on its way out.
type settled struct {
	gate
	held    window    // the run within Range, oldest first
	spike   [2]sample // the last two samples, the newest not yet judged
	have    int
	clock   pace
	began   time.Duration
	done    bool
	level   float64         // µm from nominal, of the reading
	away    int             // samples in a row off it
	peak    float64         // how far they have been off, µm
	trend   float64         // slope of the last judged run, µm/s
	seen    int             // samples of the visit
	kept    Result          // a level that waits to be sure of; no Kind: none
	lived   bool            // it ended with a sign of life
	beyond  analysis.Length // the first sample beyond the band
	run     int             // how often the latest value came, one after the other
	most    int             // how often it may
	hanging bool            // it came too often, and nothing was level since
	stood   float64         // since when it stands, s
	ahead   float64         // how far it had still to go when it came to stand, µm
	leap    float64         // by which the value has just left where it stood, µm
	leapt   float64         // how far off the level that brought it, of the sample before, µm
	fine    float64         // when the run was last level, s
	came    float64         // when the gauge came to the place, s
	noise   float64         // of a sample, known or as seen, µm
	met     float64         // when the value was last near the level that is kept, s
}

// sample is a Sample for computing: s since the visit began, µm from nominal.
type sample struct{ t, v float64 }

func newSettled(o Options) *settled {
	return &settled{gate: newGate(o), most: o.repeats(), noise: o.noise()}
}

func (c *settled) Reset() {
	air := c.air
	*c = *newSettled(c.o)
	c.air = air
}

func (c *settled) Progress() Progress {
	p := Progress{In: c.in, Done: c.done}
	if c.in && !c.done {
		p.Hint = c.why()
	}
	return p
}

func (c *settled) Feed(s Sample) []Result {
	c.n = 0
	if c.broken(s.At) {
		c.interrupt(s.At)
	}
	switch c.pass(s) {
	case enters:
		c.begin(s.At)
		c.say(Result{Kind: Entered, At: s.At})
		c.add(s)
	case stays:
		c.add(s)
	case doubt:
		c.beyond = s.Value
	case leaves:
		c.drawn(s)
		c.say(Result{Kind: Left, At: s.At})
	}
	return c.res[:c.n]
}

// drawn takes the level that was kept as the gauge is drawn out, or says why there is none.
func (c *settled) drawn(s Sample) {
	if c.kept.Kind == Taken && !c.lived && !c.seenLeaving(s) {
		c.kept, c.hanging = Result{}, true
	}
	c.release(s.At)
	why := c.why()
	if c.hanging {
		why = Stuck
	}
	c.end(s.At, why)
}

// interrupt gives up the visit when the stream broke; if the gauge is still in
// the bore, the next sample begins another.
func (c *settled) interrupt(at time.Duration) {
	if !c.in {
		return
	}
	c.in, c.out = false, 0
	c.end(at, Silent)
	c.say(Result{Kind: Left, At: at})
}

func (c *settled) begin(at time.Duration) {
	c.held.forget()
	c.clock.begin()
	c.have, c.seen, c.away, c.peak = 0, 0, 0, 0
	c.done, c.trend, c.began, c.kept = false, 0, at, Result{}
	c.run, c.hanging, c.came, c.fine, c.noise = 0, false, 0, 0, c.o.noise()
}

// end says why there was no reading, if there was none. A visit of one sample
// is noise at the edge of the band, and nobody wants to hear of it.
func (c *settled) end(at time.Duration, why Reason) {
	if !c.done && c.seen > 1 {
		c.say(Result{Kind: Refused, At: at, Reason: why})
	}
}

func (c *settled) why() Reason {
	limit := analysis.Length(c.o.Slope).Micrometres()
	switch {
	case c.stuck():
		return Stuck
	case c.kept.Kind == Taken:
		return Still
	case c.held.span() < c.o.Settle.Seconds() && c.trend == 0:
		return Soon
	case c.trend < -limit/2: // a level that goes less far is taken
		return Shrinking
	case c.trend > limit/2:
		return Growing
	}
	return Unsteady
}

// add passes samples on one late, so that a single wild one can be told by both
// its neighbours.
func (c *settled) add(s Sample) {
	c.seen++
	x := sample{(s.At - c.began).Seconds(), (s.Value - c.o.Nominal).Micrometres()}
	if c.clock.tick(x.t) {
		c.anew(x.t)
		c.have, c.kept = 0, Result{}
	}
	if c.have < 2 {
		c.spike[c.have] = x
		c.have++
		if c.have == 1 {
			return
		}
		c.judge(c.spike[0], s.At)
		return
	}
	switch mid := c.spike[1]; {
	case !wild(c.spike[0].v, mid.v, x.v, c.noise):
		c.spike[0] = mid
		c.judge(mid, s.At)
	case x.t-c.spike[0].t > shortestMove:
		c.release(s.At)
		c.anew(x.t)
	}
	c.spike[1] = x
}

// anew forgets the run: what comes may be of another place.
func (c *settled) anew(at float64) {
	c.held.clear()
	c.came = at
}

// shortestMove is the least time in which the gauge is drawn along to another place, s
// (common practice). In a stream so slow, one sample off may have been that.
const shortestMove = 0.6

// wild reports whether b sticks out from both its neighbours by more than
// noise, and they agree far better with one another.
func wild(a, b, c, noise float64) bool {
	da, dc := b-a, b-c
	limit := max(3, 8*noise)
	return da*dc > 0 && min(math.Abs(da), math.Abs(dc)) > limit && math.Abs(a-c) < min(math.Abs(da), math.Abs(dc))/3
}

func (c *settled) judge(x sample, at time.Duration) {
	changed := c.follow(x)
	c.held.push(x, c.width(), looked)
	c.noise = c.held.noise(c.o.noise())
	switch {
	case c.done:
		c.rearm(x, at)
		return
	case c.stuck():
		c.kept, c.hanging = Result{}, true
		return
	case c.kept.Kind == Taken:
		c.depart(x, at)
	}
	if !c.done {
		c.settle(x, changed, at)
	}
}

// settle keeps the level that the latest samples may be, and takes it at once if it is
// beyond doubt, at a sign of life.
func (c *settled) settle(x sample, changed bool, at time.Duration) {
	l := c.look()
	switch l.level {
	case unsettled:
		return
	case moves:
		if x.t-c.fine > leaving { // longer than it takes to be drawn out: what was kept crept
			c.kept = Result{}
		}
		return
	}
	c.fine, c.hanging = x.t, false
	alive := changed && c.held.changes(meanOver.Seconds()) > 1
	// A mean of one value alone would only move on in time, perhaps to when the gauge has
	// left a stream that hangs.
	fresh := c.kept.Kind != Taken || math.Abs(x.v-c.level) > c.o.step()/10
	switch {
	case alive || fresh && c.landed(x.t):
		c.keep(l)
		c.lived = alive
	case !fresh: // but the longer it stands, the less can be left of the way
		c.kept.U = min(c.kept.U, deviation(l.u))
	}
	if alive && l.level == sure && (!c.grainy() || c.long()) {
		c.release(at)
	}
}

// follow notes how long the value has stood still, and whether it changed.
func (c *settled) follow(x sample) bool {
	if c.held.n > 0 && x.v == c.held.latest() {
		if c.run++; c.run == 2 {
			c.ahead = c.held.ahead(c.o.Settle.Seconds(), c.o.step())
		}
		return false
	}
	c.leap = 0
	if c.held.n > 0 && c.run >= levelFewest {
		c.leap = math.Abs(x.v - c.held.latest())
	}
	if c.stuck() { // and lives again
		c.anew(x.t)
	}
	c.run, c.stood = 1, x.t
	return true
}

// stuck reports whether the value has stood still for longer than the gauge's
// scatter allows.
func (c *settled) stuck() bool { return c.run >= c.most }

// How the value may have come to where it stands still, for that to be a level: ever
// slower, as a contact comes home, so that next to nothing was left of the way, while a
// stream hangs amid it; or else it stands for longer than displays hang (an assumption).
const (
	coarse = 20  // repeats: a display that often shows one value for that long
	gentle = 1.5 // steps of the display
	hangs  = 2.0 // s
)

func (c *settled) landed(now float64) bool {
	return c.run > 1 && c.most > coarse && (c.ahead <= gentle*c.o.step() || now-c.stood >= hangs)
}

// plateau is how level samples are.
type plateau uint8

const (
	unsettled plateau = iota // the run is too short to tell
	moves                    // it moves by more than the limit, or may have too far to go
	likely                   // level, but it may still have some way to go, which U covers
	sure
)

// What may be left of the way, root mean square, and how likely a level may move by more than the limit. What has
// been looked at for long, or moved when it ought to have been home, has had its time to show that it
// rests. (Chosen on the simulator's visits, seed 9300, and on creeping ones, seed 1.)
const (
	farShort, movesShort = 0.8, 0.4 // µm, chance
	farLong, movesLong   = 0.7, 0.2
	unsure               = 4.0  // times the rest of U that may be left, if it is more, as with a coarse display
	adds                 = 0.6  // part of the rest of U that may be left of what is sure: it adds a sixth to U
	fairLeft             = 0.2  // µm that may be left of what is sure and was looked at for long
	scarcely             = 0.05 // chance that what is sure moves
	longHome             = 3.8  // of the gauge's time constants: the later half of such a run is at home
)

// look is what the latest samples tell.
type look struct {
	level            plateau
	mean, u, scatter float64 // µm: mean, its standard uncertainty, standard deviation of the samples
	over             float64 // s, the time of the mean
}

// look judges the latest samples.
func (c *settled) look() (l look) {
	settle := c.o.Settle.Seconds()
	if c.held.n < levelFewest || c.held.span() < settle {
		return l
	}
	limit, grain := analysis.Length(c.o.Slope).Micrometres(), c.o.grain()
	k := c.held.enough(settle, c.noise, limit)
	c.trend, _ = c.held.slope(k, c.noise)
	var u float64
	l.mean, u, l.scatter, l.over = c.held.mean(c.over(k), c.noise, grain)
	u = math.Hypot(math.Hypot(u, sway), grain)
	long := c.long()
	late := !long && c.held.at(0).t-c.came > homeward*c.home()
	p := c.held.prospect(circumstance{noise: c.noise, grain: grain, over: l.over, home: c.home(), width: c.width(), limit: limit,
		came: c.came, late: late})
	l.u = math.Hypot(u, p.rest)
	far, moving := farShort, movesShort
	if long || late {
		far, moving = farLong, movesLong
	}
	switch {
	case p.moving > moving || p.rest > max(far, unsure*u):
		l.level = moves
	case p.moving < scarcely && (p.rest < adds*u || long && p.rest < fairLeft):
		l.level = sure
	default:
		l.level = likely
	}
	return l
}

// long reports whether the run is as long as it need ever be.
func (c *settled) long() bool { return c.held.span() >= 0.9*MostSettle.Seconds() }

// width is the most between the largest and the smallest sample of a run, µm.
func (c *settled) width() float64 {
	return analysis.Length(c.o.Range).Micrometres() + 5*(c.noise-c.o.noise())
}

// over is the time of which the mean is taken, s: the later half of that of the latest k samples, or of
// all with a grainy display if that half was at home.
func (c *settled) over(k int) float64 {
	if c.grainy() && c.held.span() > longHome*c.home() {
		k = c.held.n
	}
	return max(meanOver.Seconds(), (c.held.at(c.held.n-1).t-c.held.at(c.held.n-k).t)/2)
}

// home is the longest time constant that the gauge may have, s. Settle ought to be half as long again, but
// it is 0.6 s where nobody stated it, and contacts of 0.5 s are common practice.
func (c *settled) home() float64 { return c.o.Settle.Seconds() / 1.2 }

// grainy reports whether the display's step is so much coarser than the noise that a short
// mean tells little of where the size lies in it. The first signs of life come when the
// value is near the edge of a step, and would put it in the middle.
func (c *settled) grainy() bool { return c.o.grain() > 0.2 }

// keep makes a look at a level the reading that waits.
func (c *settled) keep(l look) {
	v, err := analysis.FromMicrometres(l.mean)
	if err != nil {
		return
	}
	last := c.held.at(c.held.n - 1).t
	until := c.began + time.Duration(last*float64(time.Second))
	c.level, c.met, c.away, c.peak = l.mean, last, 0, 0
	c.kept = Result{Kind: Taken, Since: until - time.Duration(l.over*float64(time.Second)), Until: until,
		Value: c.o.Nominal + v, U: deviation(l.u), Quality: clamp01(1.5 - l.scatter/(2*c.noise))}
}

// release takes the level that was kept, if there is one.
func (c *settled) release(at time.Duration) {
	if c.kept.Kind != Taken {
		return
	}
	c.kept.At = at
	c.say(c.kept)
	c.kept, c.done = Result{}, true
}

func clamp01(x float64) float64 { return min(1, max(0, x)) }
