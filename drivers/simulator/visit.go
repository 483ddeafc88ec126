package simulator

import (
	"math"
	"math/rand/v2"
	"time"

	"fairbore/analysis"
)

// Visit is what the operator does with the gauge.
type Visit uint8

// The visits. Only Good and Move must be captured.
const (
	Good     Visit = iota // rocked through square on both sides, or held at rest
	Move                  // good, then drawn along to another depth in the bore, and good again
	OffAxis               // rocked well, but off the axis: a chord is gauged
	OffSide               // rocked through square, but far more to one side
	OneSided              // rocked, but turned back before square each time
	Parked                // held still at a tilt
	Chamfer               // rocked with a contact on the chamfer
	Dragged               // pushed in and pulled out again
	Warm                  // gauged while the part shrinks fast
)

var visits = [...]string{"good", "move", "off axis", "off side", "one-sided", "parked", "chamfer", "dragged", "warm"}

// String names the visit.
func (v Visit) String() string { return visits[v] }

// Visits lists all kinds of visit.
func Visits() []Visit {
	return []Visit{Good, Move, OffAxis, OffSide, OneSided, Parked, Chamfer, Dragged, Warm}
}

// Params holds everything that a visit depends on, except the random scatter. Times are in s and
// tilts in rad unless stated. [Draw] draws them.
type Params struct {
	Gauge GaugeModel
	Visit Visit
	Size  analysis.Length // true size at the place
	Next  analysis.Length // true size at the next place, for Move

	Air, Insert, Drag, Withdraw float64 // durations of the phases
	DragTilt, Sway              float64 // tilt while the gauge is dragged or parked, and the scatter of this tilt
	Turns                       int     // passes through square; for OneSided, turns
	Half, Swing                 float64 // half period and amplitude of the rocking
	Off                         float64 // centre of the rocking, relative to the amplitude
	Ragged, Uneven              float64 // relative scatter of amplitude and half period
	Near, NearScatter           float64 // for OneSided: tilt at which the gauge turns back, and the scatter of this tilt
	Dwell, DwellScatter, Skew   float64 // see Key: mean and scatter of Dwell, scatter of Skew
	Tremor                      float64 // root mean square
	Rest, RestTilt              float64 // how long and at what tilt the gauge is held at the end
	Offset                      float64 // distance from the axis, µm, for OffAxis
	Profile                     float64 // µm by which the size changes over the drag
	Drift                       float64 // drift of the gauge, µm/s
	Shrink                      float64 // shrinkage of the part, µm/s, for Warm
	Hold, From, Wobble          float64 // for a gauge that comes to rest: how long it is held (s), how far off it starts, and its sway (µm)
	Stream                      Stream
}

// TruePlace is a place at which the gauge was held so that it could be read.
type TruePlace struct {
	Size analysis.Length // true size
	Seen analysis.Length // what a perfect reading by this gauge at From would show, with the chord and the drift
	Rate analysis.Length // change of Seen per second, from drift and a shrinking part
	Must bool            // the place was gauged properly, so it must be captured
	// From and To are when the gauge was at the place. A reading outside this time is false.
	From, To time.Duration
	Turns    []time.Duration // passes through square
}

// Truth is what really happened in a visit.
type Truth struct {
	Visit   Visit
	Fault   Fault
	In, Out time.Duration // times of entering and leaving the bore
	Places  []TruePlace
	Tilt    Path // tilt of a rocked gauge, rad
}

// motion is the value that a perfect display would show, split into its parts.
type motion struct {
	p              *Params
	tilt, level    Path    // rad; µm above Params.Size
	sway           [2]sine // sway of a gauge at rest, µm
	insert, in     float64 // times: the gauge meets the edge of the bore; the gauge is in the bore
	out, free      float64 // times: the gauge starts to leave; the gauge is out of the bore
	bounce, shrink float64
}

