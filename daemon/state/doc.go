// Package state is what follows from the events of a station. A [Fold] takes them in
// one after the other; [Fold.Bore] works out from it where the bore stands: sizes,
// form, uncertainty, verdict, advice, cautions. It has no goroutine, no lock and no
// clock, and the same events give the same state.
package state
