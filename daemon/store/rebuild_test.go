package store

import (
	"fmt"
	"reflect"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"fairbore/analysis"
	"fairbore/daemon/event"
	"fairbore/daemon/state"
)

// drawStory draws random events of some stations, in any order, whether the order makes sense or
// not.
func drawStory(t *rapid.T, stations []string, least, most int) (story []event.Event) {
	serials, jobs := []string{"0001", "0002", "0003"}, []string{"J-4107", "J-4112"}
	kinds := []event.Kind{event.Started, event.JobChosen, event.PartBegun, event.RoundOver, event.Placed,
		event.Taken, event.Taken, event.Taken, event.Taken, event.Refused, event.Voided, event.Restored, event.Kept,
		event.Mastering, event.RingRead, event.Mastered, event.Judged, event.Superseded, event.GaugeSeen, event.Warmed, event.Checked, event.Reread, event.SpeedsChecked, event.Disturbed, event.ClockSet, event.NoteAdded, event.Studied}
	for i := range rapid.IntRange(least, most).Draw(t, "events") {
		station := rapid.SampledFrom(stations).Draw(t, "station")
		kind := rapid.SampledFrom(kinds).Draw(t, "kind")
		n := rapid.IntRange(1, 4).Draw(t, "n")
		odd := rapid.Bool().Draw(t, "odd")
		e := event.Event{Station: station, At: morning.Add(time.Duration(i) * time.Minute), Kind: kind}
		switch kind {
		case event.JobChosen:
			e.Job = jobEvent(station, rapid.SampledFrom(jobs).Draw(t, "job")).Job
		case event.PartBegun:
			e.Part = &event.Part{Serial: rapid.SampledFrom(serials).Draw(t, "serial"), Count: n}
		case event.RoundOver:
			e.Round = &event.Round{Number: n, Strokes: 3 * n}
		case event.Placed:
			e.Place = &event.Choice{Place: analysis.Place{Depth: analysis.Length(n)}, Skip: odd}
		case event.Taken:
			e = reading(station, "J-4107", "0001", n)
			if odd {
				e.Reading.Rocking = event.Rocking{Motion: 1500, MotionSpread: 1e7, MotionSlope: float64(n)}
				e.Reading.Unexpected, e.Reading.Expected, e.Reading.ExpectedU = true, analysis.Length(n), 1
			}
		case event.Refused:
			e.Refused = &event.Refusal{Reason: analysis.Quote("no settled value"), Gauge: "G-11"}
		case event.Voided, event.Restored, event.Kept:
			e.Void = &event.Void{No: n, Reason: analysis.Quote("chip")}
		case event.Mastering:
			e.Master = &event.Master{Ring: analysis.Ring{ID: "R-0875"}, Of: n, Broken: odd}
		case event.RingRead:
			e.Ring = &event.RingReading{Ring: "R-0875", No: n, Of: 4, Raw: analysis.Length(n), Restart: odd, Gauge: "G-11"}
			e.Ring.Rocking = event.Rocking{Motion: 1500, MotionSpread: 1e7, MotionSlope: float64(n)}
		case event.Mastered:
			e.Master = &event.Master{Number: n, Ring: analysis.Ring{ID: "R-0875"}, Of: 3, Zero: analysis.Deviation(n), Gauge: "G-11"}
			e.Master.Averaging = &analysis.Averaging{Spread: 1e8, Slope: float64(n)}
			if at := analysis.Temperature(20_000 + n); odd { // by a second ring, so the zero is older
				e.Master.Second, e.Master.RingAt = true, &at
				e.Master.Gain = &event.Gain{Ring: analysis.Ring{ID: "R-0885"}, Ratio: 1.02, Certified: 100, Shown: 98, By: n, ZeroAt: morning.Add(time.Duration(i-n) * time.Minute)}
			}
		case event.Warmed:
			e.Warm = &event.Warmth{}
			if at := analysis.Temperature(20_000 + n); odd {
				e.Warm.Ring = &at
			} else {
				e.Warm.Part = &at
			}
		case event.Checked:
			e.Check = &event.ZeroCheck{Gauge: "G-11"}
			e.Check.Valid, e.Check.Good = true, odd
		case event.Reread:
			e.Reread = &event.Rereading{Gauge: "G-11"}
			e.Reread.Valid, e.Reread.Good = true, odd
		case event.SpeedsChecked:
			e.Speeds = &event.SpeedCheck{Gauge: "G-11"}
			e.Speeds.Between = analysis.Averaging{Spread: 1e9, Slope: float64(n)}
		case event.Disturbed:
			e.Note = "new tips"
		case event.Judged, event.Superseded:
			e.Verdict = &event.Verdict{Outcome: map[bool]event.Outcome{true: event.IsAccepted, false: event.Scrapped}[odd], Part: "0001", Job: "J-4107", Readings: n, State: event.InSize}
		case event.GaugeSeen:
			e.Gauge = &event.InstrumentState{Name: "G-11", Lost: odd}
		case event.Studied:
			e.Study = &event.Study{Begun: odd, Job: "J-4107", Parts: n, Appraisers: []string{"first shift"}, Trials: 2, Part: "0001", Trial: 1}
			if n > 2 {
				e.Study.Appraiser = "first shift"
			}
		case event.ClockSet:
			e.Clock = &event.Clock{Jump: float64(n)}
		}
		story = append(story, e)
	}
	return numbered(story)
}

