package simulator

import (
	"math"
	"math/rand/v2"
	"time"
)

// Visit is what the operator does with the gauge.
type Visit uint8

// The visits. Only Good and Move must be captured; Settling, too, of a gauge
// that comes to rest.
const (
	Good      Visit = iota // rocked through square on both sides, or held at rest
	Move                   // good, on to another depth without leaving the bore, good again
	OffSquare              // rocked through square, but far more to one side
	OneSided               // rocked, but turned before square
	Parked                 // held still at a tilt
	Chamfer                // rocked with a contact on the chamfer
	Dragged                // pushed in and pulled out again
	Beside                 // rocked well, but beside the axis: the chord is gauged
	Warm                   // gauged while the part shrinks fast
)

var visits = [...]string{"good", "move", "off square", "one-sided", "parked", "chamfer", "dragged through", "chord", "warm"}

// String names the visit.
func (v Visit) String() string { return visits[v] }

// Visits lists all kinds of visit.
func Visits() []Visit {
	return []Visit{Good, Move, OffSquare, OneSided, Parked, Chamfer, Dragged, Beside, Warm}
}

// Params are everything that a visit depends on beside chance. Times are s,
// tilts rad.
type Params struct {
	Gauge Gauge
	Visit Visit
	Size  int64 // true size at the place
	Next  int64 // true size at the next place, of Move

	Air, Insert, Drag, Withdraw float64 // how long the phases last
	DragTilt, Sway              float64 // the tilt of the drag, and its wobble (standard deviation)
	Turns                       int     // passes through square, or turns of OneSided
	Half                        float64 // half-period of the rock
	Swing                       float64 // amplitude of the rock
	Off                         float64 // centre of the rock, as a part of the amplitude
	Ragged, Uneven              float64 // relative scatter of amplitude and of half-period
	Near, NearScatter           float64 // of OneSided: tilt at which it turns, and its scatter
	Dwell                       float64 // see Path
	Tremor                      float64 // root mean square
	Rest, RestTilt              float64 // how long and at what tilt it is held in the end
	Offset                      float64 // µm beside the axis, of Beside
	Profile                     float64 // µm by which the size changes over the drag
	Drift                       float64 // µm/s of the gauge
	Shrink                      float64 // µm/s of the part, of Warm
	Hold                        float64 // of a gauge that comes to rest: how long it is held
	Stream                      Stream
}

// Place is where a gauge was held to be read.
type Place struct {
	Size int64 // true
	Seen int64 // what a perfect reading by this gauge would be, with chord and drift
	Must bool  // it was gauged as it should be, and must be captured
	// From and To are when the gauge was there: a reading outside is false.
	From, To time.Duration
	Turns    []time.Duration // passes through square
}

// Truth is what a visit really was.
type Truth struct {
	Visit   Visit
	Fault   Fault
	In, Out time.Duration // in the bore from, to
	Places  []Place
	Path    Path // of a rocked gauge
}

// motion builds the value that a perfect display would show as a function of
// time: pieces, one after the other.
type motion struct {
	now    float64
	pieces []piece
}

type piece struct {
	from, to float64
	value    func(x float64) float64 // µm above Params.Size, at time x
}

func (m *motion) add(length float64, value func(x float64) float64) {
	m.pieces = append(m.pieces, piece{m.now, m.now + length, value})
	m.now += length
}

func (m *motion) at(t float64) float64 {
	for i := range m.pieces {
		if t < m.pieces[i].to || i == len(m.pieces)-1 {
			return m.pieces[i].value(t)
		}
	}
	return 0
}

// Run makes the values of a visit, and what it really was.
func Run(p Params, rng *rand.Rand) ([]Point, Truth) {
	m := motion{}
	tr := Truth{Visit: p.Visit, Fault: p.Stream.Fault}
	if p.Gauge.Contact == TwoPoint {
		p.rocked(&m, &tr, rng)
	} else {
		p.rested(&m, &tr, rng)
	}
	return p.Stream.values(&p, &m, &tr, rng), tr
}

// place appends a place that lasted from a time until now.
func (p *Params) place(m *motion, tr *Truth, size int64, from float64, must bool) {
	pl := Place{Size: size, Seen: size, Must: must && p.Stream.Fault == NoFault, From: seconds(from), To: seconds(m.now)}
	for _, c := range tr.Path.Crossings(from, m.now) {
		pl.Turns = append(pl.Turns, seconds(c))
	}
	if p.Visit == Beside {
		pl.Seen += units(p.Gauge.Chord(size, p.Offset))
	}
	pl.Seen += units(p.Drift * (from + m.now) / 2)
	tr.Places = append(tr.Places, pl)
}

// rocked makes a visit of a two-point gauge: free air, in over the edge, along
// the bore at a tilt, rocked, perhaps held, perhaps on to another depth, out.
func (p *Params) rocked(m *motion, tr *Truth, rng *rand.Rand) {
	path := &tr.Path
	path.Dwell = p.Dwell
	path.shake(p.Tremor, rng)
	base := func(float64) float64 { return 0 }
	tilted := func(x float64) float64 {
		return base(x) + p.Gauge.Excess(p.Size, path.At(x)) + p.Drift*x
	}
	p.air(m, p.Air)
	p.insert(m, tilted, rng)
	tr.In = seconds(m.now)
	p.drag(m, path, tilted, rng)
	switch p.Visit {
	case Beside:
		chord := p.Gauge.Chord(p.Size, p.Offset)
		base = func(float64) float64 { return chord }
	case Chamfer:
		base = p.chamfer(m.now, rng)
	}
	along := base
	start := m.now
	base = func(x float64) float64 { // the profile on the way in
		return along(x) + p.Profile*max(0, 1-(x-m0(start, p.Drag))/p.Drag)*b2f(x < start)
	}
	p.atPlace(m, tr, p.Size, tilted, rng)
	if p.Visit == Move {
		p.moveOn(m, tr, rng)
	}
	tr.Out = seconds(m.now)
	p.leave(m, rng)
}

func m0(start, drag float64) float64 { return start - drag }

func b2f(b bool) float64 {
	if b {
		return 1
	}
	return 0
}
