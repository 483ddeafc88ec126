// Package report puts together the record of a part, a job or a gauge. For people it is a
// [document.Document] in the unit of the drawing, with the other unit beside it, and in the
// reader's language. For programs it is CSV, from the records themselves, with all decimals and the
// same in every language.
//
// Readings between two points are called that: the reports say nothing about the straightness of
// the axis or about lobes in odd numbers.
package report
