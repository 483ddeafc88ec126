package session

import (
	"errors"
	"fmt"
	"math"
	"strings"

	"fairbore/analysis"
	"fairbore/analysis/master"
)

// mastering is the one in use, as it was accepted.
func (f *Fold) mastering() master.Mastering {
	m := master.Mastering{Set: master.Set{Ring: f.Master.Ring, Raw: f.Master.Raw, At: f.MasterAt}, Correction: *f.correction(), Accepted: true}
	m.Scatter, _ = master.ScatterOf(f.Master.Raw) // it was accepted, so it has readings
	return m
}

// canGain says why a second ring can't set the gain now: no zero that holds, or
// readings since it, so that the zero may have drifted; the same ring; or one too
// near the first, which it is better to know before it is read.
func (s *Session) canGain(ring *analysis.Ring, of int) error {
	f := &s.fold
	if f.Master == nil {
		return errors.New("a second ring sets the gain only after the first has set the zero; master on that first")
	}
	first := f.mastering()
	if ring.ID == first.Ring.ID {
		return fmt.Errorf("ring %s has set the zero; the gain wants another ring, of a clearly different size", ring.ID)
	}
	if why := s.set.lapsed(f, s.now.Wall); why != "" {
		return fmt.Errorf("the gain wants a zero that holds: %s", why)
	}
	if f.Since > 0 {
		return fmt.Errorf("%s since the zero was set or looked at; master on ring %s again, and on the second ring directly after it", analysis.Count(f.Since, "reading was taken", "readings were taken"), first.Ring.ID)
	}
	// As if the gauge were perfect: what is refused then is the rings' distance alone.
	sound := first
	sound.Ring = *ring
	sound.N, sound.Mean = of, first.Mean+ring.Size-first.Ring.Size
	if g := master.SetGain(first, sound, f.repeat(&s.set.Gauge)); !g.Accepted {
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
func (s *Session) gained(set master.Set) {
	f := &s.fold
	leave := func(why string) {
		broken := *f.Running
		broken.Broken, broken.Why = true, "no gain was set: "+why
		s.emit(Event{Kind: Mastering, Master: &broken})
		s.live.Hint = broken.Why
	}
	if why := s.set.lapsed(f, s.now.Wall); why != "" { // while the ring was read
		leave(why)
		return
	}
	second := master.Master(set, master.Rules{Least: 1}, nil, true)
	if !second.Accepted {
		s.again(strings.Join(second.Refused, "; "))
		return
	}
	got := master.SetGain(f.mastering(), second, f.repeat(&s.set.Gauge))
	if !got.Accepted {
		leave(refusedGain(got))
		return
	}
	m := *f.Master
	m.Number, m.Moved, m.Second, m.Why = m.Number+1, 0, true, ""
	m.GaugeDue, m.GaugeCertified = s.set.Gauge.Due, s.set.Gauge.Certified
	m.Averaging = f.learned(m.Gauge)
	m.Gain = &Gain{
		Ring: set.Ring, Raw: second.Raw, Spread: second.Spread, Ratio: rounded(got.Ratio), U: rounded(got.U),
		Anchor: got.Anchor, Certified: got.Certified, Shown: got.Shown, By: m.Number, ZeroAt: f.GoodAt, Sentence: got.Sentence,
	}
	s.emit(Event{Kind: Mastered, Master: &m})
}

// rounded keeps what is worth keeping of a gain. Sizes are made with the distances,
// which are exact.
func rounded(v float64) float64 { return math.Round(v*1e7) / 1e7 }

// keptGain is the gain that goes on over a new mastering on one ring: it is the
// gauge's, and belongs to the tips that are in it. A knock or new tips end it. The
// zero is then exact at the ring that was read now, where the gauge showed anchor.
func (f *Fold) keptGain(gauge string, anchor analysis.Length) *Gain {
	if g := f.Master.Gain; !g.Used() || f.Knocked != "" || f.Master.Gauge != gauge {
		return nil
	}
	kept := *f.Master.Gain
	kept.Anchor = anchor
	return &kept
}

// gainDoubt is what a gain leaves in doubt: its standard uncertainty, and how far from
// the ring that set the zero a size is judged, which is at the limit that is further
// off. A gain that was found and not used is taken for 1, so what it differed by is
// not corrected and counts too (JCGM 100:2008, F.2.4.5, as one standard uncertainty).
// 0 without a second ring: nothing is known of the gain then, and a ring near the size
// keeps it out.
func (f *Fold) gainDoubt() (u float64, away analysis.Length) {
	g := f.Master.Gain
	if g == nil {
		return 0, 0
	}
	ring := f.Master.Ring.Size
	away = max((f.Job.Low - ring).Abs(), (f.Job.High - ring).Abs())
	if g.Used() {
		return g.U / 2, away
	}
	return math.Hypot(g.U/2, g.Ratio-1), away
}
