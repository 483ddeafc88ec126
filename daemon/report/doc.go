// Package report puts together what was done to a part, a job or a gauge, as a document
// that package document sets as plain text, a page or a PDF; and as CSV, from the records
// themselves, with all decimals. The same records give the same bytes in every format.
//
// Sizes stand in the unit of the drawing first and in the other beside it.
// Two-point readings are called what they are: nothing here is said of the axis
// or of odd lobes.
package report
