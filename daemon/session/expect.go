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

// expecting is what the capture was told to expect, and where the instruments beside the
// gauge stood then.
type expecting struct {
	stale   bool // something has happened since
	section int  // index of that within reach of the depth channel, -1: none
	turned  int  // index of the orientation nearest to the angle channel

	material string // of which alpha is the expansion, 1e-6/K; it is looked up once
	alpha    float64
}

// How far sizes of one part differ that are not known yet (common practice), as standard
// deviations in µm; of drawings with more than fineTolerance of tolerance more, in proportion.
// An honest taper, bell mouth or oval is no surprise.
const (
	fineTolerance = 10.0
	formTaper     = 2.0 // from the middle to an end
	formBell      = 2.0 // of both ends against the middle
	formOval      = 1.5 // amplitude
	formLocal     = 1.0
	// What honing took off differs from place to place by a part of it; at least, and of
	// honing that nothing is known of.
	removalForm   = 0.5
	removalLocal  = 0.7
	removalAstray = 0.4
	// removalSeen is from how many places on a round's own readings tell what it took off.
	removalSeen = 3
	// removalLeast is what a spell may take off that nothing is known of.
	removalLeast = 10.0
	// honedWarm is how much warmer or colder than in the round before a part may be, in K.
	honedWarm = 3.0
	// leastU is the least standard uncertainty of what is expected in a bore.
	leastU = 1.0
	// zeroU is that of what a ring is expected to show before it was read.
	zeroU = 5.0
)

// expected is the size that is likely at a place of the part in hand in a round, and its
// standard uncertainty, from the readings that count: those of the round, by the form seen
// so far, and those of the round before with what honing is likely to have taken off
// since. 0 and 0 where nothing is known.
func (s *Session) expected(p analysis.Place, round *event.Round) (analysis.Length, analysis.Deviation) {
	f := &s.fold
	if f.Job == nil || f.Part == nil || f.Master == nil || len(f.Readings) == 0 {
		return 0, 0
	}
	now, before := s.rooms.now, s.rooms.before
	clear(now)
	clear(before)
	f.CurrentInto(round.Number, now)
	one := analysis.Length(s.oneReading()).Micrometres()
	if r := now[p]; r != nil {
		return r.Size, wide(one)
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
		return s.shape(round.Number, now, one).at(p)
	}
	var size analysis.Length // there, in the round before
	u := one
	if r := before[p]; r != nil {
		size = r.Size
	} else {
		at, d := s.shape(last, before, one).at(p)
		size, u = at, analysis.Length(d).Micrometres()
	}
	removed, v := s.removed(p, last, round, size, now, before, one)
	return size + micrometres(removed), wide(math.Hypot(u, v))
}