// numbered numbers the parts of a story by station, as a session does. A result is of the newest
// part, one that supersedes another of any part so far.
func numbered(story []event.Event) []event.Event {
	begun := map[string]int{}
	for i := range story {
		switch e := &story[i]; e.Kind {
		case event.PartBegun:
			begun[e.Station]++
			e.Part.Begun = begun[e.Station]
		case event.Judged:
			e.Verdict.Begun = begun[e.Station]
		case event.Superseded:
			e.Verdict.Begun = max(0, begun[e.Station]-e.Verdict.Readings/2)
		}
	}
	return story
}

// fold returns the state that the events of a station lead to, without what makes no difference. It ends
// with a reading where the round in hand could be undone, since that state, which is kept beside, has
// such differences of its own; see undone.
func fold(records []event.Record, station string) *state.Fold {
	f := folded(records, station)
	if f.Undoable() {
		f.Apply(&event.Event{Kind: event.Taken, Station: station, At: f.Last, Reading: &event.Reading{No: 1000}})
	}
	return telling(f)
}

// undone returns the same after the rounds in hand that nothing was gauged in are undone.
func undone(records []event.Record, station string) *state.Fold {
	f := folded(records, station)
	for f.Undoable() {
		f.Apply(&event.Event{Kind: event.RoundUndone, Station: station, At: f.Last, Round: &event.Round{Number: f.Round()}})
	}
	return telling(f)
}

func folded(records []event.Record, station string) (f state.Fold) {
	for i := range records {
		if e := &records[i].Event; e.Station == station {
			f.Apply(e)
		}
	}
	return f
}

// telling returns a state without what makes no difference.
func telling(f state.Fold) *state.Fold {
	if f.Master == nil { // the values since the last mastering don't matter if there was none
		f.ReadingsSince, f.Moved, f.PartsSince, f.GaugedSince, f.Failed, f.LastReread, f.Knocked, f.Doubtful = 0, 0, nil, false, nil, nil, analysis.Phrase{}, nil
		f.GoodAt, f.FailedAt = time.Time{}, time.Time{}
		f.Averaging, f.AveragingOf = analysis.Averaging{}, ""
	}
	if f.Failed == nil { // the time of a failed check doesn't matter after a later mastering
		f.FailedAt = time.Time{}
	}
	return &f
}

// live draws a story of two new stations and records it. The first event of the story gets the
// number from+1.
func (r *running) live(rt *rapid.T, t *testing.T) (stations []string, from uint64, story []event.Event) {
	from = r.Last()
	stations = []string{fmt.Sprintf("bay a, after %d", from), fmt.Sprintf("bay b, after %d", from)}
	story = drawStory(rt, stations, 0, 40)
	if err := r.Append(t.Context(), story); err != nil {
		rt.Fatal(err)
	}
	r.settle(t, from+uint64(len(story)))
	return stations, from, story
}

