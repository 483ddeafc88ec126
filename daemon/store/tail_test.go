package store

import (
	"context"
	"encoding/json"
	"fmt"
	"reflect"
	"testing"

	"pgregory.net/rapid"

	"fairbore/daemon/event"
)

// The cache returns the records that were added, or says that it does not have them.
func TestTailCacheHoldsTheNewestRecords(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		var r tailCache
		if r.add(0, []*entry{{event: &event.Event{}}}); len(r.records) > 0 {
			rt.Fatal("events are kept for nobody")
		}
		r.after("id", 0, 0, 1)
		first := rapid.Uint64Range(1, 9).Draw(rt, "first")
		body := make([]byte, rapid.IntRange(1<<10, 64<<10).Draw(rt, "length"))
		kept := uint64(tailMost / (len(body) + rawOverhead))
		last := first - 1
		for _, n := range rapid.SliceOfN(rapid.IntRange(1, 300), 1, 6).Draw(rt, "groups") {
			group := make([]*entry, n)
			for i := range group {
				station := fmt.Sprint(last + 1 + uint64(i))
				group[i] = &entry{event: &event.Event{Station: station, Kind: event.Taken}, body: body}
			}
			r.add(last, group)
			last += uint64(n)
		}
		done := rapid.Uint64Range(0, last).Draw(rt, "done with")
		if r.release(done); done < last && len(r.records) > 0 && r.first <= done {
			rt.Fatalf("number %d is kept, of %d to %d, done up to %d", r.first, first, last, done)
		}
		shown := last - rapid.Uint64Range(0, min(3, last)).Draw(rt, "not yet told")
		seq := rapid.Uint64Range(0, last+3).Draw(rt, "after")
		limit := rapid.IntRange(1, 100).Draw(rt, "limit")
		if n := uint64(len(r.records)); n > kept || r.bytes != int(n)*(len(body)+rawOverhead) {
			rt.Fatalf("%d texts of %d bytes in memory, counted as %d bytes", n, len(body), r.bytes)
		}
		got, ok := r.after("id", seq, shown, limit)
		if !ok {
			if seq+kept >= last && seq+1 >= first && seq >= done && done < last {
				rt.Fatalf("nothing after %d of %d to %d", seq, first, last)
			}
			return
		}
		want := 0
		if seq < shown {
			want = int(min(shown-seq, uint64(limit)))
		}
		if len(got) != want {
			rt.Fatalf("%d records after %d up to %d, want %d", len(got), seq, shown, want)
		}
		for i, x := range got {
			if x.Seq != seq+uint64(i)+1 || x.Station != fmt.Sprint(x.Seq) || x.Journal != "id" || x.Kind != event.Taken || &x.Body[0] != &body[0] {
				rt.Fatalf("record %d is %+v, want number %d", i, x, seq+uint64(i)+1)
			}
		}
	})
}

// The records that OnCommit and RawRecords get from memory equal the records read from the disk.
func TestTailCacheIsWhatTheDiskHas(t *testing.T) {
	r := start(t, config(t))
	if texts, err := r.RawRecords(t.Context(), 0, 1); err != nil || len(texts) > 0 { // from now on events are kept
		t.Fatal(texts, err)
	}
	for n := range 20 {
		r.append(t, reading("hone bay 1", "J-4107", "0001", n+1))
	}
	r.settle(t, 20)
	memory, err := r.RawRecords(t.Context(), 4, 10)
	if err != nil {
		t.Fatal(err)
	}
	v, err := View(context.Background(), r.path)
	if err != nil {
		t.Fatal(err)
	}
	defer v.Close()
	texts, err := v.RawRecords(t.Context(), 4, 10)
	if err != nil || len(texts) != 10 || !reflect.DeepEqual(texts, memory) {
		t.Fatalf("on disk %+v, %v; in memory %+v", texts, err, memory)
	}
	disk, err := v.after(t.Context(), 4, 10)
	if err != nil || len(disk) != 10 {
		t.Fatalf("%d records, %v", len(disk), err)
	}
	for i := range disk {
		m, d := &r.told[4+i], &disk[i]
		if m.Journal != d.Journal || m.Seq != d.Seq || string(m.Body) != string(d.Body) || string(texts[i].Body) != string(d.Body) || !m.At.Equal(d.At) {
			t.Errorf("told %+v, on disk %+v", m, d)
		}
		if body, err := json.Marshal(m.Event); err != nil || string(body) != string(m.Body) {
			t.Errorf("body %s of event %s (%v)", m.Body, body, err)
		}
		m.At, m.Reading.At = d.At, d.Reading.At
		if !reflect.DeepEqual(m.Event, d.Event) {
			t.Errorf("told %+v, on disk %+v", m.Event, d.Event)
		}
	}
}
