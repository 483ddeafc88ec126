package session

import (
	"errors"
	"fmt"
	"math"
	"strings"

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
		return errors.New("a second ring sets the gain only after the first has set the zero; master on that first")
	}
	first := f.Mastering()
	if ring.ID == first.Ring.ID {
		return fmt.Errorf("ring %s has set the zero; the gain wants another ring, of a clearly different size", ring.ID)
	}
	if why := s.set.Lapsed(f, s.now.Wall); why != "" {
		return fmt.Errorf("the gain wants a zero that holds: %s", why)
	}
	if f.Since > 0 {
		return fmt.Errorf("%s since the zero was set or looked at; master on ring %s again, and on the second ring directly after it", analysis.Count(f.Since, "reading was taken", "readings were taken"), first.Ring.ID)
	}
	// As if the gauge were perfect: what is refused then is the rings' distance alone.
	sound := first
	sound.Ring = *ring
	sound.N, sound.Mean = of, first.Mean+ring.Size-first.Ring.Size
	if g := master.SetGain(first, sound, f.Repeat(&s.set.Gauge)); !g.Accepted {
		return errors.New(refusedGain(g))
	}
	return nil
}

// refusedGain is why there is none, as a reason.
func refusedGain(g master.Gain) string {
	return strings.TrimSuffix(strings.TrimPrefix(g.Sentence, "No gain: "), ".")
}

// gained sets the gain from the readings of a second ring. A gain that is none of a
// sound gauge leaves everything as it was, and what was read stays in the journal.
func (s *Session) gained(set analysis.RingSet) {
	f := &s.fold
	leave := func(why string) {
		broken := *f.Running
		broken.Broken, broken.Why = true, "no gain was set: "+why
		s.emit(event.Event{Kind: event.Mastering, Master: &broken})
		s.live.Hint = broken.Why
	}
	if why := s.set.Lapsed(f, s.now.Wall); why != "" { // while the ring was read
		leave(why)
		return
	}
	second := master.Master(set, master.Rules{Least: 1}, nil, true)
	if !second.Accepted {
		s.again(strings.Join(second.Refused, "; "))
		return
	}
	got := master.SetGain(f.Mastering(), second, f.Repeat(&s.set.Gauge))
	if !got.Accepted {
		leave(refusedGain(got))
		return
	}
	m := *f.Master
	m.Number, m.Moved, m.Second, m.Why = m.Number+1, 0, true, ""
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
