package session

import (
	"math/rand/v2"
	"reflect"
	"testing"
	"time"

	"fairbore/analysis/verdict"
	"fairbore/daemon/event"
	"fairbore/daemon/state"
)

// without are the events without the rounds that were undone, and without what undid them.
func without(all []event.Event) (out []event.Event) {
	for i := range all {
		if all[i].Kind != event.RoundUndone {
			out = append(out, all[i])
			continue
		}
		for k := len(out) - 1; k >= 0; k-- { // the round in hand
			if out[k].Kind == event.RoundOver {
				out = append(out[:k:k], out[k+1:]...)
				break
			}
		}
	}
	return out
}

// A round that was undone is as if it had not been, in whatever happened before, meanwhile and later:
// the state of the events is that of the same events without it, and nothing but both events says
// that it was.
func TestUndoneRoundNeverWas(t *testing.T) {
	undone := 0
	for seed := range 400 {
		rng := rand.New(rand.NewPCG(uint64(seed), 21))
		b := newBench(t, guarded(verdict.Simple))
		size := lengthOf("31.7480 mm")
		b.must(event.Action{Do: "job", Job: "J-4112"})
		b.master()
		for range 3 + rng.IntN(12) {
			b.history(rng, &size)
			if rng.IntN(3) > 0 || b.Fold().Part == nil {
				continue
			}
			for range 1 + rng.IntN(3) {
				b.do(event.Action{Do: "round", Strokes: 1 + rng.IntN(20), Confirm: true})
				for range rng.IntN(3) {
					meanwhile := []event.Action{{Do: "position", Place: &sleeve().Plan()[rng.IntN(6)]}, {Do: "dressed"}, {Do: "master"}, {Do: "check"}, {Do: "leave"}, {Do: "bumped"}, {Do: "void", Reason: "dirt"}, {Do: "restore"}, {Do: "keep"}, {Do: "skip", Place: &sleeve().Plan()[rng.IntN(6)]}, pressed("temperature", b.bore()), {Do: "cooldown"}, {Do: "note", Reason: "oil"}}
					b.do(meanwhile[rng.IntN(len(meanwhile))])
					if b.Fold().Running != nil && rng.IntN(2) == 0 {
						b.shows(lengthOf("31.7497 mm"))
					}
				}
			}
			for range 1 + rng.IntN(3) {
				if b.Fold().Undoable() {
					b.must(event.Action{Do: "undo_round"})
					undone++
				}
			}
		}
		end := event.Event{Kind: event.Taken, At: b.now.Wall, Reading: &event.Reading{No: 9999}} // how many rounds may be undone is bounded
		end.Reading.Round = b.Fold().Round()
		var with, never state.Fold
		for _, e := range b.all {
			with.Apply(&e)
		}
		for _, e := range without(b.all) {
			never.Apply(&e)
		}
		with.Apply(&end)
		never.Apply(&end)
		if !reflect.DeepEqual(&with, &never) {
			t.Fatalf("seed %d: %d rounds %v, want %v\n%+v\n%+v", seed, with.Round(), with.Rounds, never.Rounds, with, never)
		}
		if again := New(b.set, records(b.all)); !reflect.DeepEqual(again.Fold().Rounds, b.Fold().Rounds) || again.Fold().Undoable() != b.Fold().Undoable() {
			t.Fatalf("seed %d: after a restart rounds %v, want %v", seed, again.Fold().Rounds, b.Fold().Rounds)
		}
	}
	if undone < 300 {
		t.Errorf("only %d rounds were undone", undone)
	}
}

// A round is offered to be undone for a minute, and may be undone as long as nothing is gauged in it.
// The advice is then that of before.
func TestRoundIsUndone(t *testing.T) {
	b := gauged(t, guarded(verdict.Expanded), "31.7400", "31.7400", "31.7400", "31.7400", "31.7400", "31.7400")
	if r := b.do(event.Action{Do: "undo_round"}); r.Why.Code != "action.undo_round.none" {
		t.Fatalf("before any round: %+v", r)
	}
	advice := b.bore().Now
	b.must(event.Action{Do: "round", Strokes: 7})
	if u := b.bore().Undo; u == nil || u.Do != "undo_round" || u.What.Code != "undo.round" {
		t.Errorf("offered: %+v", u)
	}
	b.wait(3 * time.Minute)
	b.must(event.Action{Do: "undo_round"})
	if g := b.bore(); g.Round != 0 || !reflect.DeepEqual(g.Now, advice) || !g.Complete {
		t.Errorf("round %d, %+v", g.Round, g.Now)
	}
	b.must(event.Action{Do: "round", Strokes: 9})
	b.send("31.7420")
	if r := b.do(event.Action{Do: "undo_round"}); r.Why.Code != "action.undo_round.none" {
		t.Errorf("with a reading: %+v", r)
	}
	if r := b.Fold().Rounds; len(r) != 1 || r[0].Strokes != 9 || r[0].Number != 1 {
		t.Errorf("rounds %+v", r)
	}
}
