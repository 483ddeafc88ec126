package session

import (
	"time"

	"fairbore/analysis"
	"fairbore/analysis/capture"
	"fairbore/analysis/master"
	"fairbore/daemon/event"
	"fairbore/drivers"
)

// capturedValue is a value that the capture took.
type capturedValue struct {
	raw   analysis.Length
	u     analysis.Deviation
	turns int
	how   string // button, settled, turning or manual
	event.Rocking
}

// capturer holds the capture that fits what the gauge is in now: the ring during mastering, else a
// bore of the job.
type capturer struct {
	c       capture.Capture
	traced  *tracedCapture   // the same as c, with the size it was told to expect
	results []capture.Result // results of the latest value, valid until the next
	mode    capture.Mode
	options capture.Options // options of the capture, on the scale of Nominal: what the gauge shows plus offset
	offset  analysis.Length // added to what a gauge that shows deviations sends
	air     analysis.Length // what the gauge shows in free air, as learned so far; 0: not known
	leave   bool            // nothing is taken until the gauge has left the ring
	why     analysis.Phrase // why the last visit gave no reading, until the next visit begins
	last    struct {
		smp  drivers.Sample
		sent event.Sent
		raw  analysis.Length
		some bool
	}
}

// retune makes a new capture if the ring, the job or the zero has changed, so that the options or
// the scale of the values differ. What the capture has learned of free air is passed on to the new
// one. Call it after each such change.
func (s *Session) retune() {
	k := &s.capture
	o, offset, err := s.options()
	if k.c != nil && k.options == o && k.offset == offset {
		return
	}
	if k.c != nil && (k.options.Air == 0 || k.options.AirLearned) && k.c.Air() != 0 {
		k.air = k.c.Air() - k.offset
	}
	k.options, k.offset, k.mode, k.c, k.why = o, offset, o.Mode, nil, analysis.Phrase{}
	s.expect.stale = true
	if o.Nominal == 0 || err != nil {
		return
	}
	if o.Air == 0 && k.air != 0 {
		o.Air, o.AirLearned = k.air+offset, true
	}
	if c, err := capture.New(o); err == nil { // the check of the configuration has refused all that could fail here
		k.traced = &tracedCapture{Capture: c}
		k.c = k.traced
	}
}

// options returns the options of the capture for what the gauge is in now, and the offset to add to
// what the gauge shows. Nominal is 0 if there is neither a ring nor a job.
func (s *Session) options() (o capture.Options, offset analysis.Length, err error) {
	f, g := &s.fold, &s.set.Gauge
	o = capture.Options{
		Band: analysis.Deviation(gaugeTravel), Bounce: s.set.Capture.Bounce, Settle: s.set.Capture.Settle,
		Repeatability: f.SampleNoise(g), Resolution: g.Step, Tip: g.Tip, Averages: g.Smoothing.Averages, Lag: g.Smoothing.Lag,
	}
	o.Mode, err = capture.ParseMode(s.set.Capture.Mode)
	var ring *analysis.Ring // the ring that the gauge is set to
	switch {
	case f.Running != nil:
		o.Nominal = f.Running.Ring.Size
	case f.Job != nil:
		o.Nominal, o.Band = f.Job.Nominal, f.Job.Band
		ring = s.set.Rings[f.Job.Ring]
	}
	switch {
	case g.Deviation && f.Running != nil:
		offset, ring = f.Running.Ring.Size, &f.Running.Ring
	case f.Master != nil:
		offset, ring = analysis.Length(f.Master.Zero), &f.Master.Ring
	case f.Running != nil:
		ring = &f.Running.Ring
	}
	if g.FreeAir > 0 && ring != nil {
		o.Air = ring.Size + g.FreeAir
	}
	return o, offset, err
}

// feed passes a value to the capture. It returns the values that the capture took, and a hint for
// the person: how to move the gauge, or why the last visit gave no reading.
func (k *capturer) feed(at time.Duration, raw analysis.Length) (taken []capturedValue, hint analysis.Phrase) {
	k.results = nil
	if k.c == nil { // without a job a button's value is passed on, to be refused with that reason
		if k.mode == capture.Button {
			taken = []capturedValue{{raw: raw, how: k.mode.String()}}
		}
		return taken, analysis.Phrase{}
	}
	k.results = k.c.Feed(capture.Sample{At: at, Value: raw + k.offset})
	for _, r := range k.results {
		switch {
		case k.leave:
		case r.Kind == capture.Entered:
			k.why = analysis.Phrase{}
		case r.Kind == capture.Taken:
			taken = append(taken, capturedValue{
				raw: r.Value - k.offset, u: r.U, turns: r.Passes, how: k.mode.String(),
				Rocking: rocking(&r, master.Smoothing{Averages: k.options.Averages, Lag: k.options.Lag}.Square()),
			})
		case r.Kind == capture.Refused && k.mode == capture.Button: // the session refuses it, since it can say more
			taken = append(taken, capturedValue{raw: raw, how: k.mode.String()})
		case r.Kind == capture.Refused:
			k.why = analysis.Phrase{Code: string(r.Reason)}
		}
	}
	p := k.c.Progress()
	k.leave = k.leave && p.In
	switch {
	case k.leave:
		return taken, analysis.Phrase{Code: "hint.leave_ring"}
	case p.In:
		return taken, analysis.Phrase{Code: string(p.Hint)}
	}
	return taken, k.why
}

// passes returns how many passes through square count so far at this place, and the fewest that a
// reading needs. It returns 0 and 0 when no passes are waited for.
func (k *capturer) passes() (n, least int) {
	if k.c == nil || k.leave {
		return 0, 0
	}
	if p := k.c.Progress(); p.Needed > 0 && !p.Done {
		return p.Passes, p.Needed
	}
	return 0, 0
}

// forget drops the capture and what it learned of free air, since the gauge may be another one.
func (k *capturer) forget() { k.c, k.air, k.why = nil, 0, analysis.Phrase{} }

// reset drops a visit in progress.
func (k *capturer) reset() {
	if k.c != nil {
		k.c.Reset()
	}
	k.leave, k.why = false, analysis.Phrase{}
	k.last.some = false
}

func (k *capturer) inBore() bool { return k.c != nil && k.c.Progress().In }

// takeLive records what the gauge shows now as a reading.
func (s *Session) takeLive(event.Action) error {
	l := &s.capture.last
	if !s.hasLive || !l.some {
		return analysis.Say("action.record.nothing")
	}
	if s.now.Mono-s.liveAt > depthFresh {
		return analysis.Say("action.record.old")
	}
	s.takeValue(&l.smp, l.sent, capturedValue{raw: l.raw, how: "manual"})
	if r := s.fold.Refused; r != nil && len(s.out) > 0 && s.out[len(s.out)-1].Kind == event.Refused {
		return r.Reason
	}
	return nil
}
