package session

import (
	"cmp"
	"math"

	"fairbore/analysis"
	"fairbore/analysis/advise"
	"fairbore/analysis/capture"
	"fairbore/analysis/material"
	"fairbore/daemon/event"
	"fairbore/daemon/state"
)

// expectation holds the position of the depth and angle instruments at the moment when the capture
// was last told what size to expect.
type expectation struct {
	stale       bool // something has happened since then
	section     int  // index of the section within reach of the depth channel, -1: none
	orientation int  // index of the orientation nearest to the angle channel

	material string // the material that alpha belongs to; looked up once
	alpha    float64
}

// Standard deviations in µm by which the sizes of one part differ before they are gauged (common
// practice). For a drawing with a tolerance above fineTolerance they grow in proportion. An
// ordinary taper, bell mouth or oval is not unexpected.
const (
	fineTolerance = 10.0
	formTaper     = 2.0 // from the middle to an end
	formBell      = 2.0 // of both ends against the middle
	formOval      = 1.5 // amplitude
	formLocal     = 1.0
	// Honing takes off more at one place than at another. The first two are the least standard
	// deviations of that, in µm; the third is the share of the removal when nothing is known of the
	// honing.
	removalForm    = 0.5
	removalLocal   = 0.7
	removalUnknown = 0.4
	// removalSeen is the number of places gauged in both rounds from which on they alone tell the
	// removal.
	removalSeen = 3
	// removalLeast is the least upper bound of a removal of which nothing is known.
	removalLeast = 10.0
	// honedWarm is by how many K the temperature of a part may differ between two rounds.
	honedWarm = 3.0
	// leastU is the least standard uncertainty of an expected size in a bore.
	leastU = 1.0
	// zeroU is the standard uncertainty of what a ring will show before it was read.
	zeroU = 5.0
)

// expected returns the likely size at a place of the part in hand in a round, with its standard
// uncertainty. It uses the readings that count: those of the round, through the form they show so
// far, and those of the round before, plus what honing is likely to have removed since. It returns
// 0 and 0 where nothing is known.
func (s *Session) expected(p analysis.Place, round *event.Round) (analysis.Length, analysis.Deviation) {
	f := &s.fold
	if f.Job == nil || f.Part == nil || f.Master == nil || len(f.Readings) == 0 {
		return 0, 0
	}
	now, before := s.scratch.now, s.scratch.before
	clear(now)
	clear(before)
	f.CurrentInto(round.Number, now)
	one := analysis.Length(s.readingU()).Micrometres()
	if r := now[p]; r != nil {
		return r.Size, atLeastU(one)
	}
	last := round.Number
	for last > f.Readings[0].Round && len(before) == 0 {
		last--
		f.CurrentInto(last, before)
	}
	switch {
	case len(now) == 0 && len(before) == 0:
		return 0, 0
	case before[p] == nil && len(now) > 0:
		return s.formSoFar(round.Number, now, one).at(p)
	}
	var size analysis.Length // the size there in the round before
	u := one
	if r := before[p]; r != nil {
		size = r.Size
	} else {
		at, d := s.formSoFar(last, before, one).at(p)
		size, u = at, analysis.Length(d).Micrometres()
	}
	removed, v := s.removedAt(p, last, round, size, now, before, one)
	return size + micrometres(removed), atLeastU(math.Hypot(u, v))
}

