package simulator

import (
	"iter"
	"math/rand/v2"
	"time"

	"fairbore/analysis"
)

// Act says what a step of a session does.
type Act uint8

// The acts.
const (
	Master  Act = iota // the ring is gauged
	Measure            // a place of the bore is gauged
	Honing             // the bore is honed
)

var acts = [...]string{"master", "measure", "hone"}

// String names the act.
func (a Act) String() string { return acts[a] }

// Frame is a line that the gauge sends, with its time of arrival.
type Frame struct {
	At    time.Duration // since the start of the session
	Bytes []byte
}

// Step is one act of the operator, with the lines that the gauge sends during it.
type Step struct {
	Act     Act
	Round   int
	Place   analysis.Place  // for Measure
	Strokes int             // for Honing
	Warm    float64         // how much warmer the part is than the ring, K; for Measure
	Size    analysis.Length // the size that is gauged, without the zero error of the gauge; for Measure and Master
	From    time.Duration
	To      time.Duration
	Frames  []Frame
	Truth   Truth // truth of a streamed visit; its times count from From
}

// Play is how a job is played.
type Play struct {
	// Button says that the gauge sends one line for each reading, as with a data button. Without
	// it, the gauge streams at its rate and the operator rocks it.
	Button bool
	// Masterings is the number of times that the ring is gauged at the start; 0 means 4.
	Masterings int
	// Brisk says that the gauge is only briefly in free air before and after a visit.
	Brisk bool
	// Zero is the zero error of the gauge: it shows this much too much until it is mastered.
	Zero analysis.Length
	// Hands are the families from which each visit of a streamed two-point gauge is drawn. If Hands
	// is empty, the hand swings like a pendulum ([Params]). Hands rock until the tone of
	// [Job.Gauging], for at most twelve passes.
	Hands []Family
	// Gauge replaces the gauge of the job. A gauge with three contacts does not see a pure oval: it
	// shows the mean over the angles.
	Gauge *GaugeModel
}

// Session plays a job. The ring is gauged first. Then each round is honed, and every place is
// gauged in the order of the job's plan. The sizes are those of the job's table. The bytes are
// lines as [GaugeModel.Format] writes them.
func (j *Job) Session(p Play, rng *rand.Rand) iter.Seq[Step] {
	s := j.player(p, 0, rng)
	if p.Masterings == 0 {
		s.play.Masterings = 4
	}
	return s.run
}

type player struct {
	job   *Job
	play  Play
	gauge GaugeModel
	rng   *rand.Rand
	now   time.Duration
}

func (s *player) run(yield func(Step) bool) {
	s.now = 0
	for range s.play.Masterings {
		if !yield(s.visit(Step{Act: Master, Size: s.job.Master.Size})) {
			return
		}
	}
	places := s.job.Plan()
	for i, r := range s.job.Rounds {
		if r.Strokes > 0 && !yield(s.hone(i, r.Strokes)) {
			return
		}
		for k, place := range places {
			size := r.Sizes[k]
			if s.gauge.Contact != TwoPoint {
				size = s.mean(r.Sizes, k)
			}
			if !yield(s.visit(Step{Act: Measure, Round: i, Place: place, Warm: r.Warm, Size: size})) {
				return
			}
		}
	}
}

// mean returns the mean over the angles at the depth of place k.
func (s *player) mean(sizes []analysis.Length, k int) analysis.Length {
	n := len(s.job.Orientations)
	var sum analysis.Length
	for _, v := range sizes[k/n*n : k/n*n+n] {
		sum += v
	}
	return sum / analysis.Length(n)
}

func (s *player) hone(round, strokes int) Step {
	st := Step{Act: Honing, Round: round, Strokes: strokes, From: s.now}
	s.now += time.Duration(strokes) * time.Minute / time.Duration(s.job.Minute)
	st.To = s.now
	return st
}

// visit plays one visit of the gauge.
func (s *player) visit(st Step) Step {
	st.From = s.now
	shown := st.Size + s.play.Zero
	if s.presses() {
		s.now += 4 * time.Second // time to place and rock the gauge
		st.Frames = []Frame{{s.now, s.gauge.Format(nil, Point{Value: s.gauge.Show(shown)})}}
		s.now += time.Second
		st.To = s.now
		return st
	}
	if s.rocks() {
		const passes = 5
		return s.rock(st, shown, passes, func(Frame) bool { return false })
	}
	p := s.careful(shown)
	if s.play.Brisk {
		p.Air = briskAir
	}
	points, truth := Run(p, s.rng)
	if s.play.Brisk {
		points = until(points, truth.Out+seconds(p.Withdraw+briskAir))
	}
	st.Truth = truth
	for _, p := range points {
		st.Frames = append(st.Frames, Frame{st.From + p.T, s.gauge.Format(nil, p)})
	}
	s.now += points[len(points)-1].T + 10*time.Millisecond
	st.To = s.now
	return st
}