// at returns the value shown at a time, µm above Params.Size.
func (m *motion) at(t float64) float64 {
	air := m.p.Gauge.Free.Micrometres()
	switch {
	case t < m.insert || t >= m.free:
		return air
	case t < m.in:
		x := (t - m.insert) / (m.in - m.insert)
		w := (1 - math.Cos(math.Pi*x)) / 2
		return air*(1-w) + m.bore(t)*w + m.bounce*math.Abs(math.Sin(3*math.Pi*x))*(1-x)
	case t >= m.out:
		x := (t - m.out) / (m.free - m.out)
		return m.bore(t)*(1-x*x) + air*x*x
	}
	return m.bore(t)
}

// bore returns the value shown in the bore, µm above Params.Size.
func (m *motion) bore(t float64) float64 {
	v := m.level.At(t) + m.p.Drift*t + m.shrink*max(0, t-m.in)
	if m.p.Gauge.Contact == TwoPoint {
		return v + m.p.Gauge.Excess(m.p.Size, m.tilt.At(t))
	}
	return v + m.p.From*math.Exp(-max(0, t-m.in)/m.p.Gauge.Settle) + m.sway[0].at(t) + m.sway[1].at(t)
}

// Run returns the values of a visit, and the truth about it.
func Run(p Params, rng *rand.Rand) ([]Point, Truth) {
	m := motion{p: &p, insert: p.Air, in: p.Air + p.Insert, bounce: between(rng, 0, 80)}
	tr := Truth{Visit: p.Visit, Fault: p.Stream.Fault, In: seconds(m.in)}
	m.level.Keys = []Key{{T: m.in, V: p.Profile}}
	if p.Visit == Warm {
		m.shrink = p.Shrink
	}
	if p.Gauge.Contact == TwoPoint {
		m.rock(&tr, rng)
		m.out = m.tilt.end()
	} else {
		m.rest(&tr, rng)
		m.out = m.level.end()
	}
	m.free = m.out + p.Withdraw
	tr.Out, tr.Tilt = seconds(m.out), m.tilt
	return p.Stream.values(&m, rng), tr
}

// rock plays a visit of a two-point gauge, from the way in over the edge to the way out.
func (m *motion) rock(tr *Truth, rng *rand.Rand) {
	p := m.p
	m.tilt.shake(p.Tremor, rng)
	m.tilt.Keys = []Key{{T: m.in, V: p.DragTilt}}
	m.drag(p.Drag, p.DragTilt, rng)
	level := 0.0
	if p.Visit == OffAxis {
		level = p.Gauge.Chord(p.Size, p.Offset)
	}
	m.level.to(p.Drag, level)
	m.work(tr, p.Size, level, rng)
	if p.Visit == Move {
		m.drag(p.Drag, p.DragTilt, rng)
		level = (p.Next - p.Size).Micrometres()
		m.level.to(p.Drag, level)
		m.work(tr, p.Next, level, rng)
	}
}

// drag moves the gauge along the bore at a tilt, as steadily as the hand can.
func (m *motion) drag(length, tilt float64, rng *rand.Rand) {
	for length > 0 {
		step := min(length, between(rng, 0.2, 0.6))
		length -= step
		m.tilt.to(step, tilt+m.p.Sway*rng.NormFloat64())
	}
}

// work plays the work at a place, and records the truth of the place.
func (m *motion) work(tr *Truth, size analysis.Length, level float64, rng *rand.Rand) {
	p, from := m.p, m.tilt.end()
	switch p.Visit {
	case Dragged:
		return
	case Parked:
		m.drag(p.Hold, p.DragTilt, rng)
	default:
		m.swings(rng)
	}
	if p.Rest > 0 {
		m.tilt.to(between(rng, 0.3, 0.6), p.RestTilt)
		m.drag(p.Rest, p.RestTilt, rng)
	}
	to := m.tilt.end()
	if p.Visit == Chamfer {
		m.slip(from, to, rng)
	} else {
		m.level.to(to-m.level.end(), level)
	}
	pl := m.place(size, level, from, to)
	for _, t := range m.tilt.Crossings(from, to) {
		pl.Turns = append(pl.Turns, seconds(t))
	}
	tr.Places = append(tr.Places, pl)
}

