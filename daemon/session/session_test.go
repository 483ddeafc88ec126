package session

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/analysis/verdict"
	"fairbore/daemon/event"
	"fairbore/daemon/state"
	"fairbore/drivers"
)

const um = analysis.Micrometre

// sleeve is job B of the demo's shop: invented data.
func sleeve() *analysis.Job {
	mm := func(s string) analysis.Length { return lengthOf(s + " mm") }
	return &analysis.Job{
		ID: "J-4112", Title: "spindle sleeve", Unit: analysis.IN, Face: "front", Nominal: mm("31.75"),
		Limits: analysis.Limits{Low: mm("31.75"), High: mm("31.75254"), Target: mm("31.75127")},
		Band:   analysis.Deviation(200 * um), Variation: analysis.Deviation(um), Length: mm("63.5"),
		Sections:     []analysis.Length{mm("5"), mm("32"), mm("58")},
		Orientations: []analysis.Angle{0, 90 * analysis.Degree}, Ring: "R-1250",
		Interrupts: []analysis.Interrupt{{From: mm("40"), To: mm("42"), What: "groove"}},
	}
}

func lengthOf(s string) analysis.Length {
	l, err := analysis.ParseLength(s)
	if err != nil {
		panic(err)
	}
	return l
}

func testSettings() state.Settings {
	job := sleeve()
	return state.Settings{
		Station: "bay2",
		Settings: event.Settings{
			Gauge:      state.GaugeSettings{Name: "G-11", Unit: analysis.MM, Repeatability: analysis.Deviation(um / 10), Step: analysis.Deviation(um / 10)},
			Capture:    state.CaptureSettings{Mode: "button", Bounce: 300 * time.Millisecond},
			Master:     state.MasterSettings{Readings: 3, Spread: analysis.Deviation(um / 2), Lapse: event.Lapse{Age: 30 * time.Minute, Readings: 60, Fresh: 10 * time.Minute, FreshReadings: 20}},
			DepthReach: 2 * analysis.Millimetre,
		},
		Jobs:  map[string]*analysis.Job{job.ID: job},
		Rings: map[string]*analysis.Ring{"R-1250": {ID: "R-1250", Size: lengthOf("31.7497 mm"), U: analysis.Deviation(um / 4)}},
	}
}

// bench plays a session with a clock of its own.
type bench struct {
	*Session
	t    testing.TB
	now  drivers.Moment
	all  []event.Event
	last []event.Event
}

func newBench(t testing.TB, set state.Settings) *bench {
	start := time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC)
	return &bench{Session: New(set, nil), t: t, now: drivers.Moment{Wall: start}}
}

func (b *bench) wait(d time.Duration) {
	b.now.Wall, b.now.Mono = b.now.Wall.Add(d), b.now.Mono+d
}

func (b *bench) keep(ev []event.Event) []event.Event {
	b.last = ev
	b.all = append(b.all, ev...)
	return ev
}

// send sends what a gauge shows, such as "31.7497" or "A 31.7497 mm".
func (b *bench) send(text string) []event.Event {
	b.t.Helper()
	b.wait(time.Second)
	return b.keep(b.Sample(b.now, "G-11", []drivers.Sample{sample(b.t, text)}))
}

func sample(t testing.TB, text string) drivers.Sample {
	var smp drivers.Sample
	f := strings.Fields(text)
	if f[0] >= "A" {
		smp.Channel, f = f[0], f[1:]
	}
	digits, places, err := analysis.ParseDecimal(f[0])
	if err != nil {
		t.Fatal(err)
	}
	smp.Digits, smp.Places, smp.Raw = digits, places, []byte(text)
	if len(f) > 1 {
		smp.Unit = drivers.Unit(f[1])
	}
	return smp
}

func (b *bench) do(a event.Action) event.Reply {
	b.wait(time.Second)
	ev, r := b.Act(b.now, a)
	b.keep(ev)
	return r
}

func (b *bench) must(a event.Action) {
	b.t.Helper()
	if r := b.do(a); !r.Done {
		b.t.Fatalf("%s: refused: %s", a.Do, r.Why)
	}
}

func (b *bench) master() {
	b.t.Helper()
	b.must(event.Action{Do: "master"})
	for range 3 {
		b.send("31.7500") // 0.3 µm more than the ring is
	}
	if b.Fold().Master == nil || b.Fold().Running != nil {
		b.t.Fatal("three equal ring readings did not make a mastering")
	}
}

