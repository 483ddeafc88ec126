package view

import (
	"encoding/json"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/daemon/event"
	"fairbore/daemon/state"
	"fairbore/daemon/web/shoptest"
)

// Each state says what it is in words and with a shape of its own, and what it
// shows largest is what matters then.
func TestFaces(t *testing.T) {
	for name, want := range map[string]struct {
		tone   Tone
		figure string
		big    string
	}{
		"rough":      {Stock, "17.2", ""}, // 22.22754 − 22.1838 = 43.74 µm = 17.22 tenths
		"closing":    {Stock, "2.2", ""},  // 22.22754 − 22.2220 = 5.54 µm = 2.18 tenths
		"partial":    {Act, "2.2", ""},
		"blind":      {Stock, "18.8", ""}, // 15.8780 − 15.8592 = 18.8 µm
		"sleeve":     {Stock, "130", ""},  // 31.75 − 31.7467 = 3.3 µm = 129.9 millionths
		"insize":     {Safe, "", "⟦face.big.in_size⟧"},
		"accepted":   {Act, "", "⟦face.big.check_after⟧"},
		"over":       {Danger, "", "⟦face.big.over⟧"},
		"unset":      {Act, "", "⟦face.big.not_mastered⟧"},
		"ready":      {Act, "", "⟦face.big.measure⟧"},
		"honed":      {Act, "", "⟦face.big.measure_again⟧"},
		"ring":       {Act, "", "⟦face.big.read_ring 2 3⟧"},
		"lost":       {Watch, "", "⟦face.big.gauge_lost⟧"},
		"unrecorded": {Watch, "", "⟦face.big.not_recording⟧"},
	} {
		b := shoptest.States()[name]
		in := notation.ForJob(b.Job)
		in.Language = notation.Codes()
		f := Of(b, in)
		if f.Tone != want.tone || f.Figure != want.figure || f.Big != want.big {
			t.Errorf("%s: %s %q %q, want %+v", name, f.Tone, f.Figure, f.Big, want)
		}
		if (f.Figure == "") == (f.Big == "") {
			t.Errorf("%s: figure %q and words %q: want one of them", name, f.Figure, f.Big)
		}
		if f.State == "" || f.Advice == "" {
			t.Errorf("%s: state %q, advice %q", name, f.State, f.Advice)
		}
	}
}

// The reason of what stops the work is two sentences. Where there is none, nothing stands there.
func TestReasons(t *testing.T) {
	states := shoptest.States()
	nothing := *states["ready"]
	nothing.Job, nothing.Now = nil, state.Now{Is: state.NoJob, Sentence: analysis.Say("now.no_job")}
	for want, b := range map[string]*state.Bore{
		"⟦now.because ⟦port.gone /dev/ttyUSB0⟧ ⟦now.why.gauge_lost⟧⟧": states["lost"],
		"⟦now.because ⟦store.full⟧ ⟦now.why.not_recording⟧⟧":          states["unrecorded"],
		"": &nothing,
	} {
		if f := Of(b, coded); f.Reason != want {
			t.Errorf("%s: reason %q, want %q", b.Now.Is, f.Reason, want)
		}
	}
}

// A job without a title is called by its id, once.
func TestJobWithoutTitle(t *testing.T) {
	b := *shoptest.States()["ready"]
	j := *b.Job
	b.Job = &j
	if f := Of(&b, coded); f.JobTitle != j.Title || j.Title == "" {
		t.Errorf("title %q, want %q", f.JobTitle, j.Title)
	}
	j.Title = j.ID
	if f := Of(&b, coded); f.Job != j.ID || f.JobTitle != "" {
		t.Errorf("job %q, title %q", f.Job, f.JobTitle)
	}
}

// first returns the action of the first step, and the others.
func first(f Station) (do string, also []string) {
	for _, b := range f.Buttons {
		if b.First {
			do = b.Do
		} else {
			also = append(also, b.Do)
		}
	}
	return do, also
}

