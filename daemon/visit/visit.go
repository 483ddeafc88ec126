// Package visit keeps, for each visit to a bore, what the gauge sent and what the capture made of
// it, as a recording. It can also compare that with what the capture of this build makes of the
// same samples.
//
// A [Keeper] gets what the session gave its capture ([session.CaptureStep]). A visit lasts from
// entering the bore to leaving it, with a second in the air before and after. [Score] plays such
// files.
package visit

import (
	"cmp"
	"slices"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/capture"
	"fairbore/daemon/event"
	"fairbore/daemon/session"
	"fairbore/drivers"
)

// Visit is one visit to a bore or a ring.
type Visit struct {
	Station string
	Gauge   string
	In      string          // what was gauged: "ring R-1250", "job J-4112"
	Began   time.Time       // time of the first sample, by the wall clock
	Options capture.Options // options of the capture; Air is what was known of free air
	Offset  analysis.Length // added to a sample for the capture
	Entered time.Duration   // since the first sample
	Cut     string          // why the samples end before the gauge had left, "" if they don't
	Samples []Sample
	Taken   []Reading
	Refused []Refusal
}

// Sample is a value as the gauge showed it.
type Sample struct {
	At  time.Duration // since the first sample
	Raw analysis.Length
	// Expected is the size that the capture was told to expect, on its own scale, and ExpectedU its
	// standard uncertainty; 0 and 0 for none.
	Expected  analysis.Length
	ExpectedU analysis.Deviation
}

// Reading is a value that the capture took.
type Reading struct {
	At     time.Duration      `json:"at_ns"` // when the last sample came that it needed, since the first sample
	Raw    analysis.Length    `json:"raw_mm"`
	U      analysis.Deviation `json:"capture_u_um"` // standard uncertainty, 0: not known
	Passes int                `json:"passes,omitempty"`
	Not    string             `json:"not_counted,omitempty"` // why the session did not count it
}

// Refusal is a place without a reading.
type Refusal struct {
	At     time.Duration `json:"at_ns"`
	Reason string        `json:"reason"`
}

// taken converts a result of a capture into a reading.
func taken(r *capture.Result, offset analysis.Length, base time.Duration) Reading {
	return Reading{At: r.At - base, Raw: r.Value - offset, U: r.U, Passes: r.Passes}
}

const (
	around      = time.Second // of the air before and after
	mostSamples = 8192        // of a visit: three minutes at 45 a second; later samples are not kept
	mostAround  = 256         // of the air before
)

// follower finds the visits in the steps of a session's capture.
type follower struct {
	station string
	put     func(*Visit)
	before  []given // the air before
	now     *Visit
	base    time.Duration // time of its first sample
	last    time.Duration
	left    time.Duration // when the gauge left, 0: it is inside
	options capture.Options
}

// given is a sample with its times.
type given struct {
	at drivers.Moment
	Sample
}

// take takes in the next step.
func (w *follower) take(f *session.CaptureStep) {
	at := f.At.Mono
	left, entered := index(f.Results, capture.Left), index(f.Results, capture.Entered)
	x := given{f.At, Sample{Raw: f.Raw, Expected: f.Expected, ExpectedU: f.ExpectedU}}
	if w.now != nil {
		switch {
		case w.options != f.Options || w.now.Offset != f.Offset:
			w.end("the ring, the job or the gauge's settings changed")
		case at < w.last:
			w.end("the time ran backwards")
		case w.left > 0 && at > w.left+around, w.left > 0 && entered >= 0:
			w.end("")
		case w.left == 0 && left < 0 && (entered >= 0 || !f.Inside):
			w.end("the capture began again")
		}
	}
	if w.now != nil {
		w.add(&x, f, f.Results[:ends(f.Results, left)])
		if left >= 0 {
			w.left = at
		}
	}
	w.before = slices.DeleteFunc(w.before, func(b given) bool { return b.at.Mono > at || at-b.at.Mono > around })
	if entered >= 0 {
		w.end("")
		w.begin(&x, f)
		w.add(&x, f, f.Results[entered+1:])
		w.before = w.before[:0]
		return
	}
	if len(w.before) == mostAround {
		w.before = slices.Delete(w.before, 0, 1)
	}
	if !f.Inside && left < 0 {
		w.before = append(w.before, x)
	}
}

// ends returns how many of the results belong to the visit that a Left among them ends.
func ends(rs []capture.Result, left int) int {
	if left < 0 {
		return len(rs)
	}
	return left
}

func index(rs []capture.Result, k capture.ResultKind) int {
	return slices.IndexFunc(rs, func(r capture.Result) bool { return r.Kind == k })
}

// begin begins a visit. x is its first sample in the bore.
func (w *follower) begin(x *given, f *session.CaptureStep) {
	w.options, w.left = f.Options, 0
	first := x.at
	if len(w.before) > 0 {
		first = w.before[0].at
	}
	w.base, w.last = first.Mono, first.Mono
	o := f.Options
	o.Air = f.Air
	w.now = &Visit{Station: w.station, Gauge: f.Gauge, In: f.In, Began: first.Wall, Options: o, Offset: f.Offset, Entered: x.at.Mono - first.Mono}
	for i := range w.before {
		b := w.before[i].Sample
		b.At = w.before[i].at.Mono - w.base
		w.now.Samples = append(w.now.Samples, b)
	}
}

// add adds a sample and its results to the visit.
func (w *follower) add(x *given, f *session.CaptureStep, rs []capture.Result) {
	v := w.now
	w.last = x.at.Mono
	if len(v.Samples) >= mostSamples {
		v.Cut = "it was too long to be kept whole"
		return
	}
	s := x.Sample
	s.At = x.at.Mono - w.base
	v.Samples = append(v.Samples, s)
	for i := range rs {
		switch r := &rs[i]; r.Kind {
		case capture.Taken:
			t := taken(r, f.Offset, w.base)
			t.Not = uncounted(f, t.Raw)
			v.Taken = append(v.Taken, t)
		case capture.Refused:
			v.Refused = append(v.Refused, Refusal{r.At - w.base, string(r.Reason)})
		}
	}
}

// uncounted returns the code of why the session did not count a value that the capture took, "" if
// it did.
func uncounted(f *session.CaptureStep, raw analysis.Length) string {
	for i := range f.Events {
		switch e := &f.Events[i]; {
		case e.Reading != nil && e.Reading.Raw == raw, e.Ring != nil && e.Ring.Raw == raw:
			return ""
		case e.Kind == event.Refused:
			return e.Refused.Reason.Code
		}
	}
	return cmp.Or(f.Hint.Code, "not counted")
}

// end passes the visit on. cut says why it ends, if the gauge has not left.
func (w *follower) end(cut string) {
	if w.now == nil {
		return
	}
	if w.now.Cut == "" && w.left == 0 {
		w.now.Cut = cut
	}
	w.put(w.now)
	w.now = nil
}