// bore is the state now, with the texts of its phrases as it is told.
func (b *bench) bore() *state.Bore {
	g := b.Fold().Bore(&b.set, b.now.Wall)
	notation.ForJob(g.Job).Fill(g)
	return g
}

// coded is a phrase by its code and its values, in mm and µm.
func coded(p analysis.Phrase) string { return notation.Format{Language: notation.Codes()}.Say(p) }

// drawn is a phrase by its code and its values, in the unit of the drawing.
func drawn(j *analysis.Job, p analysis.Phrase) string {
	f := notation.ForJob(j)
	f.Language = notation.Codes()
	return f.Say(p)
}

func allCoded(ps []analysis.Phrase) (codes []string) {
	for _, p := range ps {
		codes = append(codes, coded(p))
	}
	return codes
}

func ready(t testing.TB) *bench {
	b := newBench(t, testSettings())
	b.must(event.Action{Do: "job", Job: "J-4112"})
	b.must(event.Action{Do: "part", Part: "003"})
	b.master()
	return b
}

func TestReadingsAreCorrectedAndTagged(t *testing.T) {
	b := ready(t)
	want := []string{"5 mm / 0°", "5 mm / 90°", "32 mm / 0°", "32 mm / 90°", "58 mm / 0°", "58 mm / 90°"}
	for i, place := range want {
		b.send(fmt.Sprintf("31.74%d", 60+i))
		ev := b.last
		if len(ev) != 1 || ev[0].Kind != event.Taken {
			t.Fatalf("reading %d: events %+v", i, ev)
		}
		r := ev[0].Reading
		if r.Place.String() != place || r.Part != "003" || r.Job != "J-4112" || r.Round != 0 || r.No != i+1 || r.Mastered != 1 {
			t.Errorf("reading %d is tagged %s part %s job %s round %d no %d", i, r.Place, r.Part, r.Job, r.Round, r.No)
		}
		if i == 0 && r.Size != lengthOf("31.7457 mm") {
			t.Errorf("size %s, want 31.7457 mm: what it shows less the 0.3 µm that it shows too much", r.Size)
		}
		if r.Size != r.Raw-3*um/10 || analysis.Length(r.Deviation) != r.Size-b.Fold().Job.Target {
			t.Errorf("size %s of raw %s, deviation %d", r.Size, r.Raw, r.Deviation)
		}
	}
	if !b.bore().Complete {
		t.Error("the plan is gauged but not complete")
	}
	b.send("31.7480")
	if len(b.last) != 2 || b.last[0].Kind != event.RoundOver || !b.last[0].Round.Auto || b.last[1].Reading.Round != 1 || b.last[1].Reading.Place.String() != want[0] {
		t.Errorf("gauging a complete plan again: %+v", b.last)
	}
}

func TestStates(t *testing.T) {
	b := newBench(t, testSettings())
	state := func(want event.State, why string) {
		t.Helper()
		if g := b.bore(); g.State != want || !strings.Contains(coded(g.Why), why) {
			t.Errorf("state %q (%s), want %q (%s)", g.State, g.Why, want, why)
		}
	}
	gauge := func(sizes ...string) {
		for _, s := range sizes {
			b.send(s)
		}
	}
	state(event.CannotJudge, "⟦bore.choose_job⟧")
	b.must(event.Action{Do: "job", Job: "J-4112"})
	state(event.NotMastered, "⟦bore.read_the_ring⟧")
	b.master()
	state(event.CannotJudge, "⟦bore.nothing⟧")
	// The zero is −0.3 µm: 31.7503 shown is 31.7500, the low limit itself.
	gauge("31.7502", "31.7503", "31.7504", "31.7504", "31.7504")
	state(event.StockToGo, "⟦verdict.stock 0.1 µm 5 mm / 0°⟧")
	gauge("31.7504")
	if g := b.bore(); g.ToLow != analysis.Deviation(um/10) || g.Room != analysis.Deviation(um*244/100) {
		t.Errorf("to low %d, room %d, want 1000 and 24400 (0.1 and 2.44 µm)", g.ToLow, g.Room)
	}
	b.must(event.Action{Do: "round", Strokes: 3})
	state(event.CannotJudge, "⟦bore.honed_since⟧")
	gauge("31.7503", "31.7504")
	state(event.CannotJudge, "⟦bore.missing 4⟧")
	gauge("31.7504", "31.7504", "31.7504", "31.75284") // the last is the high limit exactly
	if g := b.bore(); g.Room != 0 {
		t.Errorf("room %d at the high limit itself", g.Room)
	}
	state(event.OutOfForm, "⟦verdict.out_of_form ⟦verdict.form.variation⟧ ")
	b.must(event.Action{Do: "position", Place: &analysis.Place{Depth: lengthOf("58 mm"), Angle: 90 * analysis.Degree}})
	gauge("31.7505")
	state(event.InSize, "")
	b.must(event.Action{Do: "position", Place: &analysis.Place{Depth: lengthOf("58 mm"), Angle: 90 * analysis.Degree}})
	gauge("31.75285")
	state(event.Over, "58 mm / 90°⟧")
	b.wait(31 * time.Minute)
	state(event.NotMastered, "30 min")
}

