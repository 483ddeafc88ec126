package store

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"fairbore/analysis"
	"fairbore/daemon/event"
)

// searchStory is a history in which gauges, people and results change at any time. A person is
// forgotten after some events without an event that says so, as at the end of a shift.
func searchStory(rng *rand.Rand, n int) (story []event.Event) {
	type at struct {
		gauge, person, part string
		left                int // events until the person is forgotten
	}
	stations := map[string]*at{"a": {}, "b": {}}
	pick := func(from ...string) string { return from[rng.IntN(len(from))] }
	for len(story) < n {
		name := pick("a", "b")
		s := stations[name]
		if s.left--; s.left < 0 {
			s.person = ""
		}
		var e event.Event
		switch k := rng.IntN(20); {
		case s.gauge == "" || k == 0:
			s.gauge = pick("G-07", "G-11", "G-12")
			e = event.Event{Kind: event.Configured, Settings: &event.Settings{Gauge: event.GaugeSettings{Name: s.gauge}}}
		case k == 1:
			e = jobEvent(name, pick("J-4107", "J-4112"))
		case k < 8:
			s.part = fmt.Sprintf("%04d", rng.IntN(9))
			e = partEvent(name, s.part, 1)
		case k < 10:
			s.person, s.left = pick("first-shift", "second-shift", "quality", ""), rng.IntN(30)
			e = event.Event{Kind: event.PersonNamed, Working: &event.Working{}}
		case k < 13:
			e = event.Event{Kind: event.Judged, Verdict: &event.Verdict{Outcome: event.Outcomes()[rng.IntN(5)], Part: s.part, Reason: analysis.Quote("x")}}
		case k < 18:
			e = reading(name, "J-4107", s.part, 1+rng.IntN(9))
			e.Reading.Gauge = s.gauge
		default:
			e = note(name, "x")
		}
		e.Station, e.Person = name, s.person
		e.At = morning.Add(time.Duration(len(story)) * time.Minute)
		story = append(story, e)
	}
	return story
}

// naive goes through all events in order.
func (s *PartSearch) naive(all []event.Record) (out []uint64) {
	_, _, begun := inHandAt(all)
	gauges, people := map[uint64]map[string]bool{}, map[uint64]map[string]bool{}
	for _, r := range all {
		part := begun[r.Seq]
		if r.Kind == event.PartBegun {
			gauges[part], people[part] = map[string]bool{}, map[string]bool{}
		}
		if part == 0 {
			continue
		}
		people[part][r.Person] = true
		if r.Kind == event.Taken {
			gauges[part][r.Reading.Gauge] = true
		}
	}
	f := s.Filter
	f.Limit = 0
	for _, p := range f.naiveParts(all) {
		outcome := Unfinished
		if p.Verdict != nil {
			outcome = string(p.Verdict.Outcome)
		}
		if (s.Outcome == "" || s.Outcome == outcome) && (s.Gauge == "" || gauges[p.Seq][s.Gauge]) && (s.Person == "" || people[p.Seq][s.Person]) {
			out = append(out, p.Seq)
		}
	}
	return out
}

// A search gives, page by page, what going through all events gives, however few parts it looks at
// in a page; and no text in its fields is taken for anything but text.
func TestSearchEqualsReadingAll(t *testing.T) {
	r := start(t, config(t))
	const n = 800
	r.append(t, searchStory(rand.New(rand.NewPCG(4, 112)), n)...)
	r.settle(t, n)
	all, err := r.after(t.Context(), 0, n)
	if err != nil {
		t.Fatal(err)
	}
	some := 0
	rapid.Check(t, func(rt *rapid.T) {
		s := PartSearch{Filter: drawFilter(rt, n+1)}
		s.Kinds = nil
		s.Outcome = rapid.SampledFrom([]string{"", "", "", "", "accepted", "rework", Unfinished, "scrap", "' or 1=1 --"}).Draw(rt, "outcome")
		s.Gauge = rapid.SampledFrom([]string{"", "", "", "", "G-07", "G-11", "G-99", "G-11' or '1", `G"%`}).Draw(rt, "gauge")
		s.Person = rapid.SampledFrom([]string{"", "", "", "", "first-shift", "quality", "nobody", "'; drop table event; --"}).Draw(rt, "person")
		most, step := rapid.IntRange(1, 60).Draw(rt, "most"), rapid.IntRange(1, 20).Draw(rt, "step")
		want := s.naive(all)
		var got []uint64
		for pages := 0; ; pages++ {
			found, err := r.search(t.Context(), s, most, step)
			if err != nil {
				rt.Fatal(err)
			}
			if s.Limit > 0 && len(found.Parts) > s.Limit || pages > n {
				rt.Fatalf("page %d has %d parts of %d", pages, len(found.Parts), s.Limit)
			}
			for _, p := range found.Parts {
				got = append(got, p.Seq)
			}
			if s.Before = found.Earlier; s.Before == 0 {
				break
			}
		}
		if !slices.Equal(got, want) {
			rt.Fatalf("%+v\ngot  %d\nwant %d", s, got, want)
		}
		some += min(1, len(want))
	})
	if some == 0 {
		t.Error("no search found anything")
	}
	jobs, gauges, people, err := r.Known(t.Context())
	slices.Sort(jobs)
	if err != nil || !slices.Equal(jobs, []string{"J-4107", "J-4112"}) || !slices.Equal(gauges, []string{"G-07", "G-11", "G-12"}) || !slices.Equal(people, []string{"first-shift", "quality", "second-shift"}) {
		t.Errorf("%v, %v, %v, %v", jobs, gauges, people, err)
	}
}

