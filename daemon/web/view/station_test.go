package view

import (
	"encoding/json"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"testing"

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
		"partial":    {Stock, "2.2", ""},
		"blind":      {Stock, "18.8", ""}, // 15.8780 − 15.8592 = 18.8 µm
		"sleeve":     {Stock, "130", ""},  // 31.75 − 31.7467 = 3.3 µm = 129.9 millionths
		"insize":     {Safe, "", "⟦face.big.in_size⟧"},
		"accepted":   {Safe, "", "⟦face.big.accepted⟧"},
		"over":       {Danger, "", "⟦face.big.over⟧"},
		"unset":      {Act, "", "⟦face.big.not_mastered⟧"},
		"ready":      {Act, "", "⟦face.big.gauge_it⟧"},
		"honed":      {Act, "", "⟦face.big.gauge_again⟧"},
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

// A check that is due before accepting is the action that is offered, before it would
// be refused; with a fresh one it is to accept.
func TestCheckIsAskedForBeforeAccepting(t *testing.T) {
	b := *shoptest.States()["insize"]
	if b.Master.CheckDue.IsZero() {
		t.Error("so many readings after the mastering no check is due")
	}
	b.Master.CheckDue = analysis.Phrase{}
	if f := Of(&b, coded); f.Due != "accept" || strings.Contains(f.Advice, "⟦face.advice.check ") {
		t.Errorf("a fresh zero: %s, %q", f.Due, f.Advice)
	}
	b.Master.CheckDue = analysis.Quote("A zero check is due.")
	if f := Of(&b, coded); f.Due != "check" || f.Advice != "⟦face.advice.check "+b.Master.Ring+"⟧" || f.Reason != "A zero check is due." {
		t.Errorf("due: %s, %q, %q", f.Due, f.Advice, f.Reason)
	}
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

// A stock that places not gauged yet may exceed is a lower bound, a room an upper
// one; once all are gauged both are what they are.
func TestBoundsWhilePlacesAreMissing(t *testing.T) {
	all := shoptest.States()
	some, whole := Of(all["partial"], coded), Of(all["closing"], coded)
	if some.AtLeast != "≥" || some.RoomWord != "⟦face.room.at_most⟧" {
		t.Errorf("places missing: %q %q", some.AtLeast, some.RoomWord)
	}
	if whole.AtLeast != "" || whole.RoomWord != "⟦face.room.left⟧" {
		t.Errorf("all gauged: %q %q", whole.AtLeast, whole.RoomWord)
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
	b := shoptest.States()["closing"]
	b.Places[len(b.Places)-1].Ask = analysis.Quote(q)
	if f := Of(b, coded); f.Advice != Sentence(q) || f.Tone != Watch || f.Due != "void" || !strings.HasPrefix(f.Reason, "⟦face.reason.right_place ⟦advise.") || !strings.Contains(f.Reason, "⟦advise.much.strokes 2⟧") {
		t.Errorf("of the newest: %s %q, advice %q, reason %q", f.Tone, f.Due, f.Advice, f.Reason)
	}
	b = shoptest.States()["closing"]
	b.Places[2].Ask = analysis.Quote(q)
	if f := Of(b, coded); !strings.HasPrefix(f.Reason, Sentence(q)) || f.Tone != Stock || f.Due != "round" {
		t.Errorf("of an older: %s %q, reason %q", f.Tone, f.Due, f.Reason)
	}
	b = shoptest.States()["insize"]
	b.Places[len(b.Places)-1].Ask = analysis.Quote(q)
	if f := Of(b, coded); f.Big == "⟦face.big.in_size⟧" || f.Tone == Safe || f.Due == "accept" {
		t.Errorf("in size by a reading in question: %s %q %q", f.Tone, f.Big, f.Due)
	}
}

// A surprising reading is asked about with both choices, before anything is built on it,
// also when other places were gauged since.
func TestSurprisingReading(t *testing.T) {
	b := shoptest.States()["surprise"]
	f := Of(b, coded)
	if f.Advice != "⟦ask.larger 12.0 µm 13 mm / 90°⟧" || f.Tone != Watch || f.State != "⟦face.state.right_place⟧" || f.Due != "keep" || f.Reason != "⟦face.reason.not_yet⟧" {
		t.Errorf("%s %q, due %q, advice %q", f.Tone, f.State, f.Due, f.Advice)
	}
	if len(f.Asked) != 1 || f.Asked[0].No != b.Last.No || len(f.Readings) != 3 || f.Next != "13 mm / 90°" {
		t.Errorf("asked %+v, %d readings, next %s", f.Asked, len(f.Readings), f.Next)
	}
	p := shoptest.Began("surprise", shoptest.Bush()).Master().Rounds(shoptest.BushRounds, 4, 3)
	plan := p.Fold.Job.Plan()
	p.Unexpected(plan[3], shoptest.Length("22.2340 mm")).Take(plan[4], shoptest.Length("22.2239 mm"))
	if f := Of(p.Bore(), coded); f.Due != "keep" || f.Advice != "⟦ask.larger 12.0 µm 13 mm / 90°⟧" {
		t.Errorf("gauged on: due %q, advice %q", f.Due, f.Advice)
	}
	asked := p.Told[len(p.Told)-2]
	if h := Happening(&asked, coded); h.Good || h.Text != coded.Say(asked.Reading.Ask) {
		t.Errorf("sounds as taken: %+v", h)
	}
	if f := Of(b, notation.Format{Inch: true, Fine: true}); strings.Contains(f.Advice, "µm") {
		t.Errorf("in inches: %q", f.Advice)
	}
	lines := Lines(p.Told, coded, strings.ToUpper)
	i := slices.IndexFunc(lines, func(l HistoryLine) bool { return l.No == asked.Reading.No })
	if lines[i].Void != "⟦history.not_confirmed⟧" || lines[i+1].Note != "⟦ask.larger 12.0 µm 13 mm / 90°⟧" {
		t.Errorf("the list has %+v", lines[i:i+2])
	}
	p.Tell(event.Event{Kind: event.Kept, Void: &event.Void{No: asked.Reading.No}})
	lines = Lines(p.Told, coded, strings.ToUpper)
	if lines[i].Void != "" || lines[len(lines)-1].Note != fmt.Sprintf("⟦history.kept %d⟧", asked.Reading.No) {
		t.Errorf("kept: %+v, %+v", lines[i], lines[len(lines)-1])
	}
	if f := Of(p.Bore(), coded); f.Due == "keep" || len(f.Asked) != 0 || len(f.Readings) != 5 {
		t.Errorf("kept: due %q, asked %+v", f.Due, f.Asked)
	}
}

// A bore that is still shrinking is not in size, whatever it reads now.
func TestWarmIsNotInSize(t *testing.T) {
	for _, name := range []string{"warm", "cool"} {
		f := Of(shoptest.States()[name], coded)
		if f.Tone != Watch || f.Big != "⟦face.big.too_warm⟧" || f.Due != "" || f.Room != "" || !strings.HasPrefix(f.Advice, "⟦face.advice.cool ") || strings.Contains(f.Reason, "in_size") {
			t.Errorf("%s: %s %q, due %q, room %q, advice %q", name, f.Tone, f.Big, f.Due, f.Room, f.Advice)
		}
	}
}

// What is taken off for the warmth of a part is said, and the part is judged; where it
// could be, that is offered.
func TestWarmthThatIsTakenOff(t *testing.T) {
	b := shoptest.States()["warm"]
	if f := Of(b, coded); b.Cooling.Excess != nil != strings.Contains(f.Advice, "⟦face.advice.take_off⟧") {
		t.Errorf("excess %v, advice %q", b.Cooling.Excess, f.Advice)
	}
	b.Cooling.Excess = &analysis.Excess{Size: 3, U: 1}
	if f := Of(b, coded); !strings.HasSuffix(f.Advice, "⟦face.advice.take_off⟧") {
		t.Errorf("advice %q", f.Advice)
	}
	b.Cool = &state.CoolNow{Sentence: analysis.Quote("Warm by its cooling: 1.20 µm is taken off.")}
	if f := Of(b, coded); f.Big == "⟦face.big.too_warm⟧" || !strings.HasPrefix(f.Reason, coded.Say(b.Cool.Sentence)) || strings.Contains(f.Advice, "⟦face.advice.cool") || strings.Contains(f.Advice, "⟦face.advice.take_off⟧") {
		t.Errorf("%q, advice %q, reason %q", f.Big, f.Advice, f.Reason)
	}
}

// An accepted part whose ring was not looked at since says so; one in doubt is not shown
// as accepted.
func TestAfterAcceptance(t *testing.T) {
	b := shoptest.States()["accepted"]
	if b.Master.CheckAfter.IsZero() {
		t.Fatal("no check is asked for after the last reading")
	}
	if f := Of(b, coded); f.Big != "⟦face.big.accepted⟧" || !strings.Contains(f.Reason, "⟦master.check_after "+b.Part.Serial+"⟧") {
		t.Errorf("%q, %q", f.Big, f.Reason)
	}
	b.Master.Doubted = true
	if f := Of(b, coded); f.Big != "⟦face.big.in_doubt⟧" || f.Tone != Watch || f.Advice != "⟦face.advice.in_doubt "+b.Part.Serial+"⟧" || !strings.Contains(f.Reason, "⟦face.reason.in_doubt⟧") {
		t.Errorf("%q %s, %q, %q", f.Big, f.Tone, f.Advice, f.Reason)
	}
}

// Near size the figure is of the place that is nearest to its limit.
func TestFigureNearSize(t *testing.T) {
	if f := Of(shoptest.States()["nearhigh"], coded); f.Figure != "+1.4" || !strings.HasPrefix(f.Caption, "⟦face.caption.widest ") || f.RoomWord != "⟦face.room.over⟧" {
		t.Errorf("high: %q %q %q", f.Figure, f.Caption, f.RoomWord) // 31.7527 − 31.75127 = 1.43 µm
	}
	if f := Of(shoptest.States()["close"], coded); !strings.HasPrefix(f.Caption, "⟦face.caption.to_low ") && !strings.HasPrefix(f.Caption, "⟦face.caption.tightest ") {
		t.Errorf("low: %q %q", f.Figure, f.Caption)
	}
}

// What is said of a finished part, of the spindle and of the record is said once,
// and does not contradict itself.
func TestFacesDoNotContradict(t *testing.T) {
	all := shoptest.States()
	if f := Of(all["aside"], coded); f.State != "⟦face.state.laid_aside⟧" {
		t.Errorf("laid aside, and %q", f.State)
	}
	if f := Of(all["spindle"], coded); !f.Turning || f.Cautions[0] != "⟦face.caution.turning⟧" || slices.Contains(f.Cautions, "⟦caution.spindle⟧") {
		t.Errorf("spindle: %q", f.Cautions)
	}
	if f := Of(all["reserve"], coded); f.Record.Tone != Watch || !strings.Contains(f.Cautions[0], "⟦store.reserve⟧") {
		t.Errorf("record: %+v, %q", f.Record, f.Cautions)
	}
}

func TestNoJob(t *testing.T) {
	f := Of(&state.Bore{State: event.CannotJudge, Why: analysis.Quote("choose a job")}, coded)
	if f.Tone != Act || f.Big != "⟦face.big.no_job⟧" {
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
	b := *shoptest.States()["ring"]
	run := *b.Master.Running
	run.Check, run.Speeds, run.Of = true, true, 6
	b.Master.Running = &run
	for n, want := range map[int][2]string{0: {"⟦face.big.rock_slowly 1 3⟧", "⟦face.advice.rock_slowly "}, 2: {"⟦face.big.rock_slowly 3 3⟧", "⟦face.advice.rock_slowly "}, 3: {"⟦face.big.rock_fast 1 3⟧", "⟦face.advice.rock_fast "}, 5: {"⟦face.big.rock_fast 3 3⟧", "⟦face.advice.rock_fast "}} {
		run.Raw = make([]analysis.Length, n)
		if f := Of(&b, coded); f.Big != want[0] || !strings.HasPrefix(f.Advice, want[1]) || f.Tone != Act {
			t.Errorf("after %d: %q, %q", n, f.Big, f.Advice)
		}
	}
	e := event.Record{Event: event.Event{Kind: event.SpeedsChecked, Speeds: &event.SpeedCheck{Speeds: analysis.Speeds{Sentence: analysis.Quote("Reads 1.3 µm large when rocked fast: state averages: 100 ms.")}}}}
	if h := Happening(&e, coded); h.Good || h.Kind != event.SpeedsChecked || !strings.Contains(h.Text, "state averages: 100 ms") {
		t.Errorf("%+v", h)
	}
	if got := note(&e.Event, coded); !strings.HasPrefix(got, "⟦history.speeds Reads") {
		t.Errorf("in the history: %q", got)
	}
}

// What is assumed of the gauge stands beside it.
func TestAssumedIsSaid(t *testing.T) {
	b := *shoptest.States()["insize"]
	if f := Of(&b, coded); f.Gauge.More != "" {
		t.Errorf("nothing is assumed, and it says %q", f.Gauge.More)
	}
	budget := *b.Budget
	budget.Components = slices.Clone(budget.Components)
	for i := range budget.Components {
		if l := &budget.Components[i]; l.Name == "repeat" || l.Name == "contact and form" {
			l.Basis, l.Share = "assumed", 30
		}
	}
	b.Budget = &budget
	if f := Of(&b, coded); f.Gauge.More != "⟦face.sign.assumed ⟦face.assumed.repeatability⟧⟧" {
		t.Errorf("says %q", f.Gauge.More)
	}
}

var coded = notation.Format{Language: notation.Codes()}

// Whatever a broker says of a bore, it is put into words.
func FuzzBore(f *testing.F) {
	f.Add(`{"job":{"id":"J-1","sections_mm":[5],"orientations_deg":[0]},"part":{},"u":{},"budget":{},"form":{},"judged":{},"advice":{},"cooling":{},"study":{},"verdict":{},"last":{},"refused":{},"reread":{},"check":{},"gauge":{},"cooldown":{},"warm":{}}`)
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
		{Event: event.Event{Kind: event.Judged, Person: "a", Verdict: &event.Verdict{Accepted: true, SignedBy: "q"}}},
		{Event: event.Event{Kind: event.PersonNamed, Working: &event.Working{}}},
	}
	var got []string
	for _, l := range Lines(told, notation.Format{Language: notation.Codes()}, strings.ToUpper) {
		got = append(got, l.Person)
	}
	if want := []string{"A", "A", "", "⟦history.signed A Q⟧", ""}; !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
}
