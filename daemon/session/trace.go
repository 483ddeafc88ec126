package session

import (
	"fairbore/analysis"
	"fairbore/analysis/capture"
	"fairbore/daemon/event"
	"fairbore/drivers"
)

// CaptureStep is a value that the capture was given, and what followed. It has all that is needed
// to give the same value to another capture.
type CaptureStep struct {
	At      drivers.Moment
	Raw     analysis.Length // as the gauge showed it
	Gauge   string
	In      string          // what is gauged: "ring R-1250", "job J-4112"
	Options capture.Options // options of the capture, the same for a whole visit
	Offset  analysis.Length // added to Raw before it goes to the capture
	Air     analysis.Length // what the capture knows of free air, on the scale of Options; 0: nothing
	// Expected is the size that the capture was told to expect, and ExpectedU its standard
	// uncertainty.
	Expected  analysis.Length
	ExpectedU analysis.Deviation

	Results []capture.Result // results of the capture, on the scale of Options
	Inside  bool             // the gauge is in the bore
	Events  []event.Event    // the events that followed
	Hint    analysis.Phrase  // for the person; if a value was taken but did not count, the reason
}

// Trace has f called with each value that the capture is given, after everything that follows from
// it. The step is valid until f returns. The call is made in the caller's goroutine, so f must not
// wait.
func (s *Session) Trace(f func(*CaptureStep)) { s.trace = f }

// captureStep returns the step for the value that the capture was just given. It returns nil if
// nobody traces or there is no capture.
func (s *Session) captureStep(raw analysis.Length) *CaptureStep {
	k, f := &s.capture, &s.fold
	if s.trace == nil || k.c == nil {
		return nil
	}
	x := &CaptureStep{
		At: s.now, Raw: raw, Gauge: s.set.Gauge.Name, Options: k.options, Offset: k.offset, Air: k.c.Air(),
		Expected: k.traced.size, ExpectedU: k.traced.u, Results: k.results, Inside: k.inBore(),
	}
	switch {
	case f.Running != nil:
		x.In = "ring " + f.Running.Ring.ID
	case f.Job != nil:
		x.In = "job " + f.Job.ID
	}
	return x
}

// tracedCapture is a capture that remembers what it was told to expect.
type tracedCapture struct {
	capture.Capture
	size analysis.Length
	u    analysis.Deviation
}

// Expect implements [capture.Capture].
func (e *tracedCapture) Expect(size analysis.Length, u analysis.Deviation) {
	e.size, e.u = size, u
	e.Capture.Expect(size, u)
}
