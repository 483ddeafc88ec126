package hub

import (
	"testing"
	"time"

	"fairbore/analysis"
	"fairbore/daemon/event"
	"fairbore/daemon/state"
)

func testHub() *Hub {
	h := New("j", time.Now)
	h.Add(state.Settings{Station: "bay1"}, nil)
	h.Add(state.Settings{Station: "bay2"}, nil)
	return h
}

func record(station string, seq uint64) event.Record {
	return event.Record{Journal: "j", Seq: seq, Event: event.Event{Station: station, Kind: event.NoteAdded, Note: "n", At: time.Unix(int64(seq), 0)}}
}

// A viewer that takes nothing holds a bounded number of events, the newest, and
// one state and one live value a station.
func TestStuckViewerCostsNothing(t *testing.T) {
	h := testHub()
	s := h.Subscribe("")
	defer s.Close()
	for i := range uint64(10 * eventsKept) {
		h.Committed([]event.Record{record("bay1", 2*i+1), record("bay2", 2*i+2)})
		h.Live(event.Live{Station: "bay1"})
		h.Live(event.Live{Station: "bay2"})
		h.tell(false, nil)
	}
	bores, lives, events := s.Take()
	if len(bores) != 2 || len(lives) != 2 || len(events) != eventsKept {
		t.Fatalf("%d states, %d live values, %d events; want 2, 2, %d", len(bores), len(lives), len(events), eventsKept)
	}
	if last := events[len(events)-1].Seq; last != 20*eventsKept {
		t.Errorf("the newest event kept is %d, want %d", last, 20*eventsKept)
	}
	for _, b := range bores {
		if b.Seq < 20*eventsKept-1 {
			t.Errorf("the state of %s rests on event %d, want the newest", b.Station, b.Seq)
		}
	}
}

func TestViewerSeesItsStationOnlyAndTheStateFirst(t *testing.T) {
	h := testHub()
	s := h.Subscribe("bay2")
	defer s.Close()
	<-s.Ready()
	if bores, _, _ := s.Take(); len(bores) != 1 || bores[0].Station != "bay2" {
		t.Fatalf("first %+v, want the state of bay2", bores)
	}
	h.Committed([]event.Record{record("bay1", 1), record("bay2", 2)})
	h.tell(false, nil)
	if bores, _, events := s.Take(); len(bores) != 1 || len(events) != 1 || events[0].Seq != 2 {
		t.Errorf("%d states and events %+v, want those of bay2", len(bores), events)
	}
}

// Nothing is called recorded while the journal does not record.
func TestNotRecordingIsTheState(t *testing.T) {
	h := testHub()
	h.Recording(false, analysis.Say("store.full"))
	h.tell(false, nil)
	if b := h.Bore("bay1"); b.Recording || b.State != event.CannotJudge || b.Why.Code != "bore.not_recording" || b.Why.Text == "" || b.Warning.Code != "store.full" || b.Warning.Text == "" {
		t.Errorf("%+v", b)
	}
	h.Recording(true, analysis.Phrase{})
	h.tell(false, nil)
	if b := h.Bore("bay1"); !b.Recording || !b.Warning.IsZero() {
		t.Errorf("after recovery: %+v", b)
	}
}

// On a busy machine a state takes seconds by the clock, nearly all of them waiting;
// the page is not to wait ten times as long for the next.
func TestRestIsBounded(t *testing.T) {
	for took, want := range map[time.Duration]time.Duration{
		0: 0, time.Millisecond: tellShare * time.Millisecond, 3 * time.Second: tellRest, time.Hour: tellRest,
	} {
		if got := restAfter(took); got != want {
			t.Errorf("after %v rests %v, want %v", took, got, want)
		}
	}
}