// The state folded from the events that Rebuild returns equals the state folded from all events.
func TestRebuildEqualsEverything(t *testing.T) {
	r := start(t, config(t))
	rapid.Check(t, func(rt *rapid.T) {
		stations, from, story := r.live(rt, t)
		all, err := r.after(t.Context(), from, len(story)+1)
		if err != nil || len(all) != len(story) {
			rt.Fatalf("%d of %d read back, %v", len(all), len(story), err)
		}
		for _, station := range stations[:1] {
			few, err := r.Rebuild(t.Context(), station)
			if err != nil {
				rt.Fatal(err)
			}
			if !slices.IsSortedFunc(few, func(a, b event.Record) int { return int(a.Seq) - int(b.Seq) }) {
				rt.Error("out of order")
			}
			if got, want := fold(few, station), fold(all, station); !reflect.DeepEqual(got, want) {
				rt.Errorf("%s\ngot  %+v\nwant %+v", station, got, want)
			}
			if got, want := undone(few, station), undone(all, station); !reflect.DeepEqual(got, want) {
				rt.Errorf("%s, with its round undone\ngot  %+v\nwant %+v", station, got, want)
			}
		}
	})
}

// A part with very many readings does not make the next start slow.
func TestRebuildIsBounded(t *testing.T) {
	r := start(t, config(t))
	r.append(t, jobEvent("a", "J"), partEvent("a", "1", 1))
	var many []event.Event
	for n := range rebuildMost + 100 {
		many = append(many, reading("a", "J", "1", n+1))
	}
	r.append(t, many...)
	r.settle(t, uint64(len(many)+2))
	few, err := r.Rebuild(t.Context(), "a")
	if err != nil || len(few) != rebuildMost+2 {
		t.Fatalf("%d, %v", len(few), err)
	}
	if few[0].Kind != event.JobChosen || few[1].Kind != event.PartBegun || few[len(few)-1].Seq != r.Last() {
		t.Errorf("%s %s … %d", few[0].Kind, few[1].Kind, few[len(few)-1].Seq)
	}
}

// Rebuild keeps the newest verdicts of the job, even if they came before the mastering. The
// verdicts of the previous job do not count. The state has the same verdicts as the state folded
// from all events, although some are on parts without readings.
func TestRebuildKeepsTheLot(t *testing.T) {
	for _, parts := range []int{3, event.LotMost, event.LotMost + 20} {
		r := start(t, config(t))
		verdict := func(n int) event.Event {
			v := &event.Verdict{Outcome: event.Outcomes()[n%5], Begun: n, Part: fmt.Sprint(n), Job: "J", Readings: n % 2, State: event.StockToGo, Smallest: analysis.Length(n)}
			return event.Event{Station: "a", At: morning, Kind: event.Judged, Verdict: v}
		}
		story := []event.Event{jobEvent("a", "I"), verdict(1000), jobEvent("a", "J")}
		for n := range parts {
			story = append(story, partEvent("a", fmt.Sprint(n), n), verdict(n))
		}
		story = append(story, event.Event{Station: "a", At: morning, Kind: event.Mastered, Master: &event.Master{Number: 1, Ring: analysis.Ring{ID: "R-0875"}}}, partEvent("a", "last", parts))
		r.append(t, story...)
		r.settle(t, uint64(len(story)))
		all, err := r.after(t.Context(), 0, 0)
		if err != nil {
			t.Fatal(err)
		}
		few, err := r.Rebuild(t.Context(), "a")
		if err != nil {
			t.Fatal(err)
		}
		got, want := fold(few, "a"), fold(all, "a")
		if !reflect.DeepEqual(got, want) || len(got.Lot) != min(parts, event.LotMost) {
			t.Errorf("%d parts: %d verdicts, want %d", parts, len(got.Lot), len(want.Lot))
		}
	}
}