// Over by less than a millionth is over, and the figure beside the word says by what.
func TestOverByLittle(t *testing.T) {
	b := *shoptest.States()["over"]
	b.Room = -100 // 0.01 µm
	for unit, want := range map[notation.Format]string{{}: "0.01", {Inch: true, Fine: true}: "0.4", {Inch: true}: "0.004"} {
		unit.Language = notation.Codes()
		if f := Of(&b, unit); f.RoomWord != "⟦face.room.over⟧" || f.Room != want {
			t.Errorf("%+v: %s %s, want %s", unit, f.RoomWord, f.Room, want)
		}
	}
}

// What is left to a limit is a bound while places are missing; once all are measured it is what it
// is. It is counted to one limit at a time, and named.
func TestOneFigure(t *testing.T) {
	for name, want := range map[string][4]string{
		"partial":  {"≥", "2.2", "⟦face.unit.left_to_low tenths⟧", "⟦face.caption.so_far ⟦face.caption.at 0.51 in / 90°⟧⟧"},
		"closing":  {"", "2.2", "⟦face.unit.left_to_low tenths⟧", "⟦face.caption.at 0.51 in / 90°⟧"},
		"close":    {"", "0.4", "⟦face.unit.left_to_low tenths⟧", "⟦face.caption.at 0.51 in / 0°⟧"}, // 22.22754 − 22.2266 = 0.94 µm
		"nearhigh": {"", "6", "⟦face.unit.over millionths⟧", "⟦face.caption.at 0.20 in / 0°⟧"},      // 31.7527 − 31.75254 = 0.16 µm
	} {
		b := shoptest.States()[name]
		in := notation.ForJob(b.Job)
		in.Language = notation.Codes()
		f := Of(b, in)
		if got := [4]string{f.AtLeast, f.Figure, f.Unit, f.Caption}; got != want {
			t.Errorf("%s: %q", name, got)
		}
		if f.Room != "" {
			t.Errorf("%s: a second figure: %q", name, f.Room)
		}
	}
}

// No size is shown as if it were known when the zero is not.
func TestNothingIsShownWithoutAZero(t *testing.T) {
	for _, name := range []string{"unset", "ring", "lost", "unrecorded", "honed"} {
		f := Of(shoptest.States()[name], coded)
		if f.Figure != "" || f.Room != "" {
			t.Errorf("%s: shows %q and %q", name, f.Figure, f.Room)
		}
	}
}

// A reading that may belong elsewhere is asked about before anything else is said;
// who gauges on has answered, and the question stays beside the advice.
func TestQuestionedReading(t *testing.T) {
	const q = "does it belong to 25 mm?"
	asked := func(p *shoptest.Play, i int) Station {
		p.Fold.Readings[len(p.Fold.Readings)-i].Ask = analysis.Quote(q)
		return Of(p.Bore(), coded)
	}
	closing := func() *shoptest.Play {
		return shoptest.Began("closing", shoptest.Bush()).Master().Rounds(shoptest.BushRounds, 4, 0)
	}
	f := asked(closing(), 1)
	if do, _ := first(f); f.Advice != q || f.Tone != Watch || do != "void" || !strings.HasPrefix(f.Reason, "⟦now.why.right_position ⟦advise.") || !strings.Contains(f.Reason, "⟦advise.much.strokes 2⟧") {
		t.Errorf("of the newest: %s %q, advice %q, reason %q", f.Tone, do, f.Advice, f.Reason)
	}
	f = asked(closing(), 6)
	if do, _ := first(f); !strings.HasPrefix(f.Reason, "⟦now.and "+q) || f.Tone != Stock || do != "round" {
		t.Errorf("of an older: %s %q, reason %q", f.Tone, do, f.Reason)
	}
	f = asked(shoptest.Began("insize", shoptest.Sleeve()).Master().Rounds(shoptest.SleeveRounds, 6, 0), 1)
	if do, _ := first(f); f.Big != "⟦face.big.right_position⟧" || f.Tone == Safe || do != "void" || f.Room != "" {
		t.Errorf("in size by a reading in question: %s %q %q", f.Tone, f.Big, do)
	}
}

