package session

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/advise"
	"fairbore/analysis/verdict"
	"fairbore/daemon/event"
	"fairbore/daemon/state"
	"fairbore/drivers"
	"fairbore/drivers/simulator"
)

// Through the sleeve of the demo's shop the advice gives a round with a reason
// after each complete gauging, never one that the risk forbids, and stops where
// the bore is in size. After round 4 the naive count is 13 strokes; the worked
// example of the trade allows 6, and no more than about 9.
func TestAdviceThroughAPart(t *testing.T) {
	job, err := simulator.FindJob("J-4112")
	if err != nil {
		t.Fatal(err)
	}
	set := simulated(job)
	set.Capture = state.CaptureSettings{Mode: "button", Bounce: 300 * time.Millisecond}
	set.Rule = string(verdict.Confidence95)
	set.Doubt = guarded(verdict.Confidence95).Doubt
	b := newBench(t, set)
	b.must(event.Action{Do: "job", Job: job.ID})
	b.must(event.Action{Do: "part"})
	if g := b.bore(); g.Advice != nil || g.Now.Is != state.NotMastered || g.Now.Do != "master" {
		t.Errorf("before mastering: %+v, %+v", g.Now, g.Advice)
	}
	b.must(event.Action{Do: "master", Of: 4})
	stream := drivers.Stream{Decoder: mustLine(t)}
	stream.Feed(nil, true, func(drivers.Found) {}) // a silent line first
	start := b.now
	for step := range job.Session(simulator.Play{Button: true, Masterings: 4}, rand.New(rand.NewPCG(1, 1))) {
		b.now = drivers.Moment{Wall: start.Wall.Add(step.From), Mono: start.Mono + step.From}
		if step.Act == simulator.Honing {
			a := b.bore().Advice
			t.Logf("before round %d: %s (%s)", step.Round, a.Sentence, a.Reason)
			if !a.Kind.Honing() || a.Sentence.IsZero() || a.Reason.IsZero() || a.Risk > 0.01 {
				t.Errorf("before round %d: %+v", step.Round, a)
			}
			if step.Round == 5 && (a.Strokes < 3 || a.Strokes > 9) {
				t.Errorf("after round 4: %d strokes, want about 6", a.Strokes)
			}
			b.must(event.Action{Do: "round", Strokes: step.Strokes})
			if g := b.bore(); g.Advice != nil || g.Now.Is != state.MeasureAgain {
				t.Errorf("honed and not gauged: %+v, %+v", g.Now, g.Advice)
			}
		}
		for _, c := range step.Frames {
			b.now = drivers.Moment{Wall: start.Wall.Add(c.At), Mono: start.Mono + c.At}
			stream.Feed(c.Bytes, false, func(f drivers.Found) {
				if f.Reject == "" {
					b.keep(b.Sample(b.now, job.Gauge.ID, f.Samples))
				}
			})
		}
	}
	g := b.bore()
	if g.Now.Is != state.InSize || g.Now.Do != "accept" || g.Advice.Kind != advise.Stop {
		t.Errorf("in the end: %s: %+v", g.State, g.Now)
	}
	if !slices.Contains(allCoded(g.Cautions), "⟦caution.spindle⟧") {
		t.Errorf("cautions %v", g.Cautions)
	}
	b.must(event.Action{Do: "accept"})
	if g := b.bore(); g.Advice != nil {
		t.Errorf("advice for a finished part: %+v", g.Advice)
	}
}