func TestAcceptNeedsABoreInSize(t *testing.T) {
	b := ready(t)
	if r := b.do(event.Action{Do: "accept"}); r.Done || coded(r.Why) != "⟦action.accept.state 003 ⟦state.cannot judge⟧ ⟦bore.nothing⟧⟧" {
		t.Errorf("accepted an empty part: %+v", r)
	}
	for range 6 {
		b.send("31.7490")
		b.wait(time.Second)
	}
	if r := b.do(event.Action{Do: "accept"}); r.Done || !strings.HasPrefix(coded(r.Why), "⟦action.accept.state 003 ⟦state.stock to go⟧ ⟦verdict.stock ") {
		t.Errorf("accepted a bore with stock to go: %+v", r)
	}
	for range 6 {
		b.send("31.7513")
	}
	b.must(event.Action{Do: "accept"})
	v := b.Fold().Verdict
	if v == nil || !v.Accepted() || v.Readings != 6 || v.Smallest != lengthOf("31.7510 mm") || v.Round != 1 {
		t.Errorf("verdict %+v", v)
	}
	b.send("31.7513")
	if b.last[0].Kind != event.Refused || coded(b.last[0].Refused.Reason) != "⟦action.part_finished 003⟧" {
		t.Errorf("a reading after acceptance: %+v", b.last)
	}
	b.must(event.Action{Do: "part"})
	if p := b.Fold().Part; p.Serial != "0002" {
		t.Errorf("the next part counted is %s, want 0002", p.Serial)
	}
}

// A gauge that displays inch is read as mm, as on relief valve bodies in the
// demo's shop: the value can't be one of the job, and the reason says why.
func TestImplausibleIsRefusedAndKept(t *testing.T) {
	b := ready(t)
	for text, why := range map[string]string{
		"1.24990":    "⟦reading.implausible_unit ⟦reading.implausible 1.24990 mm 31.5500 mm 31.9500 mm⟧ in⟧",
		"31.9600":    "⟦reading.implausible 31.9600 mm 31.5500 mm 31.9500 mm⟧",
		"31.5 mm":    "⟦reading.implausible 31.5 mm 31.5500 mm 31.9500 mm⟧",
		"1.2499 mm":  "⟦reading.implausible_unit ⟦reading.implausible 1.2499 mm 31.5500 mm 31.9500 mm⟧ in⟧",
		"12 Cel":     "⟦reading.no_unit Cel⟧",
		"1.23456789": "finer than 0.1 nm",
	} {
		b.send(text)
		if len(b.last) != 1 || b.last[0].Kind != event.Refused || !strings.Contains(coded(b.last[0].Refused.Reason), why) {
			t.Errorf("%s: %s, want refused: %s", text, coded(b.last[0].Refused.Reason), why)
			continue
		}
		if b.last[0].Refused.Sent.Frame != text {
			t.Errorf("%s: the frame is not kept: %+v", text, b.last[0].Refused.Sent)
		}
	}
	b.send("1.249900 [in_i]")
	if b.last[0].Kind != event.Taken {
		t.Errorf("the unit in the frame does not rule: %+v", b.last[0].Refused)
	}
}

func TestRepeatedFrameIsOneReading(t *testing.T) {
	b := ready(t)
	b.send("31.7460")
	b.now.Wall, b.now.Mono = b.now.Wall.Add(100*time.Millisecond), b.now.Mono+100*time.Millisecond
	if ev := b.keep(b.Sample(b.now, "G-11", []drivers.Sample{sample(t, "31.7460")})); len(ev) != 0 {
		t.Errorf("the same frame within the bounce time is counted: %+v", ev)
	}
	b.send("31.7460")
	if len(b.Fold().Readings) != 2 {
		t.Errorf("%d readings, want 2: the same value later is another reading", len(b.Fold().Readings))
	}
}