// A surprising reading is asked about with both choices, before anything is built on it,
// also when other places were gauged since. Once it is kept nothing is asked.
func TestSurprisingReading(t *testing.T) {
	b := shoptest.States()["surprise"]
	f := Of(b, coded)
	if do, also := first(f); f.Advice != "⟦ask.larger 12.0 µm 13 mm / 90°⟧" || f.Tone != Watch || f.Is != state.RightPosition || do != "keep" || !slices.Equal(also, []string{"void"}) || f.Reason != "⟦now.why.does_not_count⟧" {
		t.Errorf("%s %q, due %q %q, advice %q", f.Tone, f.State, do, also, f.Advice)
	}
	if len(f.Asked) != 1 || f.Asked[0].No != b.Last.No || len(f.Readings) != 3 || f.Next != "13 mm / 90°" {
		t.Errorf("asked %+v, %d readings, next %s", f.Asked, len(f.Readings), f.Next)
	}
	p := shoptest.Began("surprise", shoptest.Bush()).Master().Rounds(shoptest.BushRounds, 4, 3)
	plan := p.Fold.Job.Plan()
	p.Unexpected(plan[3], shoptest.Length("22.2340 mm")).Take(plan[4], shoptest.Length("22.2239 mm"))
	if f := Of(p.Bore(), coded); f.Is != state.RightPosition || f.Advice != "⟦ask.larger 12.0 µm 13 mm / 90°⟧" {
		t.Errorf("gauged on: %s, advice %q", f.Is, f.Advice)
	}
	asked := p.Told[len(p.Told)-2]
	if h := Happening(&asked, coded); h.Good || h.Text != coded.Say(asked.Reading.Ask) {
		t.Errorf("sounds as taken: %+v", h)
	}
	if f := Of(b, notation.Format{Inch: true, Fine: true}); strings.Contains(f.Advice, "µm") {
		t.Errorf("in inches: %q", f.Advice)
	}
	lines := Lines(p.Told, &p.Fold, coded, strings.ToUpper)
	i := slices.IndexFunc(lines, func(l HistoryLine) bool { return l.No == asked.Reading.No })
	if lines[i].Not != "⟦history.not_counted ⟦uncounted.asked⟧⟧" || !lines[i].Void || lines[i+1].Note != "⟦ask.larger 12.0 µm 13 mm / 90°⟧" {
		t.Errorf("the list has %+v", lines[i:i+2])
	}
	p.Tell(event.Event{Kind: event.Kept, Void: &event.Void{No: asked.Reading.No}})
	lines = Lines(p.Told, &p.Fold, coded, strings.ToUpper)
	if lines[i].Not != "" || lines[len(lines)-1].Note != fmt.Sprintf("⟦history.kept %d⟧", asked.Reading.No) {
		t.Errorf("kept: %+v, %+v", lines[i], lines[len(lines)-1])
	}
	if f := Of(p.Bore(), coded); f.Is == state.RightPosition || len(f.Asked) != 0 || len(f.Readings) != 5 {
		t.Errorf("kept: %s, asked %+v", f.Is, f.Asked)
	}
	only := shoptest.Began("surprise", shoptest.Bush()).Master().Rounds(shoptest.BushRounds, 4, 3).Unexpected(plan[3], shoptest.Length("22.2340 mm"))
	only.Tell(event.Event{Kind: event.Kept, Void: &event.Void{No: only.No}})
	if f := Of(only.Bore(), coded); f.Is != state.OverSize {
		t.Errorf("the newest one kept: %s, %q", f.Is, f.Advice)
	}
}

// A bore that is still shrinking is not in size, whatever it reads now. Where its warmth can be
// taken off, that is offered.
func TestWarmIsNotInSize(t *testing.T) {
	for _, name := range []string{"warm", "cool"} {
		b := shoptest.States()[name]
		f := Of(b, coded)
		want := "⟦now.too_warm "
		if b.Cooling.Excess != nil {
			want = "⟦now.too_warm_or_correct "
		}
		if do, also := first(f); f.Tone != Watch || f.Big != "⟦face.big.too_warm⟧" || do != "" || also[0] != "temperature" || f.Room != "" || !strings.HasPrefix(f.Advice, want) || strings.Contains(f.Reason, "in_size") {
			t.Errorf("%s: %s %q, due %q, room %q, advice %q", name, f.Tone, f.Big, do, f.Room, f.Advice)
		}
	}
}

