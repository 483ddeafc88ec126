package session

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/analysis/verdict"
	"fairbore/daemon/event"
	"fairbore/daemon/state"
	"fairbore/daemon/web/view"
	"fairbore/drivers"
)

// shows sends what the gauge shows, in steps of 0.1 µm.
func (b *bench) shows(v analysis.Length) {
	b.wait(time.Second)
	b.keep(b.Sample(b.now, "G-11", []drivers.Sample{{Digits: int64(v) / 1000, Places: 4}}))
}

// pressed is the action that a button sends once its dialog is answered.
func pressed(do string, b *state.Bore) event.Action {
	a := event.Action{Do: do, Confirm: true}
	switch do {
	case "job":
		a.Job = "J-4112"
	case "void":
		a.Reason = "dirt"
	case "disposition":
		a.Reason, a.Outcome = "scratched", event.OnHold
	case "round":
		a.Strokes = 4
	case "position", "repeat":
		if b.Job != nil {
			a.Place = &b.Job.Plan()[1]
		}
	case "study":
		a.Over = b.Study == nil || b.Study.Next == nil
	case "temperature":
		t := 20 * analysis.Celsius
		a.Warmth.Ring = &t
	}
	return a
}

// agrees reports what of a state contradicts something else of it. These must hold in every state:
// the first button is the first step of the advice; one figure is shown, and the reason counts to the
// same limit; the tone, from which the sound follows, is that of the situation; a bore is offered for
// acceptance, and sounds safe, only in size with a zero that is good and checked; no part is offered
// for rejection while it is to be measured; while a ring is read nothing of the past is offered; a
// drawing shows short strokes and a next place only where the advice asks for them.
func agrees(b *state.Bore, v *view.Station) (faults []string) {
	n := &b.Now
	must := func(ok bool, format string, args ...any) {
		if !ok {
			faults = append(faults, fmt.Sprintf(format, args...))
		}
	}
	must(n.Is != "" && !n.Sentence.IsZero(), "no situation or no sentence")
	must(strings.HasPrefix(v.State, "⟦face.state."+string(n.Is)) || n.Is == state.Rejected && v.State == "⟦outcome."+string(b.Verdict.Outcome)+"⟧", "the state reads %s", v.State)
	must(v.Advice == coded(n.Sentence), "the page advises %q, Now %q", v.Advice, coded(n.Sentence))
	must(len(v.Buttons) <= 3, "%d buttons", len(v.Buttons))
	once := map[string]bool{"master": true, "check": true, "round": true} // each can be left or undone
	for i, x := range v.Buttons {
		must(x.First == (i == 0 && n.Do != ""), "button %d %s is first: %v", i, x.Do, x.First)
		must(!x.Once || once[x.Do], "one touch does %s", x.Do)
		must(strings.HasPrefix(x.Text, "⟦page.button."+x.Do), "%s reads %s", x.Do, x.Text)
	}
	must(n.Do == "" || v.Buttons[0].Do == n.Do, "%v is not the first button", n.Do)
	offered := append([]string{n.Do}, n.Also...)
	must((v.Figure == "") != (v.Big == "") && (v.Figure == "" || v.Room == ""), "figure %q beside %q and %q", v.Figure, v.Big, v.Room)
	safe := n.Is == state.InSize || n.Is == state.Accepted
	must((v.Tone == view.Safe) == safe, "tone %s", v.Tone)
	must((v.Tone == view.Danger) == (n.Is == state.OverSize), "tone %s", v.Tone)
	if n.Do == "accept" {
		must(b.State == event.InSize && b.Master.OK && b.Complete && b.Master.CheckDue.IsZero() && b.Master.Running == nil && v.Tone == view.Safe, "accept in %s", b.State)
	}
	if slices.Contains(offered, "accept") {
		must(b.State == event.InSize && b.Master.OK && b.Complete, "accept offered in %s", b.State)
	}
	if slices.Contains(offered, "disposition") {
		must(n.Is == state.Rejected || b.Complete && b.Basis == b.Round && b.Next == nil && b.Verdict == nil, "reject while there is something to measure")
	}
	if n.Is.AtRing() {
		must(b.Master.Running != nil && n.Do == "" && slices.Equal(n.Also, []string{"leave"}), "at the ring %v", offered)
	}
	if b.Master.Running != nil {
		must(n.Is.AtRing() || n.Is == state.GaugeLost, "a ring is read")
	}
	if !b.Master.CheckAfter.IsZero() && b.Master.Running == nil && n.Is != state.GaugeLost && !n.Is.Studying() {
		must(n.Is == state.CheckAfter && n.Do == "check", "a check is asked for after the result")
	}
	must(b.Next == nil || n.Is.Measuring(), "a next place")
	must((n.Do == "round") == (b.Advice != nil && b.Advice.Kind.Honing() && n.Is != state.RightPosition), "round or not")
	must(n.Do != "record" && (!b.Spindle || !slices.Contains(offered, "record")), "record as the first step, or while the spindle turns")
	if a := b.Advice; a != nil {
		must(n.Is == state.RightPosition || coded(a.Sentence) == coded(n.Sentence), "two sentences: %s, %s", coded(a.Sentence), coded(n.Sentence))
		must(len(a.At) == 0 || strings.Contains(coded(a.Sentence), "advise.correct") || strings.Contains(coded(a.Sentence), "last_"), "short strokes at %v: %s", a.At, coded(a.Sentence))
		for _, limit := range []string{"low", "high"} {
			if strings.Contains(v.Reason, "advise.left."+limit) && v.Figure != "" {
				must(strings.Contains(v.Unit, "left_to_"+limit), "%s of %s beside the reason %s", v.Figure, v.Unit, v.Reason)
			}
		}
	}
	return faults
}

