package drivertest

import (
	"bytes"
	"slices"
	"strings"
	"testing"
	"time"

	"fairbore/drivers"
)

// step is one thing that happens on the line.
type step struct {
	in    []byte // bytes that come from the gauge
	out   []byte // bytes that the decoder must ask with
	idle  int    // how many times the pause of the decoder passes in silence
	reset bool   // the line was lost
}

// steps turns entries into steps, with the silence between the entries as the decoder is told of
// it.
func steps(w *watched, entries []drivers.Entry) (all []step) {
	var pause, last time.Duration
	if p, ok := w.Decoder.(drivers.Pauser); ok {
		pause = p.Pause()
	}
	for _, c := range entries {
		if pause > 0 {
			if n := int(min(3, (c.At-last)/pause)); n > 0 {
				all = append(all, step{idle: n})
			}
		}
		last = c.At
		switch {
		case c.Mark == drivers.MarkLost:
			all = append(all, step{reset: true})
		case c.Mark != "":
		case c.Out:
			all = append(all, step{out: c.Data})
		default:
			all = append(all, step{in: c.Data})
		}
	}
	if pause > 0 {
		all = append(all, step{idle: 1})
	}
	return all
}

// join joins pieces that follow each other into one piece.
func join(steps []step) (all []step) {
	for _, s := range steps {
		if n := len(all) - 1; s.in != nil && n >= 0 && all[n].in != nil {
			all[n].in = slices.Concat(all[n].in, s.in)
			continue
		}
		all = append(all, s)
	}
	return all
}

// at finds the step that holds the incoming byte k, and the place of the byte in the step.
func at(steps []step, k int) (i, offset int) {
	for i, s := range steps {
		if k < len(s.in) {
			return i, k
		}
		k -= len(s.in)
	}
	return len(steps) - 1, 0
}

func cutAt(steps []step, k int) []step {
	i, k := at(steps, k)
	in := steps[i].in
	return slices.Concat(steps[:i:i], []step{{in: in[:k]}, {in: in[k:]}}, steps[i+1:])
}

func cutShort(steps []step, k int) []step {
	i, k := at(steps, k)
	return append(slices.Clone(steps[:i]), step{in: steps[i].in[:k]})
}

func after(steps []step, k int) []step {
	i, k := at(steps, k)
	return append([]step{{in: steps[i].in[k:]}}, steps[i+1:]...)
}

// changed returns the steps with byte k changed.
func changed(steps []step, k int, change func([]byte) []byte) []step {
	i, k := at(steps, k)
	in := steps[i].in
	return slices.Concat(steps[:i:i], []step{{in: slices.Concat(in[:k], change(in[k:k+1]), in[k+1:])}}, steps[i+1:])
}

// play is a way to play steps.
type play struct {
	steps  []step
	strict bool                  // the requests must be equal to the recorded ones
	cut    func([]byte) [][]byte // breaks up the bytes that come in
}

const reject = "reject "

// play returns the outcome of each frame: its samples, one on each line, or a reject.
func (c *recorded) play(t testing.TB, p play) (frames []string) {
	t.Helper()
	w := c.decoder(t)
	s := drivers.Stream{Decoder: w}
	each := func(f drivers.Found) { frames = append(frames, describe(f)) }
	skip := false
	for _, st := range p.steps {
		switch {
		case st.reset:
			s.Reset(each)
		case st.out != nil:
			skip = !c.ask(t, w, st.out, p.strict)
		case st.in != nil && !skip:
			pieces := [][]byte{st.in}
			if p.cut != nil {
				pieces = p.cut(st.in)
			}
			for _, b := range pieces {
				s.Feed(b, false, each)
			}
		}
		for range st.idle {
			s.Feed(nil, true, each)
		}
	}
	return frames
}

// ask compares the request of the decoder with the recorded request. A decoder that asks nothing
// listens for a late answer. It is then called again, unless the recording has a request of no
// bytes there too. If the play is not strict, the decoder may first ask something else, after a
// fault that the recording does not have. That request stays unanswered.
func (c *recorded) ask(t testing.TB, w *watched, want []byte, strict bool) bool {
	t.Helper()
	r, ok := w.Decoder.(drivers.Requester)
	if !ok {
		t.Fatalf("%s.rec holds a request, but the driver makes none", c.path)
	}
	got := r.Request(nil)
	for range 6 {
		if bytes.Equal(got, want) || (strict && len(got) > 0) {
			break
		}
		got = r.Request(nil)
	}
	if strict && !bytes.Equal(got, want) {
		t.Fatalf("%s.rec: asked %q, want %q", c.path, got, want)
	}
	return bytes.Equal(got, want)
}

func describe(f drivers.Found) string {
	if f.Reject != "" {
		return reject + string(f.Reject)
	}
	lines := make([]string, len(f.Samples))
	for i, s := range f.Samples {
		lines[i] = s.String()
	}
	return strings.Join(lines, "\n")
}