// An accepted part whose ring was not read since asks for the check as for any other step, in large
// words. The check says that it runs, and then what came of it.
func TestCheckAfterAcceptance(t *testing.T) {
	accepted := func() *shoptest.Play {
		p := shoptest.Began("accepted", shoptest.Sleeve()).Master().Rounds(shoptest.SleeveRounds, 6, 0)
		return p.Tell(event.Event{Kind: event.Judged, Verdict: &event.Verdict{Outcome: event.IsAccepted, Reason: analysis.Quote("in size"), Part: "0007", Job: "J-4112"}})
	}
	p := accepted()
	f := Of(p.Bore(), coded)
	if do, also := first(f); f.Tone != Act || f.Big != "⟦face.big.check_after⟧" || f.State != "⟦face.state.check_after⟧" || do != "check" || !slices.Equal(also, []string{"part"}) || f.Advice != "⟦now.check_after R-1250 0007⟧" || f.Reason != "⟦master.check_after 0007⟧" {
		t.Errorf("accepted: %s %q %q, %q %q, %q, %q", f.Tone, f.State, f.Big, do, also, f.Advice, f.Reason)
	}
	ring := *p.Set.Rings["R-1250"]
	p.Tell(event.Event{Kind: event.Mastering, Master: &event.Master{Ring: ring, Of: 3, Check: true}})
	for range 2 {
		p.Tell(event.Event{Kind: event.RingRead, Ring: &event.RingReading{Ring: "R-1250"}})
	}
	f = Of(p.Bore(), coded)
	if do, also := first(f); f.Big != "⟦face.big.check_ring 3 3⟧" || f.State != "⟦face.state.check_ring⟧" || f.Tone != Act || do != "" || !slices.Equal(also, []string{"leave", "record"}) || f.Master.Tone != Safe {
		t.Errorf("while the ring is read: %s %q %q, %q %q, %+v", f.Tone, f.State, f.Big, do, also, f.Master)
	}
	check := event.ZeroCheck{RingCheck: analysis.RingCheck{Valid: true, Good: true, Sentence: analysis.Quote("The zero holds.")}}
	good := check
	p.Tell(event.Event{Kind: event.Checked, Check: &good})
	f = Of(p.Bore(), coded)
	if do, _ := first(f); f.Tone != Safe || f.Big != "⟦face.big.accepted⟧" || do != "part" || f.Advice != "⟦now.accepted⟧" {
		t.Errorf("good: %s %q %q, %q", f.Tone, f.Big, do, f.Advice)
	}
	if h := Happening(&p.Told[len(p.Told)-1], coded); !h.Good || h.Text != "The zero holds." {
		t.Errorf("told as %+v", h)
	}
	check.Good, check.Error = false, 3000
	p = accepted().Tell(event.Event{Kind: event.Checked, Check: &check})
	f = Of(p.Bore(), coded)
	if do, also := first(f); f.Tone != Watch || f.Big != "⟦face.big.in_doubt⟧" || do != "master" || !slices.Equal(also, []string{"part"}) || f.Advice != "⟦now.in_doubt 0007⟧" || f.Reason != "⟦now.why.in_doubt⟧" {
		t.Errorf("failed: %s %q %q %q, %q, %q", f.Tone, f.Big, do, also, f.Advice, f.Reason)
	}
	f = Of(p.Master().Bore(), coded)
	if do, _ := first(f); f.Big != "⟦face.big.in_doubt⟧" || do != "part" || f.Advice != "⟦now.in_doubt_again 0007⟧" {
		t.Errorf("mastered again: %q %q, %q", f.Big, do, f.Advice)
	}
}

