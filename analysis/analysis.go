// Package analysis defines what is measured (lengths, angles, temperatures,
// places in a bore, jobs, rings, readings) as exact values.
//
// A [Length] is a whole number of tenths of a nanometre, so that a micro-inch
// (254) and a nanometre (10) are both exact. Sizes are diameters. Floating
// point lives inside a computation, in micrometres (see [Length.Micrometres]);
// it is never stored, compared with a limit, or shown.
//
// What a computation finds and the journal keeps is defined here too, so that who reads a
// journal needs no computation: looks at a ring, rates of removal, a cooling part.
//
// The packages below this one compute: they do no I/O, start no goroutine and
// never read the clock; the time of a reading comes in with the reading.
package analysis
