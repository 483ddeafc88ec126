package state

import (
	"maps"
	"slices"
	"time"

	"fairbore/analysis"
	"fairbore/daemon/event"
)

// Undo is the action that takes the newest action at a station back. Both stay in the journal.
type Undo struct {
	At   time.Time       // of what it takes back
	What analysis.Phrase // what it takes back
	Do   string          // the action, with the members that it needs

	No     int             // reading
	Reason analysis.Phrase // for which the reading was void
	Place  *analysis.Place
}

// undoOf returns how an event that comes now can be taken back, nil if no action does that. An
// event that changes nothing of the part in hand leaves what was to be taken back before.
func (f *Fold) undoOf(e *event.Event) *Undo {
	switch e.Kind {
	case event.Voided:
		return &Undo{At: e.At, What: analysis.Say("undo.void", e.Void.No), Do: "restore", No: e.Void.No}
	case event.Restored:
		if why, void := f.Voids[e.Void.No]; void {
			return &Undo{At: e.At, What: analysis.Say("undo.restore", e.Void.No), Do: "void", No: e.Void.No, Reason: why}
		}
	case event.Placed:
		return f.undoOfPlace(e)
	case event.RoundOver:
		return &Undo{At: e.At, What: analysis.Say("undo.round", e.Round.Number), Do: "undo_round"}
	case event.JobChosen, event.PartBegun, event.Judged, event.Taken, event.Kept, event.Mastering, event.Studied:
	default:
		return f.Undo
	}
	return nil
}

// mostBefore is how many rounds in a row that nothing was gauged in can be undone.
const mostBefore = 4

// applyBefore takes an event in as if the round in hand had not begun. It must come before the event
// is taken in otherwise.
func (f *Fold) applyBefore(e *event.Event) {
	switch e.Kind {
	case event.RoundOver:
		f.before = f.copied()
		last := f
		for range mostBefore {
			if last = last.before; last == nil {
				return
			}
		}
		last.before = nil
	case event.Taken, event.Judged, event.PartBegun, event.JobChosen:
		f.before = nil
	case event.RoundUndone:
	default:
		if f.before != nil {
			f.before.Apply(e)
		}
	}
}

// copied returns a copy that takes in events without changing f.
func (f *Fold) copied() *Fold {
	c := *f
	c.Voids, c.Doubtful, c.TakenWarm, c.Asked = maps.Clone(f.Voids), maps.Clone(f.Doubtful), maps.Clone(f.TakenWarm), maps.Clone(f.Asked)
	c.Beside, c.Work = maps.Clone(f.Beside), f.Work.Copied()
	c.Readings, c.Rounds, c.gauges = slices.Clip(f.Readings), slices.Clip(f.Rounds), slices.Clip(f.gauges)
	if f.Running != nil {
		running := *f.Running
		c.Running = &running
	}
	return &c
}

// Undoable reports whether the round in hand can be undone, since nothing was gauged in it.
func (f *Fold) Undoable() bool { return f.before != nil }

// undoOfPlace returns how the choice of a place is taken back: by choosing the one that was due.
func (f *Fold) undoOfPlace(e *event.Event) *Undo {
	c, was := e.Place, f.Due()
	switch {
	case c.Skip:
		return &Undo{At: e.At, What: analysis.Say("undo.skip", c.Place), Do: "position", Place: &c.Place}
	case was == nil || *was == c.Place && f.Staying == c.Stay:
		return nil
	}
	u := &Undo{At: e.At, What: analysis.Say("undo.position", c.Place), Do: "position", Place: was}
	if f.Staying {
		u.Do = "repeat"
	}
	return u
}
