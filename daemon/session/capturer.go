package session

import (
	"errors"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/capture"
	"fairbore/drivers"
)

// captured is a value that the capture took.
type captured struct {
	raw   analysis.Length
	u     analysis.Deviation
	turns int
	how   string // button, settled, turning, manual
}

// capturer holds the capture fitted to what is in the gauge now: the ring while
// mastering, else a bore of the job.
type capturer struct {
	c       capture.Capture
	mode    capture.Mode
	nominal analysis.Length // of the capture: what it expects, shifted by offset
	offset  analysis.Length // added to what a gauge of deviations shows
	leave   bool            // nothing is taken until the gauge has left the ring
	last    struct {
		smp  drivers.Sample
		sent Sent
		raw  analysis.Length
		some bool
	}
}

// retune fits the capture to the ring or the job. Called whenever one of them
// may have changed.
func (s *Session) retune() {
	f, k := &s.fold, &s.capture
	nominal, band := analysis.Length(0), analysis.Deviation(gaugeTravel)
	switch {
	case f.Running != nil:
		nominal = f.Running.Ring.Size
	case f.Job != nil:
		nominal, band = f.Job.Nominal, f.Job.Band
	}
	k.offset = 0
	switch {
	case s.set.Gauge.Deviation && f.Running != nil:
		k.offset = f.Running.Ring.Size
	case f.Master != nil:
		k.offset = analysis.Length(f.Master.Zero)
	}
	mode, err := capture.ParseMode(s.set.Capture.Mode)
	if err == nil && k.c != nil && k.nominal == nominal && k.mode == mode {
		return
	}
	k.nominal, k.mode = nominal, mode
	k.c = nil
	if nominal == 0 || err != nil {
		return
	}
	c, err := capture.New(capture.Options{
		Mode: mode, Nominal: nominal, Band: band, Bounce: s.set.Capture.Bounce, Settle: s.set.Capture.Settle,
		Repeatability: s.set.Gauge.Repeatability, Resolution: s.set.Gauge.Step, Tip: s.set.Gauge.Tip,
	})
	if err == nil { // the configuration check has refused what could fail here
		k.c = c
	}
}

// feed gives the capture a value and returns what it took of it, and a hint for
// the person if it refused.
func (k *capturer) feed(at time.Duration, raw analysis.Length) (taken []captured, hint string) {
	if k.c == nil { // no job: whatever a button sends is taken, to be refused with that reason
		if k.mode == capture.Button {
			taken = []captured{{raw: raw, how: k.mode.String()}}
		}
		return taken, ""
	}
	for _, r := range k.c.Feed(capture.Sample{At: at, Value: raw + k.offset}) {
		switch {
		case r.Kind == capture.Taken && k.leave:
			hint = "take the gauge out of the ring"
		case r.Kind == capture.Taken:
			taken = append(taken, captured{raw: r.Value - k.offset, u: r.U, turns: r.Turns, how: k.mode.String()})
		case r.Kind == capture.Refused && k.mode == capture.Button: // judged by the session, which can say more
			taken = append(taken, captured{raw: raw, how: k.mode.String()})
		case r.Kind == capture.Refused:
			hint = string(r.Reason)
		}
	}
	p := k.c.Progress()
	k.leave = k.leave && p.In
	if hint == "" {
		hint = string(p.Hint)
	}
	return taken, hint
}

// reset forgets a visit in progress.
func (k *capturer) reset() {
	if k.c != nil {
		k.c.Reset()
	}
	k.leave = false
	k.last.some = false
}

func (k *capturer) inBore() bool { return k.c != nil && k.c.Progress().In }

// takeLive takes what the gauge shows now as a reading, by hand.
func (s *Session) takeLive() error {
	l := &s.capture.last
	if !s.hasLive || !l.some {
		return errors.New("the gauge shows nothing to take")
	}
	if s.now.Mono-s.liveAt > depthFresh {
		return errors.New("what the gauge showed last is old; is it still sending?")
	}
	s.taken(&l.smp, l.sent, captured{raw: l.raw, how: "manual"})
	if r := s.fold.Refused; r != nil && len(s.out) > 0 && s.out[len(s.out)-1].Kind == Refused {
		return errors.New(r.Reason)
	}
	return nil
}