func TestVoidAndRestore(t *testing.T) {
	b := ready(t)
	if r := b.do(event.Action{Do: "void", Reason: "dirt"}); r.Done {
		t.Error("voided a reading that isn't there")
	}
	b.send("31.7460")
	b.send("31.7470")
	if r := b.do(event.Action{Do: "void"}); r.Done || r.Why.Code != "action.void.reason" {
		t.Errorf("voided without a reason: %+v", r)
	}
	b.must(event.Action{Do: "void", Reason: "dirt"})
	if n := b.Fold().Newest(); n.No != 1 {
		t.Errorf("newest is %d after voiding 2", n.No)
	}
	if d := b.Fold().Due(); d.String() != "5 mm / 90°" {
		t.Errorf("due %s, want the voided place again", d)
	}
	if p := b.bore().Places[1]; p.State != "void" {
		t.Errorf("the voided place shows as %s", p.State)
	}
	if p := b.bore().Places[1]; len(p.Void) != 1 || p.Void[0] != lengthOf("31.7467 mm") {
		t.Errorf("what was struck out is not shown: %v", p.Void)
	}
	b.must(event.Action{Do: "restore"})
	b.must(event.Action{Do: "position", Place: &analysis.Place{Depth: lengthOf("5 mm")}})
	b.send("31.7465")
	if p := b.bore().Places[0]; len(p.Superseded) != 1 || p.Superseded[0] != lengthOf("31.7457 mm") || *p.Size != lengthOf("31.7462 mm") {
		t.Errorf("gauged again: %v, superseded %v", p.Size, p.Superseded)
	}
	b.must(event.Action{Do: "void", Reason: "only a try"})
	if len(b.Fold().Current(0)) != 2 || len(b.Fold().Readings) != 3 {
		t.Error("the reading did not come back")
	}
}

func TestMasteringRefusesSpreadAndWrongRing(t *testing.T) {
	b := newBench(t, testSettings())
	b.must(event.Action{Do: "job", Job: "J-4112"})
	b.must(event.Action{Do: "master"})
	b.send("22.2251") // another ring
	if b.last[0].Kind != event.Refused || b.last[0].Refused.Reason.Code != "reading.far_from_ring" {
		t.Errorf("another ring: %+v", b.last[0])
	}
	for _, s := range []string{"31.7500", "31.7506", "31.7500"} {
		b.send(s)
	}
	f := b.Fold()
	if f.Master != nil || f.Running == nil || coded(f.Running.Why) != "⟦reading.ring_spread 3 0.60 µm 0.50 µm⟧" || len(f.Running.Raw) != 0 {
		t.Fatalf("a spread of 0.6 µm made a zero: %+v: %s", f.Running, coded(f.Running.Why))
	}
	for _, s := range []string{"31.7501", "31.7500", "31.7500"} {
		b.send(s)
	}
	if f.Master == nil || f.Master.Zero != analysis.Deviation(-3333) || f.Master.Number != 1 {
		t.Errorf("zero %+v, want certified 31.7497 less the mean 31.750033, −0.3333 µm", f.Master)
	}
	if f.Master.SD != 577 { // s of 1, 0, 0 (tenths of a µm) is 0.0577
		t.Errorf("sd %d, want 577 (0.0577 µm)", f.Master.SD)
	}
	if r := b.do(event.Action{Do: "master", Ring: "R-9"}); r.Done || coded(r.Why) != "⟦action.no_ring R-9 R-1250⟧" {
		t.Errorf("an unknown ring: %+v", r)
	}
}

func TestPlacesByDepthChannel(t *testing.T) {
	set := testSettings()
	set.Gauge.Roles = map[string]event.Role{"S": event.SizeChannel, "Z": event.DepthChannel}
	b := newBench(t, set)
	b.must(event.Action{Do: "job", Job: "J-4112"})
	b.must(event.Action{Do: "master"})
	for range 3 {
		b.send("S 31.7500")
	}
	at := func(depth, size string) event.Event {
		b.wait(time.Second)
		return b.keep(b.Sample(b.now, "G-11", []drivers.Sample{sample(t, "Z "+depth), sample(t, "S "+size)}))[0]
	}
	_ = at("31.4", "31.7460") // begins the part
	if r := b.Fold().Readings; len(r) != 1 || r[0].Place.String() != "32 mm / 0°" {
		t.Errorf("a depth of 31.4 mm: %+v", r)
	}
	if e := at("57.9", "31.7461"); e.Kind != event.Taken || e.Reading.Place.String() != "58 mm / 0°" {
		t.Errorf("a depth of 57.9 mm: %+v", e)
	}
	for depth, why := range map[string]string{"41": "⟦reading.no_wall 41 mm groove⟧", "20": "⟦reading.no_section 20 mm⟧"} {
		if e := at(depth, "31.7462"); e.Kind != event.Refused || coded(e.Refused.Reason) != why {
			t.Errorf("a depth of %s mm: %+v, want refused: %s", depth, e, why)
		}
	}
	b.wait(5 * time.Second)
	b.send("S 31.7463")
	if b.last[0].Kind != event.Refused || b.last[0].Refused.Reason.Code != "reading.no_depth" {
		t.Errorf("an old depth is used: %+v", b.last[0])
	}
}