// removedAt returns what honing is likely to have removed at a place since the round last, with its
// standard deviation, in µm. It uses the places gauged in both rounds; while those are few, what is
// known of the honing.
func (s *Session) removedAt(p analysis.Place, last int, round *event.Round, size analysis.Length, now, before map[analysis.Place]*event.Reading, one float64) (mean, u float64) {
	f, n, sum := &s.fold, 0, 0.0
	both := func(r *event.Reading) bool { return now[r.Place] == r && before[r.Place] != nil }
	for _, r := range f.During(round.Number) {
		if both(r) {
			n, sum = n+1, sum+(r.Size-before[r.Place].Size).Micrometres()
		}
	}
	mean, u, apart := s.likelyRemoval(last, round, size)
	if u = math.Hypot(u, s.thermalGrowth(honedWarm)); n >= removalSeen {
		mean, u = 0, 1e3 // the places alone tell
	}
	much := math.Abs(mean)
	if n > 0 {
		much = math.Abs(sum) / float64(n)
	}
	uneven := max(removalForm, apart*much)
	g := s.newTrend(mean, u, [4]float64{uneven, uneven, removalForm, removalForm}, math.Hypot(math.Hypot(removalLocal, apart/2*much), math.Sqrt2*one))
	for _, r := range f.During(round.Number) {
		if both(r) {
			g.add(r.Place, (r.Size - before[r.Place].Size).Micrometres())
		}
	}
	return g.predict(p)
}

// likelyRemoval returns what the honing between two rounds is likely to have removed, its standard
// deviation, both in µm, and the share of it by which places differ. It uses the strokes or seconds
// that were noted; without them, anything from nothing to more than the stock is possible.
func (s *Session) likelyRemoval(last int, round *event.Round, size analysis.Length) (mean, u, apart float64) {
	f := &s.fold
	all, noted := *round, round.Strokes > 0 || round.Seconds > 0
	for i := range f.Rounds {
		if r := &f.Rounds[i]; r.Number > last && r.Number < round.Number {
			all.Strokes, all.Seconds = all.Strokes+r.Strokes, all.Seconds+r.Seconds
			noted = noted && (r.Strokes > 0 || r.Seconds > 0)
		}
	}
	if noted {
		next := advise.Round{
			Number: all.Number, Strokes: all.Strokes, Seconds: all.Seconds, Dressed: all.Dressed, Light: all.Light, Short: all.Short, Ends: all.Ends,
		}
		if r, ok := advise.Removed(f.Job, state.AdviceRounds(f.Sums(last), len(f.Job.Plan())), next, f.Part.Rate, f.Repeat(&s.set.Gauge)); ok {
			mean, u = analysis.Length(r.Mean).Micrometres(), analysis.Length(r.U).Micrometres()
			return mean, u, r.Apart
		}
	}
	most := max(removalLeast, 1.5*(f.Job.High-size).Micrometres())
	return most / 2, most / 2, removalUnknown
}

// thermalGrowth returns by how much a temperature change alters the size of the part, in µm. It
// returns 0 if the temperature of the part is measured, since readings are then corrected for it.
func (s *Session) thermalGrowth(kelvin float64) float64 {
	f, x := &s.fold, &s.expect
	if f.Warm.Part != nil {
		return 0
	}
	if name := cmp.Or(f.Job.Material, "steel"); name != x.material {
		m, _ := material.Find(name) // a material that is not known adds nothing
		x.material, x.alpha = name, m.Alpha
	}
	return x.alpha * 1e-6 * kelvin * f.Job.Nominal.Micrometres()
}

// formSoFar returns the form of the bore as the readings of a round show it so far.
func (s *Session) formSoFar(round int, now map[analysis.Place]*event.Reading, one float64) *sizeTrend {
	f := &s.fold
	coarse := max(1, (f.Job.High-f.Job.Low).Micrometres()/fineTolerance)
	warm := s.thermalGrowth(s.set.Doubt.PartWithin.Degrees() / math.Sqrt(3))
	g := sizeTrend{trend: s.newTrend(0, 1e3, [4]float64{formTaper * coarse, formBell * coarse, formOval * coarse, formOval * coarse}, math.Hypot(math.Hypot(formLocal*coarse, one), warm))}
	for _, r := range f.During(round) {
		if now[r.Place] != r {
			continue
		}
		if g.from == 0 {
			g.from = r.Size
		}
		g.add(r.Place, (r.Size - g.from).Micrometres())
	}
	return &g
}

// sizeTrend is a trend of sizes.
type sizeTrend struct {
	trend
	from analysis.Length // the size that the trend counts from
}

