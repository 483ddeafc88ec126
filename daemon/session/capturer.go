package session

import (
	"time"

	"fairbore/analysis"
	"fairbore/analysis/capture"
	"fairbore/analysis/master"
	"fairbore/daemon/event"
	"fairbore/drivers"
)

// captured is a value that the capture took.
type captured struct {
	raw   analysis.Length
	u     analysis.Deviation
	turns int
	how   string // button, settled, turning, manual
	event.Rocking
}

// capturer holds the capture fitted to what is in the gauge now: the ring while
// mastering, else a bore of the job.
type capturer struct {
	c       capture.Capture
	told    *informed        // c, and what it was told to expect
	results []capture.Result // of the latest value, until the next
	mode    capture.Mode
	options capture.Options // of the capture, on the scale of Nominal: what the gauge shows, shifted by offset
	offset  analysis.Length // added to what a gauge of deviations shows
	air     analysis.Length // what the gauge shows in free air, as the captures up to here have learned it; 0: not known
	leave   bool            // nothing is taken until the gauge has left the ring
	why     analysis.Phrase // the last visit gave no reading, until the next one begins
	last    struct {
		smp  drivers.Sample
		sent event.Sent
		raw  analysis.Length
		some bool
	}
}

// retune fits the capture to the ring or the job. Called whenever one of them
// may have changed. A capture is made anew when anything of it has, the scale of what it
// is fed included; what it has learned of free air goes on to the next.
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
	if c, err := capture.New(o); err == nil { // the configuration check has refused what could fail here
		k.told = &informed{Capture: c}
		k.c = k.told
	}
}

// options are those of the capture for what is in the gauge now, with a Nominal of 0 for
// nothing, and what is to be added to what the gauge shows.
func (s *Session) options() (o capture.Options, offset analysis.Length, err error) {
	f, g := &s.fold, &s.set.Gauge
	o = capture.Options{
		Band: analysis.Deviation(gaugeTravel), Bounce: s.set.Capture.Bounce, Settle: s.set.Capture.Settle,
		Repeatability: f.SampleNoise(g), Resolution: g.Step, Tip: g.Tip, Averages: g.Smoothing.Averages, Lag: g.Smoothing.Lag,
	}
	o.Mode, err = capture.ParseMode(s.set.Capture.Mode)
	var ring *analysis.Ring // that the gauge is set to
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

// feed gives the capture a value and returns what it took of it, and what to tell the
// person: what the hand should do, or why the last visit gave nothing.
func (k *capturer) feed(at time.Duration, raw analysis.Length) (taken []captured, hint analysis.Phrase) {
	k.results = nil
	if k.c == nil { // no job: whatever a button sends is taken, to be refused with that reason
		if k.mode == capture.Button {
			taken = []captured{{raw: raw, how: k.mode.String()}}
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
			taken = append(taken, captured{
				raw: r.Value - k.offset, u: r.U, turns: r.Passes, how: k.mode.String(),
				Rocking: rocking(&r, master.Smoothing{Averages: k.options.Averages, Lag: k.options.Lag}.Square()),
			})
		case r.Kind == capture.Refused && k.mode == capture.Button: // judged by the session, which can say more
			taken = append(taken, captured{raw: raw, how: k.mode.String()})
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

// passes returns how many passes through square count so far at the place that is gauged, and the
// fewest that a reading rests on; 0 and 0 where none is waited for.
func (k *capturer) passes() (n, least int) {
	if k.c == nil || k.leave {
		return 0, 0
	}
	if p := k.c.Progress(); p.Needed > 0 && !p.Done {
		return p.Passes, p.Needed
	}
	return 0, 0
}

// forget forgets the gauge, and what it shows in free air.
func (k *capturer) forget() { k.c, k.air, k.why = nil, 0, analysis.Phrase{} }

// reset forgets a visit in progress.
func (k *capturer) reset() {
	if k.c != nil {
		k.c.Reset()
	}
	k.leave, k.why = false, analysis.Phrase{}
	k.last.some = false
}

func (k *capturer) inBore() bool { return k.c != nil && k.c.Progress().In }

// takeLive takes what the gauge shows now as a reading, by hand.
func (s *Session) takeLive(event.Action) error {
	l := &s.capture.last
	if !s.hasLive || !l.some {
		return analysis.Say("action.take.nothing")
	}
	if s.now.Mono-s.liveAt > depthFresh {
		return analysis.Say("action.take.old")
	}
	s.taken(&l.smp, l.sent, captured{raw: l.raw, how: "manual"})
	if r := s.fold.Refused; r != nil && len(s.out) > 0 && s.out[len(s.out)-1].Kind == event.Refused {
		return r.Reason
	}
	return nil
}