func TestUnmasteredReadingsNeverJudge(t *testing.T) {
	b := newBench(t, testSettings())
	b.must(event.Action{Do: "job", Job: "J-4112"})
	for range 6 {
		b.send("31.7513")
	}
	if g := b.bore(); g.State != event.NotMastered || g.Sizes != nil || g.Places[0].State != "stale" {
		t.Errorf("without a mastering: state %s, sizes %v", g.State, g.Sizes)
	}
	if r := b.do(event.Action{Do: "accept"}); r.Done {
		t.Error("accepted without a mastering")
	}
	b.master()
	if d := b.Fold().Due(); d == nil || d.String() != "5 mm / 0°" {
		t.Errorf("after mastering %v is due, want the first place: what was read before has no zero", d)
	}
}

func TestWallClockJump(t *testing.T) {
	b := ready(t)
	b.now.Wall = b.now.Wall.Add(-2 * time.Hour)
	b.send("31.7460")
	if b.last[0].Kind != event.ClockSet || b.last[0].Clock.Jump != -7200 {
		t.Fatalf("events %+v, want the clock set back by two hours", b.last)
	}
	if g := b.bore(); g.State != event.NotMastered || g.Why.Code != "bore.clock_set" {
		t.Errorf("state %s (%s): the age of the mastering isn't known", g.State, g.Why)
	}
}

func TestActionComesTwice(t *testing.T) {
	b := ready(t)
	b.send("31.7460")
	a := event.Action{ID: "a1", Do: "round", Strokes: 5}
	b.must(a)
	b.must(a)
	if b.Fold().Round() != 1 {
		t.Errorf("round %d, want 1: the same id is done once", b.Fold().Round())
	}
	again := New(b.set, records(b.all))
	if _, r := again.Act(b.now, a); !r.Done || again.Fold().Round() != 1 {
		t.Error("after a restart the same id is done again")
	}
}

func records(events []event.Event) []event.Record {
	out := make([]event.Record, len(events))
	for i, e := range events {
		out[i] = event.Record{Journal: "j", Seq: uint64(i + 1), Event: e}
	}
	return out
}

// The state is a fold over the events: whatever an operator and a gauge do, a
// session rebuilt from the stored events stands where the first one does, and
// the same inputs give the same events byte for byte.
func TestStateIsAFoldOverTheEvents(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		script := rapid.SliceOfN(rapid.IntRange(0, 14), 1, 60).Draw(rt, "script")
		values := rapid.SliceOfN(rapid.IntRange(-40, 40), len(script), len(script)).Draw(rt, "values")
		a, c := play(t, script, values), play(t, script, values)
		ja, jc := encode(t, a.all), encode(t, c.all)
		if ja != jc {
			rt.Fatal("the same inputs gave other events")
		}
		var back []event.Event
		if err := json.Unmarshal([]byte(ja), &back); err != nil {
			rt.Fatal(err)
		}
		if encode(t, back) != ja {
			rt.Fatalf("an event changes when it is stored and read")
		}
		again := New(a.set, records(back))
		if got, want := encode(t, again.Fold().Bore(&a.set, a.now.Wall)), encode(t, a.Fold().Bore(&a.set, a.now.Wall)); got != want {
			rt.Fatalf("rebuilt:\n%s\nwas:\n%s", got, want)
		}
	})
}