// refused returns why the first button is refused when it is pressed now, on a session with the same
// events.
func refused(b *bench, g *state.Bore) string {
	x := &bench{Session: New(b.set, records(b.all)), t: b.t, now: b.now}
	if g.Now.Do == "" {
		return ""
	}
	if r := x.do(pressed(g.Now.Do, g)); !r.Done {
		return r.Why.Error()
	}
	return ""
}

// history does something at random, often what the page asks for.
func (b *bench) history(rng *rand.Rand, size *analysis.Length) {
	g := b.Fold().Bore(&b.set, b.now.Wall)
	b.wait(time.Duration(rng.IntN(40)) * time.Second)
	µ := func(v float64) analysis.Length { return analysis.Length(v * float64(um)) }
	switch n := rng.IntN(20); {
	case n < 14 && g.Now.Do != "":
		b.do(pressed(g.Now.Do, g))
		if g.Now.Do == "round" {
			*size += µ(rng.Float64() * 3)
		}
	case n < 15 && g.Now.Is.AtRing():
		for b.Fold().Running != nil && rng.IntN(8) > 0 {
			b.shows(lengthOf("31.7497 mm") + µ(0.1*float64(rng.IntN(3)-1)+3*float64(rng.IntN(12)/11)))
		}
	case n < 15:
		for range 1 + rng.IntN(7) {
			b.shows(*size + µ(0.2*rng.NormFloat64()+12*float64(rng.IntN(60)/59)))
		}
	case n < 16:
		b.wait(time.Duration(rng.IntN(40)) * time.Minute)
	case n < 17:
		lost := rng.IntN(3) == 0
		b.keep(b.GaugeState(b.now, "G-11", lost, analysis.Phrase{}))
	default:
		all := []string{"part", "round", "void", "restore", "keep", "master", "check", "reread", "leave", "bumped", "dressed", "temperature", "cooldown", "accept", "disposition", "position", "repeat", "skip", "study", "job", "undo_round"}
		a := pressed(all[rng.IntN(len(all))], g)
		if a.Do == "study" && rng.IntN(2) == 0 && g.Study == nil {
			a.Over, a.Appraisers, a.Parts, a.Trials = false, []string{"a", "b"}, 2, 2
		}
		if g.Job == nil && a.Do != "job" {
			return
		}
		if a.Do == "skip" {
			a.Place = &g.Job.Plan()[rng.IntN(6)]
		}
		if a.Do == "part" {
			*size = lengthOf("31.7480 mm") + µ(rng.Float64()*4.5)
		}
		b.do(a)
	}
}