// swings rocks the gauge. It makes Turns passes through square, or, for OneSided, as many turns
// before square.
func (m *motion) swings(rng *rand.Rand) {
	p := m.p
	side := float64(pick(rng, -1, 1))
	half := func() float64 { return p.Half * max(0.5, 1+p.Uneven*rng.NormFloat64()) }
	far := func(side float64) float64 {
		return p.Swing * (side*max(0.4, 1+p.Ragged*rng.NormFloat64()) + p.Off)
	}
	if p.Visit == OneSided {
		for range p.Turns {
			m.swing(half(), side*(p.Near+p.Swing*max(0.4, 1+p.Ragged*rng.NormFloat64())), rng)
			m.swing(half(), side*max(0.1*degree, p.Near+p.NearScatter*rng.NormFloat64()), rng)
		}
		m.swing(half(), side*(p.Near+p.Swing), rng)
		return
	}
	// The hand goes to the end of the first swing on the side where it is.
	if v := m.tilt.Keys[len(m.tilt.Keys)-1].V; v != 0 {
		side = math.Copysign(1, v)
	}
	for range p.Turns + 1 {
		m.swing(half(), far(side), rng)
		side = -side
	}
}

// swing tilts the gauge to one end of the rocking, in the hand's own way.
func (m *motion) swing(after, tilt float64, rng *rand.Rand) {
	m.tilt.to(after, tilt)
	k := &m.tilt.Keys[len(m.tilt.Keys)-1]
	k.Dwell = min(0.6, max(-0.3, m.p.Dwell+m.p.DwellScatter*rng.NormFloat64()))
	k.Skew = min(0.3, max(-0.3, m.p.Skew*rng.NormFloat64()))
}

// slip lets a contact slide up and down the chamfer while the gauge is rocked.
func (m *motion) slip(from, to float64, rng *rand.Rand) {
	depth := between(rng, 15, 150)
	m.level.to(max(0.01, from-m.level.end()), depth)
	for m.level.end() < to {
		m.level.to(between(rng, 0.15, 0.5), depth*(1+0.3*rng.NormFloat64()))
	}
}

// rest plays a visit of a gauge that centres itself and comes to rest.
func (m *motion) rest(tr *Truth, rng *rand.Rand) {
	p := m.p
	for i := range m.sway {
		m.sway[i] = sine{p.Wobble / 4, 2 * math.Pi * between(rng, 0.3, 2), between(rng, 0, 2*math.Pi)}
	}
	m.level.Keys[0].V = 0
	tr.Places = append(tr.Places, m.held(p.Size, 0, m.in))
	switch p.Visit {
	case Move:
		// The contacts follow the wall to the next depth.
		m.level.to(between(rng, 0.2, 0.5), between(rng, 40, 120))
		m.level.to(p.Drag, (p.Next - p.Size).Micrometres())
		tr.Places = append(tr.Places, m.held(p.Next, (p.Next-p.Size).Micrometres(), m.level.end()))
	case Dragged:
		tr.Places = nil
	}
}

func (m *motion) held(size analysis.Length, level, from float64) TruePlace {
	p := m.p
	hold := p.Hold
	if p.Visit == Dragged {
		hold = p.Gauge.Settle
	}
	m.level.to(hold, level)
	to := m.level.end()
	pl := m.place(size, level, from, to)
	pl.Must = pl.Must && hold >= 6*p.Gauge.Settle+1.5
	return pl
}

// place returns the truth of a place.
func (m *motion) place(size analysis.Length, level, from, to float64) TruePlace {
	p := m.p
	return TruePlace{
		Size: size, Seen: p.Size + length(level+p.Drift*from+m.shrink*(from-m.in)), Rate: length(p.Drift + m.shrink),
		Must: (p.Visit == Good || p.Visit == Move) && p.Stream.Fault == NoFault,
		From: seconds(from), To: seconds(to),
	}
}

// SeenAt returns Seen at a time of the visit.
func (pl *TruePlace) SeenAt(at time.Duration) analysis.Length {
	return pl.Seen + analysis.Length(math.Round(float64(pl.Rate)*(at-pl.From).Seconds()))
}
