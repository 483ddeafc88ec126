package drivertest

import (
	"bytes"
	"testing"

	"fairbore/drivers"
)

// watched wraps a decoder, and fails the test if the decoder breaks its contract.
type watched struct {
	drivers.Decoder
	t       testing.TB
	longest int
}

func (w *watched) Split(data []byte, idle bool) (int, []byte) {
	w.t.Helper()
	was := bytes.Clone(data)
	advance, frame := w.Decoder.Split(data, idle)
	w.longest = max(w.longest, len(data))
	switch {
	case advance < 0 || advance > len(data):
		w.t.Fatalf("Split of %d bytes advances by %d", len(data), advance)
	case len(frame) > drivers.MaxFrame:
		w.t.Fatalf("Split returns a frame of %d bytes", len(frame))
	case !bytes.Equal(was, data):
		w.t.Fatalf("Split changes its data")
	}
	return advance, frame
}

func (w *watched) Decode(frame []byte, out []drivers.Sample) ([]drivers.Sample, error) {
	w.t.Helper()
	n := len(out)
	got, err := w.Decoder.Decode(frame, out)
	if r, ok := err.(drivers.Reason); err != nil && (!ok || r == "") {
		w.t.Fatalf("Decode fails with %v, which is no Reason", err)
	}
	if err != nil && len(got) != n {
		w.t.Fatalf("Decode fails and returns samples")
	}
	for _, s := range got[n:] {
		if s.Places < 0 || s.Places > 18 || s.Raw == nil {
			w.t.Fatalf("Decode returns %+v", s)
		}
	}
	return got, err
}

func (w *watched) Reset() {
	if r, ok := w.Decoder.(drivers.Resetter); ok {
		r.Reset()
	}
}