// What is said of a finished part, of the spindle and of the record is said once,
// and does not contradict itself.
func TestFacesDoNotContradict(t *testing.T) {
	all := shoptest.States()
	if f := Of(all["aside"], coded); f.State != "⟦outcome.on_hold⟧" || f.Big != "⟦outcome.on_hold⟧" {
		t.Errorf("on hold, and %q %q", f.State, f.Big)
	}
	if f := Of(all["spindle"], coded); !f.Turning || f.Cautions[0] != "⟦face.caution.turning⟧" || slices.Contains(f.Cautions, "⟦caution.spindle⟧") {
		t.Errorf("spindle: %q", f.Cautions)
	}
	if f := Of(all["reserve"], coded); f.Record.Tone != Watch || !strings.Contains(f.Cautions[0], "⟦store.reserve⟧") {
		t.Errorf("record: %+v, %q", f.Record, f.Cautions)
	}
}

func TestNoJob(t *testing.T) {
	var fold state.Fold
	f := Of(fold.Bore(&state.Settings{}, time.Now()), coded)
	if do, _ := first(f); f.Tone != Act || f.Big != "⟦face.big.no_job⟧" || f.State != "⟦face.state.no_job⟧" || do != "job" {
		t.Errorf("%+v", f)
	}
}

// In the unit that a viewer chose, everything he reads of the bore is in it, the
// sentences too: in mm nothing speaks of inches, in inches nothing of mm.
func TestOneUnitOnAFace(t *testing.T) {
	foreign := map[bool]*regexp.Regexp{
		false: regexp.MustCompile(`\d (in|µin|tenths|millionths)\b`), true: regexp.MustCompile(`\d (mm|µm)\b`),
	}
	for name, b := range shoptest.States() {
		if b.Refused == nil {
			b.Refused = &event.Refusal{Reason: analysis.Say("ask.larger", analysis.Deviation(25_000), b.Job.Plan()[0])}
		}
		for _, inch := range []bool{false, true} {
			f := notation.ForJob(b.Job)
			f.Inch = inch
			v := Of(b, f)
			v.Other, v.Places, v.Readings = "", nil, nil // the figure in other units is meant to be
			text, err := json.Marshal(v)
			if err != nil {
				t.Fatal(err)
			}
			if bad := foreign[inch].FindString(strings.NewReplacer("in size", "").Replace(string(text))); bad != "" {
				t.Errorf("%s, inch %v: %q in %s", name, inch, bad, text)
			}
		}
	}
}

// A caution about the next round of honing is not given with advice to stop.
func TestCautionsFitTheAdvice(t *testing.T) {
	honing := 0
	for name, b := range shoptest.States() {
		if b.Advice != nil && b.Advice.Kind.Honing() {
			honing++
			continue
		}
		for _, c := range Of(b, coded).Cautions {
			if c == "⟦caution.faster⟧" || c == "⟦caution.slower⟧" {
				t.Errorf("%s: caution %q though no round is advised", name, c)
			}
		}
	}
	if honing == 0 {
		t.Error("no state advises a round: nothing was tried")
	}
}

// A check of the speeds says at which speed to rock now, and what came of it.
func TestSpeedsAreAskedFor(t *testing.T) {
	p := shoptest.Began("speeds", shoptest.Sleeve()).Master()
	p.Tell(event.Event{Kind: event.Mastering, Master: &event.Master{Ring: *p.Set.Rings["R-1250"], Of: 6, Check: true, Speeds: true}})
	for n := range 6 {
		is := "rock_slowly"
		if n > 2 {
			is = "rock_fast"
		}
		if f := Of(p.Bore(), coded); f.Big != fmt.Sprintf("⟦face.big.%s %d 3⟧", is, n%3+1) || !strings.HasPrefix(f.Advice, "⟦now."+is+" ") || f.Tone != Act {
			t.Errorf("after %d: %q, %q", n, f.Big, f.Advice)
		}
		p.Tell(event.Event{Kind: event.RingRead, Ring: &event.RingReading{Ring: "R-1250"}})
	}
	e := event.Record{Event: event.Event{Kind: event.SpeedsChecked, Speeds: &event.SpeedCheck{Speeds: analysis.Speeds{Sentence: analysis.Quote("Reads 1.3 µm large when rocked fast: state averages: 100 ms.")}}}}
	if h := Happening(&e, coded); h.Good || h.Kind != event.SpeedsChecked || !strings.Contains(h.Text, "state averages: 100 ms") {
		t.Errorf("%+v", h)
	}
	if got := note(&e.Event, coded); !strings.HasPrefix(got, "⟦history.speeds Reads") {
		t.Errorf("in the history: %q", got)
	}
}

