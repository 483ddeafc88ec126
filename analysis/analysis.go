// Package analysis defines the exact values of what is measured: lengths, angles,
// temperatures, places in a bore, jobs, rings and readings.
//
// A [Length] is a whole number of tenths of a nanometre, so that a micro-inch
// (254) and a nanometre (10) are both exact. Sizes are diameters. Floating point is used
// only inside a computation, in micrometres (see [Length.Micrometres]). A floating-point
// value is never stored, compared with a limit, or shown.
//
// The package also defines the results of computations that the journal keeps: looks at a
// ring, rates of removal, a cooling part. A program that reads a journal thus needs none of
// the packages that compute.
//
// The packages below this one compute. They do no I/O, start no goroutine and never read
// the clock. The time of a reading comes in with the reading.
package analysis
