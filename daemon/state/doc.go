// Package state works out the state of a station from its events. A [Fold] takes in the events one
// after the other; [Fold.Bore] then tells how the bore stands: sizes, form, uncertainty, verdict,
// advice, cautions. It has no goroutine, no lock and no clock, and the same events give the same
// state.
package state
