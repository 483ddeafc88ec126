package session

import (
	"math"

	"fairbore/analysis"
	"fairbore/analysis/master"
	"fairbore/daemon/event"
)

// canGain returns why a second ring can't set the gain now: there is no zero that holds; readings
// were taken since the zero was set, so that it may have drifted; it is the same ring; or its size
// is too near the first ring's, which a person should know before reading it.
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
	if f.ReadingsSince > 0 {
		return analysis.Say("action.gain.readings", f.ReadingsSince, first.Ring.ID)
	}
	// Assume a perfect gauge: only too small a difference between the rings is refused here.
	sound := first
	sound.Ring = *ring
	sound.N, sound.Mean = of, first.Mean+ring.Size-first.Ring.Size
	if g := master.SetGain(first, sound, f.Repeat(&s.set.Gauge)); !g.Accepted {
		return g.Sentence
	}
	return nil
}

// finishGain sets the gain from the readings of a second ring. If a sound gauge can't have that
// gain, nothing changes; the readings stay in the journal.
func (s *Session) finishGain(set analysis.RingSet) {
	f := &s.fold
	leave := func(why analysis.Phrase) {
		broken := *f.Running
		broken.Broken, broken.Why = true, analysis.Say("action.gain.not_set", why)
		s.emit(event.Event{Kind: event.Mastering, Master: &broken})
		s.hint(broken.Why)
	}
	if why := s.set.Lapsed(f, s.now.Wall); !why.IsZero() { // the zero lapsed while the ring was read
		leave(why)
		return
	}
	second := master.Master(set, master.Rules{Least: 1}, nil, true)
	if !second.Accepted {
		s.restartRing(second.Refused[0])
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

// rounded rounds a gain to seven decimals. Sizes are calculated from the distances, which are
// exact.
func rounded(v float64) float64 { return math.Round(v*1e7) / 1e7 }