// Each query of a search goes by an index or by row numbers, at most through the spans it is given.
func TestSearchPlansSeek(t *testing.T) {
	r := start(t, config(t))
	r.append(t, jobEvent("a", "J-4107"), partEvent("a", "0001", 1))
	r.settle(t, 2)
	for _, query := range []string{readBetween, summary, partColumns + "indexed by event_kind where kind = 'part' and kind <> 'reading' and seq >= ? and seq <= ? order by seq desc limit ?"} {
		rows, err := readRows(t.Context(), r.read, func(s *struct {
			id, parent, unused int
			detail             string
		}) []any {
			return []any{&s.id, &s.parent, &s.unused, &s.detail}
		}, "explain query plan "+query, "a", 1, 2, 1)
		if err != nil {
			t.Fatal(err)
		}
		for _, row := range rows {
			if what, scan := strings.CutPrefix(row.detail, "SCAN "); scan && (strings.HasPrefix(what, "e") || strings.HasPrefix(what, "reading")) {
				t.Errorf("%s: %s", query, row.detail)
			}
		}
	}
}

// BenchmarkSearch searches 100,000 parts of four stations: what the page of parts does, and the
// longest search, for something that no part has.
func BenchmarkSearch(b *testing.B) {
	r := start(b, config(b))
	const parts, each = 100_000, 3
	var story []event.Event
	for s := range 4 {
		name := fmt.Sprintf("bay %d", s)
		story = append(story, event.Event{Station: name, At: morning, Kind: event.Configured, Settings: &event.Settings{Gauge: event.GaugeSettings{Name: "G-11"}}}, jobEvent(name, "J-4107"))
	}
	put := func() {
		if err := r.Append(b.Context(), story); err != nil {
			b.Fatal(err)
		}
		story = nil // the journal keeps what it is given
	}
	for i := range parts {
		name := fmt.Sprintf("bay %d", i%4)
		serial := fmt.Sprintf("%06d", i)
		begun, read := partEvent(name, serial, i+1), reading(name, "J-4107", serial, 1)
		judged := event.Event{Station: name, Kind: event.Judged, Verdict: &event.Verdict{Outcome: event.IsAccepted, Part: serial, Reason: analysis.Quote("x")}}
		begun.At = morning.Add(time.Duration(i) * time.Minute)
		read.At, judged.At = begun.At, begun.At
		if story = append(story, begun, read, judged); len(story) >= 3000 {
			put()
		}
	}
	put()
	r.settle(b, 8+parts*each)
	for name, s := range map[string]PartSearch{
		"newest": {}, "job": {Filter: Filter{Job: "J-4107"}}, "part": {Filter: Filter{Part: "000017"}}, "accepted": {Outcome: "accepted"}, "gauge": {Gauge: "G-11"},
		"none": {Outcome: "scrap"}, "no-gauge": {Gauge: "G-99"}, "old-days": {Filter: Filter{From: morning, To: morning.Add(24 * time.Hour)}},
	} {
		b.Run(name, func(b *testing.B) {
			var took []time.Duration
			for b.Loop() {
				began := time.Now()
				if _, err := r.Search(b.Context(), s); err != nil {
					b.Fatal(err)
				}
				took = append(took, time.Since(began))
			}
			percentiles(b, took)
		})
	}
}