// rocks reports whether a hand of one of the families of the play rocks the gauge.
func (s *player) rocks() bool {
	return len(s.play.Hands) > 0 && s.gauge.Contact == TwoPoint && !s.presses()
}

// rock plays a visit of a hand of one of the families, line by line.
func (s *player) rock(st Step, shown analysis.Length, passes int, hears func(Frame) bool) Step {
	v := practisedVisit(pick(s.rng, s.play.Hands...), s.gauge, s.job.Master.Size+s.play.Zero, shown, passes, s.rng)
	if s.play.Brisk {
		v.Air, v.After = briskAir, briskAir
	}
	st.Truth = v.Run(s.rng, func(p Point) bool {
		c := Frame{st.From + p.T, s.gauge.Format(nil, p)}
		st.Frames = append(st.Frames, c)
		return hears(c)
	})
	s.now = st.Frames[len(st.Frames)-1].At + 10*time.Millisecond
	st.To = s.now
	return st
}

// briskAir is the time that the gauge of a brisk operator is in free air before and after a visit,
// s.
const briskAir = 0.6

// until returns the points up to a time. It returns at least one point.
func until(points []Point, t time.Duration) []Point {
	n := len(points)
	for n > 1 && points[n-1].T > t {
		n--
	}
	return points[:n]
}

// careful returns a visit of an experienced operator: a slow, even rock of five passes, or a steady
// hold.
func (s *player) careful(size analysis.Length) Params {
	rng := s.rng
	return Params{
		Gauge: s.gauge, Visit: Good, Size: size,
		Air: between(rng, 1, 2), Insert: between(rng, 0.3, 0.5), Drag: between(rng, 0.5, 1), Withdraw: 0.3,
		DragTilt: between(rng, 1.5, 2.5) * degree * float64(pick(rng, -1, 1)), Sway: 0.05 * degree,
		Turns: 5, Half: between(rng, 0.9, 1.2), Swing: between(rng, 2, 3) * degree, Off: between(rng, -0.15, 0.15),
		Ragged: 0.06, Uneven: 0.06, Dwell: 0.1, DwellScatter: 0.03, Skew: 0.04, Tremor: 0.01 * degree,
		Hold: between(rng, 4, 5), From: between(rng, -60, -20), Wobble: 0.2,
		Stream: Stream{Jitter: 0.05, Delay: 0.001, Drops: 0.005, Spikes: 0.0005, Spike: 30},
	}
}

// Visit plays one visit of a careful operator at a time of the session. act is Measure for a bore
// and Master for a ring. A value that is sent at the press of a button has the noise of the gauge,
// as streamed values have.
func (j *Job) Visit(p Play, act Act, size analysis.Length, at time.Duration, rng *rand.Rand) Step {
	s := j.player(p, at, rng)
	step := s.visit(Step{Act: act, Size: s.seen(size)})
	step.Size = size
	return step
}

// Gauging plays a visit as [Job.Visit] does, starting at 0. It passes each line that the gauge
// sends to each as it comes. each reports whether there was a tone since the last line. The hands
// of [Play] rock until there is a tone.
func (j *Job) Gauging(p Play, act Act, size analysis.Length, rng *rand.Rand, each func(Frame) (tone bool)) {
	s := j.player(p, 0, rng)
	if st := (Step{Act: act, Size: s.seen(size)}); s.rocks() {
		const most = 12 // passes of a hand that hears no tone
		s.rock(st, st.Size+p.Zero, most, each)
	} else {
		for _, c := range s.visit(st).Frames {
			each(c)
		}
	}
}

// player returns a player that starts at a time.
func (j *Job) player(p Play, at time.Duration, rng *rand.Rand) *player {
	s := &player{job: j, play: p, rng: rng, gauge: j.Gauge, now: at}
	if p.Gauge != nil {
		s.gauge = *p.Gauge
	}
	return s
}

// presses reports whether the gauge sends only when its button is pressed.
func (s *player) presses() bool { return s.play.Button || s.gauge.Rate == 0 }

// seen returns a size as the gauge shows it at the press of a button. For a gauge that streams it
// returns the size itself.
func (s *player) seen(size analysis.Length) analysis.Length {
	if s.presses() {
		size += length(s.gauge.Noise * s.rng.NormFloat64())
	}
	return size
}
