// Package analysis defines what is measured (lengths, angles, temperatures,
// places in a bore, jobs, rings, readings) as exact values.
//
// A [Length] is a whole number of tenths of a nanometre, so that a micro-inch
// (254) and a nanometre (10) are both exact. Sizes are diameters. Floating
// point lives inside a computation, in micrometres (see [Length.Micrometres]);
// it is never stored, compared with a limit, or shown.
//
// The packages below this one compute: they do no I/O, start no goroutine and
// never read the clock; the time of a reading comes in with the reading.
package analysis