func encode(t testing.TB, v any) string {
	b, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func play(t testing.TB, script, values []int) *bench {
	b := newBench(t, testSettings())
	actions := []event.Action{
		{Do: "job", Job: "J-4112", Confirm: true}, {Do: "part", Confirm: true}, {Do: "master"}, {Do: "round", Strokes: 4, Confirm: true},
		{Do: "void", Reason: "dirt"}, {Do: "restore"}, {Do: "skip"}, {Do: "accept"}, {Do: "disposition", Outcome: event.OnHold, Reason: "scratched"},
		{Do: "position", Place: &analysis.Place{Depth: lengthOf("32 mm")}}, {Do: "leave"}, {Do: "record"}, {Do: "keep"},
	}
	b.do(actions[0])
	for i, n := range script {
		if n < len(actions) {
			b.do(actions[n])
			continue
		}
		b.send((lengthOf("31.7500 mm") + analysis.Length(values[i])*um/20).Format(analysis.MM, 5))
	}
	return b
}

func TestPrunedPartKeepsCounting(t *testing.T) {
	b := ready(t)
	for i := range 3 * state.MaxHeld {
		b.send([]string{"31.7460", "31.7461"}[i%2])
		b.now.Wall = time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC).Add(b.now.Mono)
	}
	f := b.Fold()
	if len(f.Readings) > 2*state.MaxHeld || f.Readings[len(f.Readings)-1].No != 3*state.MaxHeld {
		t.Errorf("%d readings held, the last is number %d; want a bounded number and %d", len(f.Readings), f.Readings[len(f.Readings)-1].No, 3*state.MaxHeld)
	}
	if !slices.IsSortedFunc(f.Readings, func(a, b *event.Reading) int { return a.No - b.No }) {
		t.Error("readings out of order")
	}
}

// A gauge that streams into a small plan begins round after round by itself. No more of
// them are held than a part honed by hand has.
func TestRoundsOfAStreamAreForgotten(t *testing.T) {
	b := ready(t)
	for i := range 2000 {
		b.send([]string{"31.7460", "31.7461"}[i%2])
		b.now.Wall = time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC).Add(b.now.Mono)
	}
	f := b.Fold()
	if n := len(f.Job.Plan()); f.Round() < 2000/n-2 {
		t.Fatalf("round %d of a plan of %d", f.Round(), n)
	}
	if len(f.Rounds) > 64 || len(f.Readings) > 65*len(f.Job.Plan()) {
		t.Errorf("%d rounds and %d readings held", len(f.Rounds), len(f.Readings))
	}
	if first := f.Readings[0].Round; first < f.Rounds[0].Number {
		t.Errorf("a reading of round %d is held, and rounds from %d on", first, f.Rounds[0].Number)
	}
	again := New(b.set, records(b.all))
	if got, want := encode(t, again.Fold().Bore(&b.set, b.now.Wall)), encode(t, f.Bore(&b.set, b.now.Wall)); got != want {
		t.Errorf("rebuilt:\n%s\nwas:\n%s", got, want)
	}
}

func BenchmarkReading(b *testing.B) {
	s := ready(b)
	b.ReportAllocs()
	smp := [][]drivers.Sample{{sample(b, "31.7460")}, {sample(b, "31.7461")}}
	for i := 0; b.Loop(); i++ {
		s.wait(time.Millisecond)
		s.Sample(s.now, "G-11", smp[i%2])
	}
}

func BenchmarkBore(b *testing.B) {
	s := ready(b)
	for i := range 600 {
		s.send([]string{"31.7460", "31.7461"}[i%2])
	}
	b.ReportAllocs()
	for b.Loop() {
		s.Fold().Bore(&s.set, s.now.Wall)
	}
}

// BenchmarkBore100 is a plan of a hundred places, all gauged, worked out anew.
func BenchmarkBore100(b *testing.B) {
	set := guarded(verdict.Expanded)
	set.Master.Lapse = event.Lapse{}
	job := set.Jobs["J-4112"]
	job.Sections, job.Orientations = nil, nil
	for i := range 20 {
		job.Sections = append(job.Sections, analysis.Length(3*(i+1))*analysis.Millimetre)
	}
	for i := range 5 {
		job.Orientations = append(job.Orientations, analysis.Angle(36*i)*analysis.Degree)
	}
	s := newBench(b, set)
	s.must(event.Action{Do: "job", Job: "J-4112"})
	s.master()
	for i := range 100 {
		s.send([]string{"31.7460", "31.7461", "31.7463"}[i%3])
	}
	if got := s.bore(); !got.Complete || got.Advice == nil || !got.Advice.Kind.Honing() {
		b.Fatalf("%d readings, %+v", got.Sizes.Readings, got.Advice)
	}
	b.ReportAllocs()
	for b.Loop() {
		s.Fold().Bore(&s.set, s.now.Wall)
	}
}