// Over 10,000 random histories no state shows a figure, a button, a sound or an advice that
// contradicts another, and no session refuses the first button.
func TestOneVoiceOverHistories(t *testing.T) {
	histories := 10_000
	if testing.Short() {
		histories = 500
	}
	seen := map[state.Situation]int{}
	pressedFirst := map[string]int{}
	for seed := range histories {
		rng := rand.New(rand.NewPCG(uint64(seed), 20))
		set := guarded([]verdict.Rule{verdict.Simple, verdict.Expanded}[rng.IntN(2)])
		b := newBench(t, set)
		size := lengthOf("31.7480 mm") + analysis.Length(rng.Float64()*4.5*float64(um))
		if rng.IntN(50) > 0 {
			b.must(event.Action{Do: "job", Job: "J-4112"})
		}
		if rng.IntN(10) > 0 {
			b.must(event.Action{Do: "master", Ring: "R-1250", Confirm: true})
			for range 3 {
				b.shows(lengthOf("31.7497 mm"))
			}
		}
		for range 4 + rng.IntN(16) {
			b.history(rng, &size)
		}
		g := b.Fold().Bore(&b.set, b.now.Wall)
		f := notation.Format{Language: notation.Codes()}
		v := view.Of(g, f)
		seen[g.Now.Is]++
		pressedFirst[g.Now.Do]++
		faults := agrees(g, &v)
		if why := refused(b, g); why != "" {
			faults = append(faults, g.Now.Do+" is refused: "+why)
		}
		if len(faults) > 0 {
			t.Errorf("history %d, %s (%s): %s\n%s", seed, g.Now.Is, g.State, coded(g.Now.Sentence), strings.Join(faults, "\n"))
		}
	}
	t.Logf("situations %v; first buttons %v", seen, pressedFirst)
}

