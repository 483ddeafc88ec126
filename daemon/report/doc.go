// Package report puts together what was done to a part, a job or a gauge, as a
// [document.Document] for a reader: in the unit of the drawing, with the other beside it,
// and in the reader's language; and as CSV, from the records themselves, with all decimals
// and the same in every language.
//
// Two-point readings are called what they are: nothing here is said of the axis
// or of odd lobes.
package report
