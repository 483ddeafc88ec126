package store

import (
	"context"
	"encoding/json"
	"reflect"
	"testing"

	"pgregory.net/rapid"

	"fairbore/daemon/session"
)

// What is in memory is what the whole of it says, or said to be missing.
func TestRecentEqualsAll(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		var r recent
		first := rapid.Uint64Range(1, 9).Draw(rt, "first")
		last := first - 1
		for _, n := range rapid.SliceOfN(rapid.IntRange(1, recentMost+10), 1, 6).Draw(rt, "groups") {
			told := make([]session.Record, n)
			for i := range told {
				last++
				told[i].Seq = last
			}
			r.add(told)
		}
		shown := last - rapid.Uint64Range(0, min(3, last)).Draw(rt, "not yet told")
		seq := rapid.Uint64Range(0, last+3).Draw(rt, "after")
		limit := rapid.IntRange(1, 100).Draw(rt, "limit")
		got, ok := r.after(seq, shown, limit)
		if !ok {
			if seq+1 >= last-recentMost/2 && seq+1 >= first {
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
		for i := range got {
			if got[i].Seq != seq+uint64(i)+1 {
				rt.Fatalf("record %d has number %d, want %d", i, got[i].Seq, seq+uint64(i)+1)
			}
		}
		if most := recentMost/2 + recentMost + 10; len(r.records) > most {
			rt.Fatalf("%d records in memory", len(r.records))
		}
	})
}

// A few small groups, or a large one, are not held up; small ones without end are.
func TestPressure(t *testing.T) {
	var p pressure
	play := func(sizes ...int) (held int) {
		for _, n := range sizes {
			if p.group(n) > 0 {
				held++
			}
		}
		return held
	}
	if n := play(1, 2, 3, 1); n != 0 {
		t.Errorf("%d of the first four groups were held up", n)
	}
	if n := play(1, 9, 9); n != 3 {
		t.Errorf("%d of three more groups were held up, want all", n)
	}
	if n := play(lingerBelow, 1, 1); n != 0 {
		t.Errorf("%d groups were held up after a large one", n)
	}
}

// A record told from memory is the one that is read back from the disk.
func TestRecentIsWhatTheDiskHas(t *testing.T) {
	r := start(t, config(t))
	for n := range 20 {
		r.append(t, reading("hone bay 1", "J-4107", "0001", n+1))
	}
	r.settle(t, 20)
	memory, err := r.After(t.Context(), 4, 10)
	if err != nil {
		t.Fatal(err)
	}
	v, err := View(context.Background(), r.path)
	if err != nil {
		t.Fatal(err)
	}
	defer v.Close()
	disk, err := v.After(t.Context(), 4, 10)
	if err != nil || len(disk) != 10 {
		t.Fatalf("%d records, %v", len(disk), err)
	}
	texts, err := v.Texts(t.Context(), 4, 10)
	if err != nil || len(texts) != 10 {
		t.Fatalf("%d texts, %v", len(texts), err)
	}
	for i := range disk {
		x, want := texts[i], session.Record{Journal: disk[i].Journal, Seq: disk[i].Seq, Body: disk[i].Body}
		want.Station, want.Kind = disk[i].Station, disk[i].Kind
		if !reflect.DeepEqual(x, want) {
			t.Errorf("text %+v, want %+v", x, want)
		}
		m, d := &memory[i], &disk[i]
		if m.Journal != d.Journal || m.Seq != d.Seq || string(m.Body) != string(d.Body) || !m.At.Equal(d.At) {
			t.Errorf("in memory %+v, on disk %+v", m, d)
		}
		if body, err := json.Marshal(m.Event); err != nil || string(body) != string(m.Body) {
			t.Errorf("body %s of event %s (%v)", m.Body, body, err)
		}
		m.At, m.Reading.At = d.At, d.Reading.At
		if !reflect.DeepEqual(m.Event, d.Event) {
			t.Errorf("in memory %+v, on disk %+v", m.Event, d.Event)
		}
	}
}