// In every state the first button is the first step of the advice. What can't be trusted comes
// first, then what runs, then what is not known, then questions, then the result, and last the size.
func TestFirstButtonIsTheFirstStep(t *testing.T) {
	good := []string{"31.7513", "31.7513", "31.7512", "31.7512", "31.7514", "31.7514"}
	at := func(sizes ...string) func() *bench {
		return func() *bench { return gauged(t, guarded(verdict.Expanded), sizes...) }
	}
	all := func(size string) func() *bench { return at(slices.Repeat([]string{size}, 6)...) }
	act := func(from func() *bench, more ...event.Action) func() *bench {
		return func() *bench {
			b := from()
			for _, a := range more {
				b.must(a)
			}
			return b
		}
	}
	then := func(from func() *bench, more func(*bench)) func() *bench {
		return func() *bench { b := from(); more(b); return b }
	}
	lose := func(b *bench) { b.keep(b.GaugeState(b.now, "G-11", true, analysis.Phrase{})) }
	accept, check := event.Action{Do: "accept"}, event.Action{Do: "check"}
	study := event.Action{Do: "study"}
	study.Appraisers, study.Parts, study.Trials = []string{"a", "b"}, 2, 2
	for name, c := range map[string]struct {
		from func() *bench
		is   state.Situation
		do   string
		also string
		says string // the code that the sentence begins with
	}{
		"no job": {func() *bench { return newBench(t, guarded(verdict.Expanded)) }, state.NoJob, "job", "master", "now.no_job"},
		"not mastered": {func() *bench {
			b := newBench(t, guarded(verdict.Expanded))
			b.must(event.Action{Do: "job", Job: "J-4112"})
			return b
		}, state.NotMastered, "master", "job", "now.not_mastered "},
		"mastering":              {act(at(), event.Action{Do: "master"}), state.ReadRing, "", "leave", "now.read_ring "},
		"nothing measured":       {at(), state.Measure, "", "position", "now.measure "},
		"some measured":          {at(good[:4]...), state.MeasureRest, "", "void position", "now.measure "},
		"hands-free":             {then(at(good[:4]...), func(b *bench) { b.set.Capture.Mode = "turning" }), state.MeasureRest, "", "void position", "now.measure "},
		"all skipped":            {act(at(good[:5]...), event.Action{Do: "skip"}), state.MeasureRest, "position", "void", "now.skipped"},
		"stock to go":            {all("31.7400"), state.StockToGo, "round", "void", "advise.hone.try "},
		"honed":                  {act(all("31.7400"), event.Action{Do: "round", Strokes: 5}), state.MeasureAgain, "", "position", "now.measure "},
		"in size":                {at(good...), state.InSize, "accept", "check", "advise.stop.in_size"},
		"in size, check due":     {then(at(good...), func(b *bench) { b.wait(15 * time.Minute) }), state.InSize, "check", "accept", "advise.check.accept R-1250"},
		"check before accepting": {act(then(at(good...), func(b *bench) { b.wait(15 * time.Minute) }), check), state.CheckRing, "", "leave", "now.check_ring "},
		"checked before accepting": {then(act(then(at(good...), func(b *bench) { b.wait(15 * time.Minute) }), check), func(b *bench) {
			for range 3 {
				b.shows(lengthOf("31.7500 mm"))
			}
		}), state.InSize, "accept", "check", "advise.stop.in_size"},
		"zero lapsed":           {then(at(good...), func(b *bench) { b.wait(time.Hour) }), state.NotMastered, "master", "job", "now.not_mastered "},
		"bumped":                {act(at(good...), event.Action{Do: "bumped", Reason: "fell"}), state.NotMastered, "master", "job", "now.not_mastered "},
		"over":                  {all("31.7540"), state.OverSize, "disposition", "check void", "advise.aside.over"},
		"over, some measured":   {at("31.7540", "31.7540"), state.OverSize, "", "void check", "now.over_measure"},
		"past the safe size":    {all("31.7526"), state.TooClose, "check", "void", "advise.check.past_safe"},
		"gauge lost":            {then(at(good...), lose), state.GaugeLost, "", "", "now.gauge_lost"},
		"gauge lost, accepted":  {then(act(at(good...), accept), lose), state.GaugeLost, "", "", "now.gauge_lost"},
		"accepted":              {act(at(good...), accept), state.CheckAfter, "check", "part", "now.check_after "},
		"check after accepting": {act(at(good...), accept, check), state.CheckRing, "", "leave", "now.check_ring "},
		"zero good after": {then(act(at(good...), accept, check), func(b *bench) {
			for range 3 {
				b.shows(lengthOf("31.7500 mm"))
			}
		}), state.Accepted, "part", "check", "now.accepted"},
		"zero failed after": {then(act(at(good...), accept, check), func(b *bench) {
			for range 3 {
				b.shows(lengthOf("31.7520 mm"))
			}
		}), state.InDoubt, "master", "part", "now.in_doubt "},
		"rejected":            {act(at(good...), pressed("disposition", nil)), state.Rejected, "part", "disposition", "now.on_hold"},
		"study, a trial":      {act(at(), study), state.StudyTrial, "", "void study", "now.study.trial "},
		"study, a trial done": {then(act(at(), study), func(b *bench) { b.send("31.7513") }), state.StudyNext, "study", "", "now.study.take "},
		"study, ring":         {act(at(), study, check), state.CheckRing, "", "leave", "now.check_ring "},
		"spindle turns": {then(at(good[:4]...), func(b *bench) {
			b.keep(b.tell(event.Event{Kind: event.SpindleSwitched, Spindle: &event.Spindle{On: true}}))
		}), state.MeasureRest, "", "void position", "now.measure "},
		"chosen again": {act(at(good...), event.Action{Do: "position", Place: &sleeve().Plan()[2]}), state.MeasureRest, "", "void position", "now.measure "},
	} {
		b := c.from()
		g := b.bore()
		v := view.Of(g, notation.Format{Language: notation.Codes()})
		if g.Now.Is != c.is || g.Now.Do != c.do || strings.Join(g.Now.Also, " ") != c.also || !strings.HasPrefix(coded(g.Now.Sentence), "⟦"+c.says) {
			t.Errorf("%s: %s, %q and %q, %s", name, g.Now.Is, g.Now.Do, g.Now.Also, coded(g.Now.Sentence))
		}
		for _, fault := range agrees(g, &v) {
			t.Errorf("%s: %s", name, fault)
		}
		if why := refused(b, g); why != "" {
			t.Errorf("%s: %s is refused: %s", name, g.Now.Do, why)
		}
		g.Unrecorded(analysis.Say("store.full"))
		if v := view.Of(g, notation.Format{Language: notation.Codes()}); g.Now.Is != state.NotRecording || len(v.Buttons) > 0 || v.Advice != "⟦now.not_recording⟧" || v.Figure != "" || v.Room != "" {
			t.Errorf("%s, not recorded: %+v", name, v)
		}
	}
}

// tell takes in an event as a port would bring it.
func (b *bench) tell(e event.Event) []event.Event {
	b.begin(b.now)
	b.emit(e)
	return b.end()
}