// removed is what honing is likely to have taken off at a place since the round last, and
// its standard deviation, µm: by the places gauged before and since, and while these are
// few by what is known of the honing.
func (s *Session) removed(p analysis.Place, last int, round *event.Round, size analysis.Length, now, before map[analysis.Place]*event.Reading, one float64) (mean, u float64) {
	f, n, sum := &s.fold, 0, 0.0
	both := func(r *event.Reading) bool { return now[r.Place] == r && before[r.Place] != nil }
	for _, r := range f.During(round.Number) {
		if both(r) {
			n, sum = n+1, sum+(r.Size-before[r.Place].Size).Micrometres()
		}
	}
	mean, u, apart := s.honed(last, round, size)
	if u = math.Hypot(u, s.warmer(honedWarm)); n >= removalSeen {
		mean, u = 0, 1e3 // the places tell
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

// honed is what the honing between a round that was gauged and another is likely to have
// taken off, its standard deviation, µm, and the part of it by which places differ: from
// the strokes or seconds told; else anything from nothing to more than the stock.
func (s *Session) honed(last int, round *event.Round, size analysis.Length) (mean, u, apart float64) {
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
	return most / 2, most / 2, removalAstray
}

// warmer is by how much a size of the part changes with so many kelvin, µm; nothing where
// its temperature is measured and taken off.
func (s *Session) warmer(kelvin float64) float64 {
	f, x := &s.fold, &s.expect
	if f.Warm.Part != nil {
		return 0
	}
	if name := cmp.Or(f.Job.Material, "steel"); name != x.material {
		m, _ := material.Find(name) // of one that isn't known nothing is said here
		x.material, x.alpha = name, m.Alpha
	}
	return x.alpha * 1e-6 * kelvin * f.Job.Nominal.Micrometres()
}

// shape is the form of the bore as the readings of a round show it so far.
func (s *Session) shape(round int, now map[analysis.Place]*event.Reading, one float64) *shape {
	f := &s.fold
	coarse := max(1, (f.Job.High-f.Job.Low).Micrometres()/fineTolerance)
	warm := s.warmer(s.set.Doubt.PartWithin.Degrees() / math.Sqrt(3))
	g := shape{trend: s.newTrend(0, 1e3, [4]float64{formTaper * coarse, formBell * coarse, formOval * coarse, formOval * coarse}, math.Hypot(math.Hypot(formLocal*coarse, one), warm))}
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

// shape is a trend of sizes.
type shape struct {
	trend
	from analysis.Length // what the trend counts from
}

func (g *shape) at(p analysis.Place) (analysis.Length, analysis.Deviation) {
	mean, u := g.predict(p)
	return g.from + micrometres(mean), wide(u)
}

// wide is a standard uncertainty that is not too small to expect a size by.
func wide(µm float64) analysis.Deviation { return analysis.Deviation(micrometres(max(leastU, µm))) }

func micrometres(v float64) analysis.Length {
	l, err := analysis.FromMicrometres(v)
	if err != nil {
		return 0
	}
	return l
}

// likely is what the gauge is likely to show next and its standard uncertainty, 0 and 0
// where nothing is known.
func (s *Session) likely() (analysis.Length, analysis.Deviation) {
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
	case p == nil || s.spindle.since > 0 && len(f.Current(round.Number)) > 0: // what is gauged next is of another round
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

// likelyInRing is what the gauge is likely to show in the ring that is read: what it
// showed there, or before that the certified size with the doubt of the zero.
func (s *Session) likelyInRing() (analysis.Length, analysis.Deviation) {
	f, g, run := &s.fold, &s.set.Gauge, s.fold.Running
	known := f.Master != nil && f.Master.Gauge == g.Name && f.Knocked.IsZero()
	switch {
	case len(run.Raw) > 0:
		var x []float64
		for _, raw := range run.Raw {
			x = append(x, (raw - run.Raw[0]).Micrometres())
		}
		mean, u := x[0], analysis.Length(s.oneReading()).Micrometres()
		if len(x) > 1 {
			var sd float64
			mean, sd = meanAndSpread(x)
			u = max(u, sd)
		}
		if run.Speeds { // the size may depend on the speed: that is what is looked for
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

// tell tells the capture what is expected next, if anything has happened since it was told.
func (s *Session) tell() {
	x, k := &s.expect, &s.capture
	if !x.stale || k.c == nil || k.mode == capture.Button {
		return
	}
	x.stale = false
	x.section, x.turned = s.stands()
	size, u := s.likely()
	if u > 0 {
		size += k.offset
	}
	k.c.Expect(size, u)
}

// moved looks whether depth or angle channel have come to another place.
func (s *Session) moved() {
	if x := &s.expect; !x.stale {
		section, turned := s.stands()
		x.stale = section != x.section || turned != x.turned
	}
}

// stands is the section and the orientation that depth and angle channel stand at.
func (s *Session) stands() (section, turned int) {
	section = -1
	job := s.fold.Job
	if job == nil || s.depth == nil {
		return section, 0
	}
	for i, d := range job.Sections {
		if (s.depth.value - d).Abs() <= s.set.DepthReach {
			section = i
			break
		}
	}
	if s.angle != nil {
		gap := 360 * analysis.Degree
		for i, a := range job.Orientations {
			if g := turn(analysis.Angle(s.angle.value) - a); g < gap {
				turned, gap = i, g
			}
		}
	}
	return section, turned
}