func (g *sizeTrend) at(p analysis.Place) (analysis.Length, analysis.Deviation) {
	mean, u := g.predict(p)
	return g.from + micrometres(mean), atLeastU(u)
}

// atLeastU converts a standard uncertainty in µm, raised to leastU if it is smaller.
func atLeastU(µm float64) analysis.Deviation {
	return analysis.Deviation(micrometres(max(leastU, µm)))
}

func micrometres(v float64) analysis.Length {
	l, err := analysis.FromMicrometres(v)
	if err != nil {
		return 0
	}
	return l
}

// likelyShown returns what the gauge is likely to show next, with its standard uncertainty. It
// returns 0 and 0 where nothing is known.
func (s *Session) likelyShown() (analysis.Length, analysis.Deviation) {
	f := &s.fold
	if f.Running != nil {
		return s.likelyInRing()
	}
	if f.Job == nil || f.Verdict != nil || !f.Knocked.IsZero() || f.Gauging() {
		return 0, 0
	}
	round := f.LatestRound()
	p, err := s.place()
	switch {
	case err != nil:
		return 0, 0
	case p == nil || s.spindle.since > 0 && len(f.Current(round.Number)) > 0: // the next reading is of another round
		round = event.Round{Number: round.Number + 1, Seconds: s.spindle.seconds(), Dressed: f.Dressed}
		if p == nil || s.depth == nil {
			p = &f.Job.Plan()[0]
		}
	}
	size, u := s.expected(*p, &round)
	if u == 0 {
		return 0, 0
	}
	size -= analysis.Length(f.ContactCorrection(&s.set.Gauge))
	thermal, _, _ := f.ThermalAt(size, s.now.Wall)
	return f.Shown(size - analysis.Length(thermal)), u
}

// likelyInRing returns what the gauge is likely to show in the ring that is read: the mean of what
// it showed there; before the first reading, the certified size with the uncertainty of the zero.
func (s *Session) likelyInRing() (analysis.Length, analysis.Deviation) {
	f, g, run := &s.fold, &s.set.Gauge, s.fold.Running
	known := f.Master != nil && f.Master.Gauge == g.Name && f.Knocked.IsZero()
	switch {
	case len(run.Raw) > 0:
		var x []float64
		for _, raw := range run.Raw {
			x = append(x, (raw - run.Raw[0]).Micrometres())
		}
		mean, u := x[0], analysis.Length(s.readingU()).Micrometres()
		if len(x) > 1 {
			var sd float64
			mean, sd = meanAndSpread(x)
			u = max(u, sd)
		}
		if run.Speeds { // the size may depend on the speed, which is what is being tested
			u = max(u, leastU)
		}
		return run.Raw[0] + micrometres(mean), analysis.Deviation(micrometres(u))
	case known:
		return f.Shown(run.Ring.Size), analysis.Deviation(micrometres(zeroU))
	case g.Deviation:
		return 0, 0
	}
	return run.Ring.Size, analysis.Deviation(math.Round(float64(gaugeTravel) / math.Sqrt(3)))
}

// tellExpected tells the capture what to expect next, if anything has happened since the last time.
func (s *Session) tellExpected() {
	x, k := &s.expect, &s.capture
	if !x.stale || k.c == nil || k.mode == capture.Button {
		return
	}
	x.stale = false
	x.section, x.orientation = s.position()
	size, u := s.likelyShown()
	if u > 0 {
		size += k.offset
	}
	k.c.Expect(size, u)
}

// noteMove notes whether the depth or the angle channel has reached another place.
func (s *Session) noteMove() {
	if x := &s.expect; !x.stale {
		section, orientation := s.position()
		x.stale = section != x.section || orientation != x.orientation
	}
}

// position returns the section and the orientation that the depth and angle channels point at.
func (s *Session) position() (section, orientation int) {
	if s.fold.Job == nil || s.depth == nil {
		return -1, 0
	}
	section = s.sectionNear(s.depth.value)
	if s.angle != nil {
		orientation = s.orientationNear(analysis.Angle(s.angle.value))
	}
	return section, orientation
}
