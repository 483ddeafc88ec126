// Package visit keeps what a gauge sent during each visit to a bore, and what the
// capture made of it, as one recording a visit; and says what the capture of this
// build makes of the same samples.
//
// A [Keeper] is fed what the session gave its capture ([session.CaptureStep]). A visit is from
// entering the bore to leaving it, with a second of air before and after. [Score] plays
// such files.
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
	Began   time.Time       // of the first sample, by the wall clock
	Options capture.Options // of the capture; Air is what was known of free air
	Offset  analysis.Length // added to a sample for the capture
	Entered time.Duration   // since the first sample
	Cut     string          // why the samples end before the gauge had left, "" if they don't
	Samples []Sample
	Taken   []Reading
	Refused []Refusal
}

// Sample is a value as the gauge showed it.
type Sample struct {
	At  time.Duration // since the first
	Raw analysis.Length
	// Expected is the size that the capture was told to expect, on its own scale, and ExpectedU
	// that size's standard uncertainty; 0 and 0 for none.
	Expected  analysis.Length
	ExpectedU analysis.Deviation
}

// Reading is a value that the capture took.
type Reading struct {
	At     time.Duration      `json:"at_ns"` // of the sample that settled it, since the first sample
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

// taken is what a result of a capture says as a reading.
func taken(r *capture.Result, offset analysis.Length, base time.Duration) Reading {
	return Reading{At: r.At - base, Raw: r.Value - offset, U: r.U, Passes: r.Passes}
}

const (
	around      = time.Second // of air, before and after
	mostSamples = 8192        // of a visit: three minutes at 45 a second; what follows isn't kept
	mostAround  = 256         // samples kept of the air before
)

// follower finds the visits in what the session gave its capture.
type follower struct {
	station string
	put     func(*Visit)
	before  []given // the air before
	now     *Visit
	base    time.Duration // when its first sample came
	last    time.Duration
	left    time.Duration // when the gauge left, 0: it is inside
	options capture.Options
}

// given is a sample with its times.
type given struct {
	at drivers.Moment
	Sample
}

// take takes the next value in.
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

// ends is how many of the results are of the visit that a Left among them ends.
func ends(rs []capture.Result, left int) int {
	if left < 0 {
		return len(rs)
	}
	return left
}

func index(rs []capture.Result, k capture.ResultKind) int {
	return slices.IndexFunc(rs, func(r capture.Result) bool { return r.Kind == k })
}

// begin begins a visit whose first sample in the bore is x.
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

// add adds a sample to the visit, and what came of it.
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

// uncounted returns the code of why the session did not count a value that the capture took,
// "" if it did.
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

// end hands the visit on; cut is why it ends, if the gauge has not left.
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
