package session

import (
	"fairbore/analysis"
	"fairbore/analysis/capture"
	"fairbore/daemon/event"
	"fairbore/drivers"
)

// Fed is a value that the capture was given, and what came of it: what it takes to give
// the same to another capture.
type Fed struct {
	At      drivers.Moment
	Raw     analysis.Length // as the gauge showed it
	Gauge   string
	In      string          // what is gauged: "ring R-1250", "job J-4112"
	Options capture.Options // of the capture, the same for a whole visit
	Offset  analysis.Length // added to Raw for the capture
	Air     analysis.Length // what the capture knows of free air, on the scale of Options; 0: nothing
	// Expected is the size that the capture was told to expect, and its standard uncertainty.
	Expected  analysis.Length
	ExpectedU analysis.Deviation

	Results []capture.Result // of the capture, on the scale of Options
	Inside  bool             // the gauge is in the bore
	Events  []event.Event    // that followed
	Hint    analysis.Phrase  // for the person; of a value that was taken and not counted, why
}

// Watch has w called with each value that the capture is given, after all that follows
// from it. What w is given holds until it returns. It runs in the caller's goroutine, so it must not wait.
func (s *Session) Watch(w func(*Fed)) { s.watch = w }

// fed is the value that the capture was just given, nil if nobody watches or there is no capture.
func (s *Session) fed(raw analysis.Length) *Fed {
	k, f := &s.capture, &s.fold
	if s.watch == nil || k.c == nil {
		return nil
	}
	x := &Fed{
		At: s.now, Raw: raw, Gauge: s.set.Gauge.Name, Options: k.options, Offset: k.offset, Air: k.c.Air(),
		Expected: k.told.size, ExpectedU: k.told.u, Results: k.results, Inside: k.inBore(),
	}
	switch {
	case f.Running != nil:
		x.In = "ring " + f.Running.Ring.ID
	case f.Job != nil:
		x.In = "job " + f.Job.ID
	}
	return x
}

// informed is a capture that remembers what it was told to expect.
type informed struct {
	capture.Capture
	size analysis.Length
	u    analysis.Deviation
}

// Expect implements [capture.Capture].
func (e *informed) Expect(size analysis.Length, u analysis.Deviation) {
	e.size, e.u = size, u
	e.Capture.Expect(size, u)
}