// A mastering in the middle of a part does not lose the facts about the earlier zero. A check that
// failed before the part was begun puts the readings of the part in doubt, even if a later check
// was good.
func TestRebuildKeepsTheZeroBefore(t *testing.T) {
	r := start(t, config(t))
	at := func(minute int, e event.Event) event.Event {
		e.Station, e.At = "a", morning.Add(time.Duration(minute)*time.Minute)
		return e
	}
	check := func(good bool) event.Event {
		e := event.Event{Kind: event.Checked, Check: &event.ZeroCheck{Gauge: "G-11"}}
		e.Check.Valid, e.Check.Good = true, good
		return e
	}
	mastered := event.Event{Kind: event.Mastered, Master: &event.Master{Number: 1, Ring: analysis.Ring{ID: "R-0875"}}}
	r.append(t, at(0, mastered), at(1, check(false)), at(2, check(true)), at(3, jobEvent("a", "J")), at(3, partEvent("a", "1", 1)), at(4, reading("a", "J", "1", 1)), at(5, mastered))
	r.settle(t, 7)
	all, err := r.after(t.Context(), 0, 0)
	if err != nil {
		t.Fatal(err)
	}
	few, err := r.Rebuild(t.Context(), "a")
	if err != nil {
		t.Fatal(err)
	}
	if got, want := fold(few, "a"), fold(all, "a"); !reflect.DeepEqual(got, want) {
		t.Errorf("\ngot  %+v\nwant %+v", got, want)
	}
}

// Newest returns the last event of a kind before a number. Of the temperature events it returns the
// last that has the temperature of the ring.
func TestNewest(t *testing.T) {
	r := start(t, config(t))
	rapid.Check(t, func(rt *rapid.T) {
		stations, from, story := r.live(rt, t)
		before := from + rapid.Uint64Range(0, uint64(len(story))+2).Draw(rt, "before")
		for _, k := range []event.Kind{event.JobChosen, event.Mastered, event.Warmed, event.Taken} {
			want := uint64(0)
			for i := range story {
				e := &story[i]
				if seq := from + uint64(i) + 1; seq < before && e.Station == stations[0] && e.Kind == k && (k != event.Warmed || e.Warm.Ring != nil) {
					want = seq
				}
			}
			got, err := r.Newest(t.Context(), stations[0], k, before)
			if err != nil {
				rt.Fatal(err)
			}
			if got == nil && want != 0 || got != nil && (got.Seq != want || got.Kind != k || got.Station != stations[0]) {
				rt.Errorf("%s before %d: %+v, want %d", k, before, got, want)
			}
		}
	})
}

// Rebuild gives the same Averaging of the gauge, found from readings of rings, as all events do,
// with and without a mastering.
func TestRebuildKeepsTheAveraging(t *testing.T) {
	for _, mastered := range []bool{false, true} {
		r := start(t, config(t))
		run := event.Event{Kind: event.Mastering, Master: &event.Master{Ring: analysis.Ring{ID: "R-0875"}, Of: 2, Check: true, Speeds: true}}
		ring := event.Event{Kind: event.RingRead, Ring: &event.RingReading{Ring: "R-0875", Gauge: "G-11", Rocking: event.Rocking{Motion: 1500, MotionSpread: 1e7, MotionSlope: 3000}}}
		sped := event.Event{Kind: event.SpeedsChecked, Speeds: &event.SpeedCheck{Gauge: "G-11", Speeds: analysis.Speeds{Between: analysis.Averaging{Spread: 1e8, Slope: 2e4}}}}
		story := []event.Event{run, ring, ring, sped, run, ring, ring, sped}
		if mastered {
			story = append(story, run, ring, ring, event.Event{Kind: event.Mastered, Master: &event.Master{Number: 1, Gauge: "G-11", Averaging: &analysis.Averaging{Spread: 3e8, Slope: 5e4, Readings: 8}}})
		}
		story = append(story, jobEvent("a", "J"), partEvent("a", "1", 1))
		if !mastered {
			story = append(story, run, ring, ring, sped)
		}
		for i := range story {
			story[i].Station, story[i].At = "a", morning.Add(time.Duration(i)*time.Minute)
		}
		r.append(t, story...)
		r.settle(t, uint64(len(story)))
		all, err := r.after(t.Context(), 0, 0)
		if err != nil {
			t.Fatal(err)
		}
		few, err := r.Rebuild(t.Context(), "a")
		if err != nil {
			t.Fatal(err)
		}
		var got, want state.Fold
		for i := range few {
			got.Apply(&few[i].Event)
		}
		for i := range all {
			want.Apply(&all[i].Event)
		}
		if !reflect.DeepEqual(got, want) || got.Averaging.Spread < 2e8 {
			t.Errorf("mastered %v:\ngot  %+v\nwant %+v", mastered, got, want)
		}
	}
}
