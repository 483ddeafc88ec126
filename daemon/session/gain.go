package session

import (
	"math"

	"fairbore/analysis"
	"fairbore/analysis/master"
	"fairbore/daemon/event"
)

// canGain says why a second ring can't set the gain now: no zero that holds, or
// readings since it, so that the zero may have drifted; the same ring; or one too
// near the first, which it is better to know before it is read.
func (s *Session) canGain(ring *analysis.Ring, of int) error {
	f := &s.fold
	if f.Master == nil {
		return analysis.Say("action.gain.first")
	}
	first := f.Mastering()
	if ring.ID == first.Ring.ID {
		return analysis.Say("action.gain.same_ring", ring.ID)
	}
	if why := s.set.Lapsed(f, s.now.Wall); !why.IsZero() {
		return analysis.Say("action.gain.zero", why)
	}
	if f.Since > 0 {
		return analysis.Say("action.gain.readings", f.Since, first.Ring.ID)
	}
	// As if the gauge were perfect: what is refused then is the rings' distance alone.
	sound := first
	sound.Ring = *ring
	sound.N, sound.Mean = of, first.Mean+ring.Size-first.Ring.Size
	if g := master.SetGain(first, sound, f.Repeat(&s.set.Gauge)); !g.Accepted {
		return g.Sentence
	}
	return nil
}

// gained sets the gain from the readings of a second ring. A gain that is none of a
// sound gauge leaves everything as it was, and what was read stays in the journal.
func (s *Session) gained(set analysis.RingSet) {
	f := &s.fold
	leave := func(why analysis.Phrase) {
		broken := *f.Running
		broken.Broken, broken.Why = true, analysis.Say("action.gain.not_set", why)
		s.emit(event.Event{Kind: event.Mastering, Master: &broken})
		s.hint(broken.Why)
	}
	if why := s.set.Lapsed(f, s.now.Wall); !why.IsZero() { // while the ring was read
		leave(why)
		return
	}
	second := master.Master(set, master.Rules{Least: 1}, nil, true)
	if !second.Accepted {
		s.again(second.Refused[0])
		return
	}
	got := master.SetGain(f.Mastering(), second, f.Repeat(&s.set.Gauge))
	if !got.Accepted {
		leave(got.Sentence)
		return
	}
	m := *f.Master
	m.Number, m.Moved, m.Second, m.Why = m.Number+1, 0, true, analysis.Phrase{}
	m.GaugeDue, m.GaugeCertified = s.set.Gauge.Due, s.set.Gauge.Certified
	m.Averaging = f.Averages(m.Gauge)
	m.Gain = &event.Gain{
		Ring: set.Ring, Raw: second.Raw, Spread: second.Spread, Ratio: rounded(got.Ratio), U: rounded(got.U),
		Anchor: got.Anchor, Certified: got.Certified, Shown: got.Shown, By: m.Number, ZeroAt: f.GoodAt, Sentence: got.Sentence,
	}
	s.emit(event.Event{Kind: event.Mastered, Master: &m})
}

// rounded keeps what is worth keeping of a gain. Sizes are made with the distances,
// which are exact.
func rounded(v float64) float64 { return math.Round(v*1e7) / 1e7 }
