package session

import (
	"math"

	"fairbore/analysis"
	"fairbore/daemon/event"
)

// Limits for asking about an unexpected reading; package rock has the same ones for a pass. How
// many questions there were in simulated parts of the demo's jobs (the constants were chosen on
// seeds 1 to 9):
//
//	by data button, honed as advised (seeds 101, 301, 302)          1 of 23,730 readings
//	  every seventeenth off by 15 to 25 µm (seeds 103, 301, 302)    429 of 443
//	rocked by people who swing well (seeds 501 to 540)              0 of 9,240; 3.45 passes a reading, 3.59 if nothing is expected
//	  11 were off by more than 1 µm, 6 if nothing is expected
//	rocked, every second visit faulty (seeds 401 to 408)            24 of 1,852, 16 of them of the 99 off by more than 1 µm
//
// The errors that caused no question came after long honing or short strokes, which may have
// removed as much. An error below the 5 µm of an ordinary oval causes none.
//
//	go test ./daemon/session -run 'Ordinary|Jumps' -v
//	go test ./daemon/session -run XXX -bench Expecting -benchtime 1x
const (
	unexpectedBy     = 2.0 // µm
	unexpectedSigmas = 3.0
)

// Two values of one place agree if they differ by at most so many standard uncertainties, or by
// what it takes to find the place again by hand (common practice).
const (
	agreeSigmas = 3.0
	agreeLeast  = 1.0 // µm
)

// askIfUnexpected asks about a reading that is far from the size expected at its place. Such a
// reading counts once the place is gauged again and agrees, or once a person keeps it. A trial of a
// gauge study is never asked about, since leaving out trials would make the gauge look better than
// it is.
func (s *Session) askIfUnexpected(r *event.Reading) {
	if r.Study != nil || r.Mastered == 0 {
		return
	}
	round := s.fold.LatestRound()
	size, u := s.expected(r.Place, &round)
	off := r.Size - size
	if u == 0 || off.Abs().Micrometres() <= unexpectedBy+unexpectedSigmas*s.differenceU(u, r.U) {
		return
	}
	r.Unexpected, r.Expected, r.ExpectedU = true, size, u
	by := analysis.Deviation(off.Abs())
	switch misplaced := r.Ask; {
	case misplaced.IsZero() && off < 0:
		r.Ask = analysis.Say("ask.smaller", by, r.Place)
	case misplaced.IsZero():
		r.Ask = analysis.Say("ask.larger", by, r.Place)
	case off < 0:
		r.Ask = analysis.Say("ask.misplaced_smaller", misplaced, by, r.Place)
	default:
		r.Ask = analysis.Say("ask.misplaced_larger", misplaced, by, r.Place)
	}
}

// differenceU returns the standard uncertainty of the difference between a size and a captured one,
// in µm.
func (s *Session) differenceU(u, captured analysis.Deviation) float64 {
	return analysis.Length(math.Hypot(float64(u), float64(max(captured, s.readingU())))).Micrometres()
}

// answerQuestion settles a question about the reading before at the same place: a new reading that
// agrees confirms the earlier one, any other voids it.
func (s *Session) answerQuestion(r *event.Reading) {
	f := &s.fold
	asked := f.Question(&r.Place)
	if asked == nil || r.Mastered == 0 {
		return
	}
	off := (r.Size - asked.Size).Abs()
	if off.Micrometres() <= max(agreeLeast, agreeSigmas*s.differenceU(max(asked.U, s.readingU()), r.U)) {
		s.emit(event.Event{Kind: event.Kept, Void: &event.Void{No: asked.No, Reason: analysis.Say("void.agrees", analysis.Size(r.Size))}})
		return
	}
	s.emit(event.Event{Kind: event.Voided, Void: &event.Void{No: asked.No, Reason: analysis.Say("void.not_confirmed", analysis.Size(r.Size))}})
}

// keepAsked keeps a reading that was asked about: from now on it counts.
func (s *Session) keepAsked(a event.Action) error {
	f := &s.fold
	r := f.Question(nil)
	if a.Reading != 0 {
		r = f.ReadingNo(a.Reading)
	}
	switch {
	case r == nil && a.Reading == 0:
		return analysis.Say("action.keep.none")
	case r == nil || !f.Asked[r.No]:
		return analysis.Say("action.keep.not_asked", a.Reading)
	case f.Verdict != nil:
		return analysis.Say("action.part_finished_record", f.Part.Serial)
	}
	s.emit(event.Event{Kind: event.Kept, Void: &event.Void{No: r.No, Reason: a.Why()}})
	s.checkCooling(r)
	return nil
}
