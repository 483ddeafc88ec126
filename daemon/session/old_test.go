package session

import (
	"bytes"
	"encoding/json"
	"os"
	"testing"

	"fairbore/analysis"
	"fairbore/daemon/event"
	"fairbore/daemon/state"
)

// A journal of an earlier version is read as it was: each event is the same bytes when
// it is written again, and all of them give the part that was accepted then.
func TestEarlierJournal(t *testing.T) {
	text, err := os.ReadFile("../../testdata/session/journal-before-gain/events.ndjson")
	if err != nil {
		t.Fatal(err)
	}
	var f state.Fold
	lines := bytes.Split(bytes.TrimSpace(text), []byte("\n"))
	for i, line := range lines {
		var r event.Record
		if err := json.Unmarshal(line, &r); err != nil {
			t.Fatalf("event %d: %v", i+1, err)
		}
		if again, err := r.AppendJSON(nil); err != nil || !bytes.Equal(again, line) {
			t.Errorf("event %d is written again as\n%s\nwas\n%s, %v", i+1, again, line, err)
		}
		f.Apply(&r.Event)
	}
	v := f.Verdict
	if len(lines) != 81 || v == nil || !v.Accepted || v.Smallest != sizeOf(&f, true) || v.Largest != sizeOf(&f, false) {
		t.Fatalf("%d events, verdict %+v", len(lines), v)
	}
	if f.Master.Gain != nil || f.Master.Number != 1 || f.RingThen == nil || *f.RingThen != 20*analysis.Celsius {
		t.Errorf("mastering %+v, ring at %v", f.Master, f.RingThen)
	}
}

// sizeOf is the smallest or largest size of the newest round.
func sizeOf(f *state.Fold, smallest bool) (l analysis.Length) {
	for _, r := range f.Current(f.Round()) {
		if l == 0 || r.Size < l == smallest {
			l = r.Size
		}
	}
	return l
}