// The rate of a part is that of the job's next part, through a restart too: its first
// round need not be a try. Another job begins with none, but with the hand's scatter.
func TestNextPartBeginsWithTheRate(t *testing.T) {
	b := gauged(t, guarded(verdict.Expanded), "31.7303", "31.7303", "31.7303", "31.7303", "31.7303", "31.7303")
	if a := b.bore().Advice; a.Sentence.Code != "advise.hone.try" || a.Rate.Rounds != 0 {
		t.Fatalf("first part: %s", a.Sentence)
	}
	b.must(event.Action{Do: "round", Strokes: 20})
	for range 6 {
		b.send("31.7403") // 10 µm in 20 strokes
	}
	b.must(event.Action{Do: "part", Confirm: true})
	p := b.Fold().Part.Rate
	if p == nil || p.Parts != 1 || math.Abs(math.Exp(p.Log)-0.5) > 0.025 {
		t.Fatalf("the next part begins with %+v, want about 0.5 µm a stroke", p)
	}
	for range 6 {
		b.send("31.7303")
	}
	a := b.bore().Advice
	if a.Sentence.Code == "advise.hone.try" || a.Rate == nil || a.Rate.Per < analysis.Deviation(45*um/100) || a.Rate.Per > analysis.Deviation(50*um/100) {
		t.Errorf("next part: %s (%s)", a.Sentence, a.Reason)
	}
	var again state.Fold
	for i := range b.all {
		again.Apply(&b.all[i])
	}
	if q := again.Part.Rate; q == nil || *q != *p {
		t.Errorf("folded again %+v, before %+v", q, p)
	}
	b.must(event.Action{Do: "job", Job: "J-4112", Confirm: true})
	b.must(event.Action{Do: "part", Confirm: true})
	if q := b.Fold().Part.Rate; q == nil || q.Parts != 0 || q.Spread != 0 || q.Scatter != p.Scatter {
		t.Errorf("a job chosen anew begins with %+v, before %+v", q, p)
	}
}

func TestDressedStonesBelongToTheNextRound(t *testing.T) {
	b := ready(t)
	b.send("31.7460")
	b.must(event.Action{Do: "dressed"})
	b.must(event.Action{Do: "round", Strokes: 5})
	if r := b.Fold().Rounds[0]; !r.Dressed || b.Fold().Dressed {
		t.Errorf("round %+v, still dressed: %v", r, b.Fold().Dressed)
	}
}

// A display that is fed by messages can say all of a bore in another unit than the
// drawing's, depths too: nothing of inches is left in it, and nothing else changes.
func TestBoreInAnotherUnit(t *testing.T) {
	b := gauged(t, guarded(verdict.Expanded), "31.7455", "31.7456", "31.7459", "31.7460", "31.7463", "31.7464")
	wire, err := json.Marshal(b.bore())
	if err != nil {
		t.Fatal(err)
	}
	var g state.Bore
	if err := json.Unmarshal(wire, &g); err != nil {
		t.Fatal(err)
	}
	all := append([]analysis.Phrase{g.Why, g.Advice.Sentence, g.Advice.Reason, g.Judged.Sentence, g.Judged.Stop.Reason}, g.Words...)
	for _, p := range all {
		if said := coded(p); strings.Contains(said, "millionth") || strings.Contains(said, "tenths") || strings.Contains(said, " in /") {
			t.Errorf("in mm: %s", said)
		}
		if drawn := drawn(b.Fold().Job, p); strings.Contains(drawn, "µm") || strings.Contains(drawn, "mm") {
			t.Errorf("drawn in inches: %s", drawn)
		}
	}
	// 4.8 µm from 31.7452, as corrected, to the low limit
	if said := coded(g.Why); said != "⟦verdict.stock 4.8 µm 5 mm / 0°⟧" || drawn(b.Fold().Job, g.Why) != "⟦verdict.stock 189 millionths 0.20 in / 0°⟧" {
		t.Errorf("%q, %q", said, drawn(b.Fold().Job, g.Why))
	}
}

// A round keeps how its honing was advised, so that short and light strokes are not
// taken for long ones at full pressure.
func TestRoundKeepsHowItWasAdvised(t *testing.T) {
	b := gauged(t, guarded(verdict.Expanded), "31.7303", "31.7303", "31.7303", "31.7303", "31.7263", "31.7263")
	a := b.bore().Advice
	if !a.Kind.Honing() || a.Short == 0 || a.Where != "back" {
		t.Fatalf("%s at %q, %d short", a.Kind, a.Where, a.Short)
	}
	b.must(event.Action{Do: "round", Strokes: a.Strokes})
	if r := b.Fold().Rounds[0]; r.Short != a.Short || r.Light != a.Light || r.Ends {
		t.Errorf("advised %+v, kept %+v", a, r)
	}
	for _, v := range []string{"31.7323", "31.7323", "31.7363", "31.7363", "31.7323", "31.7323"} {
		b.send(v)
	}
	if a = b.bore().Advice; a.Short == 0 || a.Where != advise.Ends {
		t.Fatalf("%s at %q, %d short", a.Kind, a.Where, a.Short)
	}
	b.must(event.Action{Do: "round", Strokes: a.Strokes})
	if r := b.Fold().Rounds[1]; r.Short != a.Short || !r.Ends {
		t.Errorf("advised %+v, kept %+v", a, r)
	}
}