// What the uncertainty rests on that nobody stated or measured stands beside the gauge.
func TestAssumedIsSaid(t *testing.T) {
	b := *shoptest.States()["insize"]
	if f := Of(&b, coded); f.Gauge.More != "" {
		t.Errorf("nothing is assumed, and it says %q", f.Gauge.More)
	}
	b.Assumes = []event.Assumption{{Says: analysis.Say("assume.repeat", analysis.Fine(2000))}, {Says: analysis.Say("assume.part_alpha")}}
	if f := Of(&b, coded); f.Gauge.More != "⟦face.sign.assumed ⟦assume.and ⟦assume.repeat 0.20 µm⟧ ⟦assume.part_alpha⟧⟧⟧" {
		t.Errorf("says %q", f.Gauge.More)
	}
}

var coded = notation.Format{Language: notation.Codes()}

// Whatever a broker says of a bore, it is put into words.
func FuzzBore(f *testing.F) {
	f.Add(`{"now":{"is":"check_ring","do":"check","also":["part","accept"]},"job":{"id":"J-1","sections_mm":[5],"orientations_deg":[0]},"part":{},"u":{},"budget":{},"form":{},"judged":{},"advice":{},"cooling":{},"study":{},"verdict":{},"last":{},"refused":{},"reread":{},"check":{},"gauge":{},"cooldown":{},"warm":{}}`)
	f.Add(`{"master":{"ok":true,"at":"2026-11-25T09:00:00Z","running":{"speeds":true}},"places":[{"state":"asked"}],"voids":[{}],"words":[{"code":"x","args":[1]}],"cautions":[{}]}`)
	f.Fuzz(func(t *testing.T, text string) {
		var b state.Bore
		if json.Unmarshal([]byte(text), &b) != nil {
			return
		}
		if _, err := json.Marshal(Of(&b, notation.ForJob(b.Job))); err != nil {
			t.Fatal(err)
		}
	})
}

// The record of a part says who measured, who decided and who signed, and when somebody came.
func TestHistorySaysWho(t *testing.T) {
	told := []event.Record{
		{Event: event.Event{Kind: event.PersonNamed, Person: "a", Working: &event.Working{By: event.ByPIN, Readings: 2}}},
		{Event: event.Event{Kind: event.Taken, Person: "a", Reading: &event.Reading{No: 3, How: "button"}}},
		{Event: event.Event{Kind: event.Taken, Reading: &event.Reading{No: 4, How: "button"}}},
		{Event: event.Event{Kind: event.Judged, Person: "a", Verdict: &event.Verdict{Outcome: event.IsAccepted, SignedBy: "q"}}},
		{Event: event.Event{Kind: event.Superseded, Source: "broker", Person: "a", Verdict: &event.Verdict{Outcome: event.IsAccepted}}},
		{Event: event.Event{Kind: event.PersonNamed, Working: &event.Working{}}},
	}
	var got []string
	for _, l := range Lines(told, &state.Fold{}, notation.Format{Language: notation.Codes()}, strings.ToUpper) {
		got = append(got, l.Person)
	}
	if want := []string{"A", "A", "", "⟦history.signed A Q⟧", "⟦history.by_broker A⟧", ""}; !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
}

// A reading says that it doesn't count where it has no zero, as the record of the part does, and sounds
// so when it comes.
func TestReadingWithoutZeroIsNotCounted(t *testing.T) {
	told := []event.Record{{Event: event.Event{Kind: event.Taken, Reading: &event.Reading{No: 1, How: "button"}}}}
	l := Lines(told, &state.Fold{}, notation.Format{Language: notation.Codes()}, strings.ToUpper)
	if len(l) != 1 || l[0].Not != "⟦history.not_counted ⟦uncounted.no_zero⟧⟧" || !l[0].Void {
		t.Errorf("%+v", l)
	}
	if h := Happening(&told[0], notation.Format{Language: notation.Codes()}); h.Good || h.Text != "⟦face.happened.no_zero⟧" {
		t.Errorf("sounds as %+v", h)
	}
}
